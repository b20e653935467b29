//! A planned take with its touches, and how it becomes frames.

use std::sync::Arc;

use glam::DVec3;
use understudy_anatomy::Side;
use understudy_motion::{Clip, Transform, WorldPose};

use crate::error::BodyError;
use crate::plan::SIDES;
use crate::takes::figure::Figure;
use crate::takes::score::Score;
use crate::takes::{AuthoredTake, Prop, TouchEnd, TouchPart, TrueTouch};
use understudy_motion::skin::Gap;

/// A touch as planned.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TouchPlan {
    pub(crate) parts: [TouchPart; 2],
    pub(crate) from_secs: f64,
    pub(crate) to_secs: f64,
}

/// A prop as planned.
#[derive(Clone)]
pub(crate) struct PropPlan {
    pub(crate) name: &'static str,
    pub(crate) size_m: DVec3,
    pub(crate) place: Arc<dyn Fn(f64) -> Transform + Send + Sync>,
}

/// A take as planned.
pub(crate) struct Draft {
    pub(crate) score: Score,
    pub(crate) touches: Vec<TouchPlan>,
    pub(crate) props: Vec<PropPlan>,
}

impl Draft {
    /// A take without touches and props.
    pub(crate) fn of(score: Score) -> Self {
        Self {
            score,
            touches: Vec::new(),
            props: Vec::new(),
        }
    }

    /// Adds a touch.
    pub(crate) fn touching(
        mut self,
        first: TouchPart,
        second: TouchPart,
        from_secs: f64,
        to_secs: f64,
    ) -> Self {
        self.touches.push(TouchPlan {
            parts: [first, second],
            from_secs,
            to_secs,
        });
        self
    }

    /// The frames, the contacts and the touches.
    pub(crate) fn finished(
        &self,
        figure: &Figure,
        name: &'static str,
        said: &'static str,
        frames_per_sec: f64,
    ) -> Result<AuthoredTake, BodyError> {
        let frames = (self.score.secs * frames_per_sec).round() as usize + 1;
        let secs = |frame: usize| frame as f64 / frames_per_sec;
        let locals = (0..frames)
            .flat_map(|frame| self.score.locals(figure, secs(frame)))
            .collect();
        let mut clip = Clip::new(figure.skeleton.clone(), 1.0 / frames_per_sec, locals)
            .map_err(|error| BodyError::Inconsistent(error.to_string()))?;
        clip.name = name.into();
        let contacts = SIDES
            .into_iter()
            .zip(&self.score.feet)
            .flat_map(|(side, footing)| footing.contacts(side, frames, clip.frame_time_secs))
            .collect();
        let props: Vec<Prop> = self
            .props
            .iter()
            .map(|plan| Prop {
                name: plan.name,
                size_m: plan.size_m,
                places: (0..frames).map(|frame| (plan.place)(secs(frame))).collect(),
            })
            .collect();
        let touches = self
            .touches
            .iter()
            .map(|plan| true_touch(figure, &clip, &props, plan))
            .collect();
        Ok(AuthoredTake {
            name,
            said,
            clip,
            contacts,
            touches,
            props,
        })
    }
}

fn true_touch(figure: &Figure, clip: &Clip, props: &[Prop], plan: &TouchPlan) -> TrueTouch {
    let last = clip.frame_count() - 1;
    let at = |secs: f64| secs / clip.frame_time_secs;
    // A hair of slack, since times of whole frames are rounded; casts saturate at both ends.
    let first_frame = ((at(plan.from_secs) - 1e-6).ceil() as usize).min(last);
    let last_frame = ((at(plan.to_secs) + 1e-6).floor() as usize).clamp(first_frame, last);
    let middle = first_frame.midpoint(last_frame);
    let pose = clip.world(middle);
    let [first, second] = plan.parts;
    let gap = touch_gap(figure, &pose, props, middle, plan.parts);
    let (on_first, on_second) = gap.map_or((DVec3::ZERO, DVec3::ZERO), |gap| {
        (gap.on_first, gap.on_second)
    });
    TrueTouch {
        ends: [
            touch_end(figure, &pose, props, middle, first, on_first),
            touch_end(figure, &pose, props, middle, second, on_second),
        ],
        first_frame,
        last_frame,
    }
}

fn touch_end(
    figure: &Figure,
    pose: &WorldPose,
    props: &[Prop],
    frame: usize,
    part: TouchPart,
    point: DVec3,
) -> TouchEnd {
    let (joint, point) = match (main_joint(figure, part), part) {
        (Some(joint), _) => {
            let local = pose.affines[joint].inverse().transform_point3(point);
            (Some(figure.skeleton.name(joint).to_owned()), local)
        }
        (None, TouchPart::Prop(name)) => {
            let place = prop_place(props, name, frame);
            (None, place.to_affine().inverse().transform_point3(point))
        }
        (None, _) => (None, point),
    };
    TouchEnd { part, joint, point }
}

fn prop_place(props: &[Prop], name: &str, frame: usize) -> Transform {
    props
        .iter()
        .find(|prop| prop.name == name)
        .and_then(|prop| prop.places.get(frame))
        .copied()
        .unwrap_or(Transform::IDENTITY)
}

/// How far two parts are apart in a pose.
pub(crate) fn touch_gap(
    figure: &Figure,
    pose: &WorldPose,
    props: &[Prop],
    frame: usize,
    [first, second]: [TouchPart; 2],
) -> Option<Gap> {
    let skin = figure.skin.posed(pose);
    let joints = joints_of(figure, first);
    match second {
        TouchPart::Floor => {
            let on_first = skin.farthest(&joints, DVec3::NEG_Y)?;
            Some(Gap {
                metres: on_first.y,
                on_first,
                on_second: DVec3::new(on_first.x, 0.0, on_first.z),
            })
        }
        TouchPart::Prop(name) => {
            let prop = props.iter().find(|prop| prop.name == name)?;
            let place = prop_place(props, name, frame).to_affine();
            let half = prop.size_m / 2.0;
            let vertices = skin.vertices(&joints).into_iter();
            let gaps = vertices.map(|vertex| {
                let local = place.inverse().transform_point3(vertex);
                let (metres, nearest) = box_gap(local, half);
                Gap {
                    metres,
                    on_first: vertex,
                    on_second: place.transform_point3(nearest),
                }
            });
            gaps.min_by(|a, b| a.metres.total_cmp(&b.metres))
        }
        body => skin.gap(&joints, &joints_of(figure, body), 0.06),
    }
}

/// Signed distance of a point from a box around 0, and the nearest point of its faces, metres.
fn box_gap(point: DVec3, half: DVec3) -> (f64, DVec3) {
    let clamped = point.clamp(-half, half);
    if clamped != point {
        return (point.distance(clamped), clamped);
    }
    let depths = (half - point.abs()).to_array();
    let axis = (0..3)
        .min_by(|&a, &b| depths[a].total_cmp(&depths[b]))
        .unwrap_or(0);
    let mut nearest = point.to_array();
    nearest[axis] = half[axis].copysign(point[axis]);
    (-depths[axis], DVec3::from_array(nearest))
}

/// The joint that the points of a part are given for.
fn main_joint(figure: &Figure, part: TouchPart) -> Option<usize> {
    match part {
        TouchPart::Floor | TouchPart::Prop(_) => None,
        TouchPart::Hand(side) => Some(figure.limbs(side).wrist),
        TouchPart::Fingertips(side) => Some(figure.joint(side, "middle_3")),
        TouchPart::Forearm(side) => Some(figure.limbs(side).elbow),
        TouchPart::UpperArm(side) => Some(figure.limbs(side).shoulder),
        TouchPart::Thigh(side) => Some(figure.limbs(side).hip),
        TouchPart::Knee(side) => Some(figure.limbs(side).knee),
        TouchPart::Chin | TouchPart::Brow => Some(figure.rig.head),
        TouchPart::Seat | TouchPart::Hip(_) => Some(figure.rig.pelvis),
    }
}

/// Joints whose skin makes up a part.
pub(crate) fn joints_of(figure: &Figure, part: TouchPart) -> Vec<usize> {
    let fingers = |side: Side| {
        let names = ["index", "middle", "ring", "little", "pinky"];
        let joints = names
            .iter()
            .flat_map(|name| (2..=3).map(move |joint| format!("{name}_{joint}")));
        joints
            .map(|name| figure.joint(side, &name))
            .filter(|&joint| joint != figure.rig.pelvis)
            .collect()
    };
    match part {
        TouchPart::Floor | TouchPart::Prop(_) => Vec::new(),
        TouchPart::Hand(side) => figure.hand(side),
        TouchPart::Fingertips(side) => fingers(side),
        TouchPart::Forearm(side) => vec![figure.limbs(side).elbow],
        TouchPart::UpperArm(side) => vec![figure.limbs(side).shoulder],
        TouchPart::Thigh(side) => vec![figure.limbs(side).hip],
        TouchPart::Knee(side) => vec![figure.limbs(side).hip, figure.limbs(side).knee],
        TouchPart::Chin => vec![figure.rig.head, figure.rig.neck],
        TouchPart::Brow => vec![figure.rig.head],
        TouchPart::Seat => {
            let hips = figure.rig.limbs.iter().map(|limbs| limbs.hip);
            std::iter::once(figure.rig.pelvis).chain(hips).collect()
        }
        TouchPart::Hip(_) => {
            let mut joints = figure.trunk();
            joints.extend(figure.rig.limbs.iter().map(|limbs| limbs.hip));
            joints
        }
    }
}
