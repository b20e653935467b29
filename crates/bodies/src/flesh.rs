//! The flesh of a body as solid pieces, in the working frame.
//!
//! Each piece is a cone with rounded ends along one bone. How pieces turn into triangles is the
//! business of [`crate::mesh`]; another way of making a surface can start from the same pieces.

use glam::DVec3;
use understudy_anatomy::body::{AppendageKind, Side};

use crate::description::{Appendage, ArmPair, LegKind, Rgb};
use crate::plan::{LegPoints, Part, Plan, SIDES, sign, twist_share};
use crate::proportions as human;

/// One solid piece.
#[derive(Clone, Debug)]
pub(crate) struct Piece {
    /// The joint that moves it.
    pub(crate) owner: usize,
    /// The joint that moves what lies before `from`.
    pub(crate) before: Option<usize>,
    /// The joint that moves what lies after `to`.
    pub(crate) after: Option<usize>,
    /// Joints that share the twist, with their place from 0 at `from` to 1 at `to`.
    pub(crate) twists: Vec<(usize, f64)>,
    /// Start of the axis, metres.
    pub(crate) from: DVec3,
    /// End of the axis, metres.
    pub(crate) to: DVec3,
    /// Half breadth at both ends, metres.
    pub(crate) radii_m: [f64; 2],
    /// Direction in which the piece is flat, and its half depth over its half breadth.
    pub(crate) flat: (DVec3, f64),
    /// Length of the rounded ends over their radius.
    pub(crate) caps: [f64; 2],
    /// Whether the piece is cut flat at the floor.
    pub(crate) on_floor: bool,
    /// Colour.
    pub(crate) colour: Rgb,
}

impl Piece {
    fn new(owner: usize, from: DVec3, to: DVec3, radii_m: [f64; 2], colour: Rgb) -> Self {
        Self {
            owner,
            before: None,
            after: None,
            twists: Vec::new(),
            from,
            to,
            radii_m,
            flat: (DVec3::Z, 1.0),
            caps: [1.0; 2],
            on_floor: false,
            colour,
        }
    }

    fn between(mut self, before: Option<usize>, after: Option<usize>) -> Self {
        (self.before, self.after) = (before, after);
        self
    }

    fn flattened(mut self, direction: DVec3, ratio: f64) -> Self {
        self.flat = (direction, ratio);
        self
    }

    fn on_floor(mut self) -> Self {
        self.on_floor = true;
        self
    }
}

/// The pieces of skin, and those of the eyes.
pub(crate) struct Flesh {
    pub(crate) skin: Vec<Piece>,
    pub(crate) eyes: Vec<Piece>,
}

impl Flesh {
    /// The flesh of a plan.
    pub(crate) fn new(plan: &Plan<'_>) -> Self {
        let mut maker = Maker {
            plan,
            skin: Vec::new(),
        };
        maker.trunk();
        maker.neck_and_head();
        for (pair, arm) in plan.description.arms.iter().enumerate() {
            for side in SIDES {
                maker.arm(arm, side, pair);
            }
        }
        for side in SIDES {
            maker.leg(side);
        }
        maker.appendages();
        Self {
            skin: maker.skin,
            eyes: eyes(plan),
        }
    }
}

struct Maker<'a> {
    plan: &'a Plan<'a>,
    skin: Vec<Piece>,
}

/// Radii of the limbs where none are given, as fractions of stature (common practice).
mod radius {
    pub(super) const NECK: f64 = 0.034;
    pub(super) const UPPER_ARM: f64 = 0.030;
    pub(super) const FOREARM: f64 = 0.024;
    pub(super) const HAND: f64 = 0.024;
    pub(super) const FINGER: f64 = 0.0050;
    pub(super) const SHANK: f64 = 0.033;
}

impl Maker<'_> {
    fn at(&self, bone: usize) -> DVec3 {
        self.plan.bones[bone].position
    }

    fn parent(&self, bone: usize) -> Option<usize> {
        self.plan.bones[bone].parent
    }

    fn coat(&self) -> Rgb {
        self.plan.description.colours.coat
    }

    fn ends(&self) -> Rgb {
        self.plan.description.colours.ends
    }

    /// A piece along the bone from a joint to the next.
    fn limb(
        &mut self,
        bone: usize,
        to: DVec3,
        radii_m: [f64; 2],
        after: Option<usize>,
    ) -> &mut Piece {
        let twists = self.plan.twists(bone);
        let count = twists.len();
        let mut piece = Piece::new(bone, self.at(bone), to, radii_m, self.coat())
            .between(self.parent(bone), after);
        piece.twists = twists
            .into_iter()
            .enumerate()
            .map(|(ordinal, joint)| (joint, twist_share(ordinal, count)))
            .collect();
        let last = self.skin.len();
        self.skin.push(piece);
        &mut self.skin[last]
    }

    /// Half breadth of the trunk from hips (0) over belly (0.5) to chest (1), metres.
    fn trunk_radius_m(&self, share: f64) -> f64 {
        let body = self.plan.description;
        let hips = body.radius_m(body.thickness.hips_m, human::HIP_BREADTH / 2.0);
        let chest = body.radius_m(body.thickness.chest_m, human::CHEST_BREADTH / 2.0);
        // A waist slightly slimmer than the chest (common practice).
        let belly = body.radius_m(body.thickness.belly_m, 0.45 * human::CHEST_BREADTH);
        // The parabola through the three, kept from undershooting.
        let t = share.clamp(0.0, 1.0);
        let parabola = hips * (1.0 - t) * (1.0 - 2.0 * t)
            + belly * 4.0 * t * (1.0 - t)
            + chest * t * (2.0 * t - 1.0);
        parabola.max(hips.min(belly).min(chest))
    }

    fn trunk(&mut self) {
        let plan = self.plan;
        let mut joints = vec![0];
        joints.extend(plan.all(Part::Spine, Side::Middle));
        let top = plan.trunk_top();
        let count = joints.len();
        for (index, &joint) in joints.iter().enumerate() {
            let after = joints.get(index + 1).copied();
            let to = after.map_or(top, |next| self.at(next));
            let radii = [index, index + 1].map(|at| self.trunk_radius_m(at as f64 / count as f64));
            let flatness = plan.description.thickness.trunk_flatness;
            let piece = self.limb(joint, to, radii, after);
            piece.flat = (DVec3::Z, flatness);
            piece.caps = [0.5; 2];
        }
    }

    fn neck_and_head(&mut self) {
        let plan = self.plan;
        let body = plan.description;
        let radius_m = body.radius_m(body.thickness.neck_m, radius::NECK);
        for neck in plan.all(Part::Neck, Side::Middle) {
            if let Some(next) = plan.next(neck) {
                self.limb(neck, self.at(next), [radius_m; 2], Some(next));
            }
        }
        let Some(head) = plan.find(Part::Head, Side::Middle, 0) else {
            return;
        };
        let (centre, head_radius_m) = (plan.head_centre(), plan.head_radius_m());
        let base = self.at(head) + DVec3::Y * 0.1 * body.head_m();
        let low = if base.y < centre.y {
            base
        } else {
            centre - DVec3::Y * 0.01 * body.head_m()
        };
        self.limb(head, centre, [0.85 * head_radius_m, head_radius_m], None)
            .from = low;
        if body.torso.snout_m > 0.0 {
            let level = centre - DVec3::Y * 0.2 * head_radius_m;
            let tip_radius_m = 0.25 * head_radius_m;
            let reach_m = head_radius_m + body.torso.snout_m - tip_radius_m;
            let tip = level + DVec3::Z * reach_m.max(0.2 * head_radius_m);
            let radii = [0.55 * head_radius_m, tip_radius_m];
            self.skin
                .push(Piece::new(head, level, tip, radii, self.ends()));
        }
    }

    fn arm(&mut self, arm: &ArmPair, side: Side, pair: usize) {
        let plan = self.plan;
        let body = plan.description;
        let find = |part| plan.find(part, side, pair);
        let (Some(shoulder), Some(elbow), Some(wrist)) =
            (find(Part::Shoulder), find(Part::Elbow), find(Part::Wrist))
        else {
            return;
        };
        let upper_m = body.radius_m(body.thickness.upper_arm_m, radius::UPPER_ARM);
        let forearm_m = body.radius_m(body.thickness.forearm_m, radius::FOREARM);
        if let Some(clavicle) = find(Part::Clavicle) {
            let (radii, to) = ([upper_m, 1.1 * upper_m], self.at(shoulder));
            self.limb(clavicle, to, radii, Some(shoulder));
        }
        let radii = [1.1 * upper_m, 0.5 * (upper_m + forearm_m)];
        self.limb(shoulder, self.at(elbow), radii, Some(elbow));
        let flat = plan.arm_direction(side).cross(DVec3::Z);
        // Feathers make the forearm of a wing broad from front to back.
        let (broad, flatness) = if arm.wing { (2.5, 0.2) } else { (1.0, 1.0) };
        let radii = [forearm_m * broad, 0.7 * forearm_m * broad];
        self.limb(elbow, self.at(wrist), radii, Some(wrist)).flat = (flat, flatness);
        self.hand(arm, wrist, flat);
    }

    fn hand(&mut self, arm: &ArmPair, wrist: usize, flat: DVec3) {
        let plan = self.plan;
        let body = plan.description;
        let side = plan.bones[wrist].side;
        let hand_m = body.length_m(arm.hand_m, human::HAND);
        let breadth_m = body.radius_m(body.thickness.hand_m, radius::HAND);
        let finger_m = body.radius_m(body.thickness.finger_m, radius::FINGER);
        let length_m = if arm.fingers == 0 {
            hand_m
        } else {
            human::PALM_OF_HAND * hand_m
        };
        let reach_m = (length_m - 0.5 * breadth_m).max(0.4 * length_m);
        let to = self.at(wrist) + plan.arm_direction(side) * reach_m;
        let flatness = if arm.wing { 0.2 } else { 0.4 };
        let colour = self.ends();
        let palm = self.limb(wrist, to, [0.7 * breadth_m, breadth_m], None);
        palm.flat = (flat, flatness);
        palm.caps = [0.5; 2];
        palm.colour = colour;
        for bone in plan.all_of_fingers(side, plan.bones[wrist].pair) {
            let after = plan.next(bone);
            let tip = plan.bones[bone].tips.first().copied();
            let Some(to) = after.map(|next| self.at(next)).or(tip) else {
                continue;
            };
            self.limb(bone, to, [finger_m, 0.9 * finger_m], after)
                .colour = colour;
        }
    }

    fn leg(&mut self, side: Side) {
        let plan = self.plan;
        let body = plan.description;
        let find = |part| plan.find(part, side, 0);
        let (Some(hip), Some(knee), Some(ankle)) =
            (find(Part::Hip), find(Part::Knee), find(Part::Ankle))
        else {
            return;
        };
        // The flesh of hips and thighs together makes the hip breadth of the table.
        let thigh = (human::HIP_BREADTH - human::HIP_JOINT_WIDTH) / 2.0;
        let thigh_m = body.radius_m(body.thickness.thigh_m, thigh);
        let shank_m = body.radius_m(body.thickness.shank_m, radius::SHANK);
        self.limb(hip, self.at(knee), [thigh_m, shank_m], Some(knee));
        self.limb(knee, self.at(ankle), [shank_m, 0.6 * shank_m], Some(ankle));
        let points = plan.leg_points(side);
        match body.legs.kind {
            LegKind::Plantigrade => self.flat_foot(ankle, find(Part::Ball), &points),
            LegKind::Digitigrade => self.toe_foot(ankle, find(Part::Ball), &points, 0.6 * shank_m),
        }
    }

    fn foot_half_breadth_m(&self) -> f64 {
        let body = self.plan.description;
        body.radius_m(body.thickness.foot_m, human::FOOT_BREADTH / 2.0)
    }

    /// Heel to ball, and the toes, both cut flat at the floor.
    fn flat_foot(&mut self, ankle: usize, ball: Option<usize>, points: &LegPoints) {
        let body = self.plan.description;
        let half_m = self.foot_half_breadth_m();
        let heel_m = body.length_m(body.legs.heel_m, human::HEEL);
        let heel_radius_m = (0.8 * half_m).min(heel_m);
        let height_m = points.ankle.y.max(body.ball_height_m());
        let mut heel = points.ankle - DVec3::Z * (heel_m - heel_radius_m);
        heel.y = 0.45 * height_m;
        // Deep enough to reach the floor at both ends and to cover the ankle.
        let flatness = 1.05 * (0.6 * height_m / heel_radius_m).max(points.ball.y / half_m);
        let toe_m = points.toe_tip.z - points.ball.z;
        let mut foot = Piece::new(
            ankle,
            heel,
            points.ball,
            [heel_radius_m, half_m],
            self.ends(),
        )
        .between(None, ball)
        .flattened(DVec3::Y, flatness)
        .on_floor();
        // The foot must not end before its toes do.
        foot.caps[1] = (0.8 * toe_m / half_m).min(1.0);
        self.skin.push(foot);
        self.toes(ankle, ball, points);
    }

    /// Hock to ball, and the toes with their pads.
    fn toe_foot(&mut self, ankle: usize, ball: Option<usize>, points: &LegPoints, hock_m: f64) {
        let half_m = self.foot_half_breadth_m();
        let parent = self.parent(ankle);
        let radii = [hock_m, (0.6 * half_m).max(0.5 * hock_m)];
        self.skin.push(
            Piece::new(ankle, points.ankle, points.ball, radii, self.ends())
                .between(parent, ball)
                .on_floor(),
        );
        let pad_to = points.ball + DVec3::Z * 0.1 * half_m;
        self.skin.push(
            Piece::new(
                ball.unwrap_or(ankle),
                points.ball,
                pad_to,
                [half_m; 2],
                self.ends(),
            )
            .flattened(DVec3::Y, 1.1 * (points.ball.y / half_m).max(0.3))
            .on_floor(),
        );
        self.toes(ankle, ball, points);
    }

    fn toes(&mut self, ankle: usize, ball: Option<usize>, points: &LegPoints) {
        let plan = self.plan;
        let half_m = self.foot_half_breadth_m();
        let owner = ball.unwrap_or(ankle);
        let before = ball.map(|_| ankle);
        let side = plan.bones[ankle].side;
        let toes: Vec<usize> = (0..plan.description.legs.toes)
            .filter_map(|toe| plan.find(Part::Toe(toe), side, 0))
            .collect();
        if toes.is_empty() {
            self.toe(owner, before, points.ball, points.toe_tip, 0.8 * half_m);
        }
        for &toe in &toes {
            if let Some(&tip) = plan.bones[toe].tips.first() {
                let half_m = half_m * (1.4 / toes.len() as f64).min(0.5);
                self.toe(toe, Some(owner), points.ball, tip, half_m);
            }
        }
    }

    /// A toe (or all in one) from the ball to the tip, which lies on the floor.
    fn toe(&mut self, owner: usize, before: Option<usize>, ball: DVec3, tip: DVec3, half_m: f64) {
        let along = DVec3::new(tip.x - ball.x, 0.0, tip.z - ball.z);
        let length_m = along.length();
        let radius_m = half_m.min(0.5 * length_m);
        let mut end = ball + along * (1.0 - radius_m / length_m);
        end.y = 0.6 * ball.y;
        let flatness = 1.1 * ball.y / radius_m;
        self.skin.push(
            Piece::new(
                owner,
                ball,
                end,
                [half_m.min(1.2 * radius_m), radius_m],
                self.ends(),
            )
            .between(before, None)
            .flattened(DVec3::Y, flatness)
            .on_floor(),
        );
    }

    fn appendages(&mut self) {
        let body = self.plan.description;
        let kinds = [
            (AppendageKind::Tail, &body.tail, 1.0),
            (AppendageKind::Ear, &body.ears, 0.4),
            (AppendageKind::Wing, &body.wings, 0.3),
        ];
        for (kind, appendage, flatness) in kinds {
            let Some(appendage) = appendage else { continue };
            for side in [Side::Middle, Side::Left, Side::Right] {
                self.appendage(kind, appendage, side, flatness);
            }
        }
    }

    fn appendage(&mut self, kind: AppendageKind, appendage: &Appendage, side: Side, flatness: f64) {
        let plan = self.plan;
        let joints = plan.all(Part::Appendage(kind), side);
        let count = joints.len() as f64;
        for (ordinal, &joint) in joints.iter().enumerate() {
            let after = plan.next(joint);
            let tip = plan.bones[joint].tips.first().copied();
            let Some(to) = after.map(|next| self.at(next)).or(tip) else {
                continue;
            };
            let radii = [ordinal, ordinal + 1]
                .map(|at| appendage.radius_m * (1.0 - 0.5 * at as f64 / count));
            let colour = if after.is_none() {
                self.ends()
            } else {
                self.coat()
            };
            let piece = self.limb(joint, to, radii, after);
            piece.flat = (DVec3::Z, flatness);
            piece.colour = colour;
        }
    }
}

/// Eyeballs with pupils, looking forward and a little outward.
fn eyes(plan: &Plan<'_>) -> Vec<Piece> {
    let Some(head) = plan.find(Part::Head, Side::Middle, 0) else {
        return Vec::new();
    };
    let body = plan.description;
    let (centre, head_radius_m) = (plan.head_centre(), plan.head_radius_m());
    let eye_m = body
        .thickness
        .eye_m
        .unwrap_or(0.16 * head_radius_m)
        .min(0.5 * head_radius_m);
    let mut pieces = Vec::new();
    for side in SIDES {
        let out = DVec3::new(0.5 * sign(side), 0.2, 0.85).normalize();
        let eye = centre + out * 0.95 * head_radius_m;
        let look = DVec3::new(0.25 * sign(side), 0.05, 1.0).normalize();
        let pupil = eye + look * 0.55 * eye_m;
        let ball = |at: DVec3, radius_m: f64, colour: Rgb| {
            let axis = look * 0.02 * radius_m;
            Piece::new(head, at - axis, at + axis, [radius_m; 2], colour)
        };
        pieces.push(ball(eye, eye_m, body.colours.eye));
        pieces.push(ball(pupil, 0.6 * eye_m, body.colours.pupil));
    }
    pieces
}
