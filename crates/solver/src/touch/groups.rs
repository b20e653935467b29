//! Points of a skin in groups that lie together: where a group may be is told by a few balls, so most of the
//! points need not be posed to find the lowest, or those that are nearest to something.

use understudy_motion::{DVec3, WorldPose};

use super::skin::SkinPoint;
use crate::floor::Floor;

/// Points of a group at most.
const MOST: usize = 24;

/// All points in groups.
#[derive(Clone, Debug, Default)]
pub(super) struct Groups(Vec<Group>);

#[derive(Clone, Debug)]
pub(super) struct Group {
    /// Numbers of its points.
    pub(super) points: Vec<usize>,
    balls: Vec<Ball>,
}

/// Where the points of a group are in a joint that moves some of them: each of these is a mean of places in such
/// balls.
#[derive(Clone, Debug)]
struct Ball {
    joint: usize,
    /// In the joint's coordinates, metres.
    middle: DVec3,
    radius_m: f64,
}

impl Ball {
    fn around(joint: usize, points: &[DVec3]) -> Self {
        let middle = points.iter().sum::<DVec3>() / points.len() as f64;
        let radii = points.iter().map(|point| point.distance(middle));
        Self {
            joint,
            middle,
            radius_m: radii.fold(0.0, f64::max),
        }
    }

    /// No place in it is lower above the floor, metres along Y.
    fn least_m(&self, pose: &WorldPose, floor: &Floor) -> f64 {
        let up = floor.normal / floor.normal.y;
        let rise = pose.affines[self.joint].matrix3.transpose() * up;
        floor.above(pose.point(self.joint, self.middle)) - self.radius_m * rise.length()
    }
}

impl Group {
    fn new(numbers: Vec<usize>, points: &[SkinPoint]) -> Self {
        let shares = || numbers.iter().flat_map(|&number| &points[number].shares);
        let mut joints: Vec<usize> = shares().map(|share| share.0).collect();
        joints.sort_unstable();
        joints.dedup();
        let balls = joints.into_iter().map(|joint| {
            let own = shares().filter(|share| share.0 == joint);
            let places: Vec<DVec3> = own.map(|share| share.2).collect();
            Ball::around(joint, &places)
        });
        Self {
            balls: balls.collect(),
            points: numbers,
        }
    }

    /// A ball around all its points, world, metres: middle and radius.
    pub(super) fn ball(&self, pose: &WorldPose) -> (DVec3, f64) {
        let middles = || {
            self.balls
                .iter()
                .map(|ball| pose.point(ball.joint, ball.middle))
        };
        let middle = middles().sum::<DVec3>() / self.balls.len() as f64;
        let radii = self.balls.iter().zip(middles());
        let radii = radii
            .map(|(ball, own)| own.distance(middle) + stretch(pose, ball.joint) * ball.radius_m);
        (middle, radii.fold(0.0, f64::max))
    }

    fn least_m(&self, pose: &WorldPose, floor: &Floor) -> f64 {
        let balls = self.balls.iter();
        balls
            .map(|ball| ball.least_m(pose, floor))
            .fold(f64::INFINITY, f64::min)
    }
}

impl Groups {
    /// Of points whose places at rest are given, metres.
    pub(super) fn new(points: &[SkinPoint], rest: &[DVec3]) -> Self {
        let mut groups = Vec::new();
        let mut left = vec![(0..points.len()).collect::<Vec<usize>>()];
        while let Some(mut numbers) = left.pop() {
            if numbers.len() <= MOST {
                if !numbers.is_empty() {
                    groups.push(Group::new(numbers, points));
                }
                continue;
            }
            let places = || numbers.iter().map(|&number| rest[number]);
            let low = places().fold(DVec3::INFINITY, DVec3::min);
            let high = places().fold(DVec3::NEG_INFINITY, DVec3::max);
            let axis = (high - low).max_position();
            numbers.sort_by(|&a, &b| rest[a][axis].total_cmp(&rest[b][axis]));
            let other = numbers.split_off(numbers.len() / 2);
            left.extend([numbers, other]);
        }
        Self(groups)
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Group> {
        self.0.iter()
    }

    /// Height above the floor, metres along Y, and number of the lowest of the points; of those that are as
    /// low, the first.
    pub(super) fn lowest(
        &self,
        points: &[SkinPoint],
        pose: &WorldPose,
        floor: &Floor,
    ) -> Option<(f64, usize)> {
        let groups = self.0.iter();
        let mut groups: Vec<(f64, &Group)> = groups
            .map(|group| (group.least_m(pose, floor), group))
            .collect();
        groups.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut best: Option<(f64, usize)> = None;
        for (least_m, group) in groups {
            if best.is_some_and(|(best_m, _)| least_m > best_m) {
                break;
            }
            let heights = group.points.iter();
            let heights = heights.map(|&number| (floor.above(points[number].world(pose)), number));
            let lowest = best.into_iter().chain(heights);
            best = lowest.min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        }
        best
    }
}

/// No length becomes longer by more than this factor from a joint's coordinates to the world: the square root
/// of a bound on the largest eigenvalue of the transform's square (Gershgorin 1931).
fn stretch(pose: &WorldPose, joint: usize) -> f64 {
    let matrix = pose.affines[joint].matrix3;
    let square = matrix.transpose() * matrix;
    let columns = [square.x_axis, square.y_axis, square.z_axis];
    let sums = columns.map(|column| column.abs().element_sum());
    sums.into_iter().fold(0.0, f64::max).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use understudy_motion::{DQuat, Joint, Skeleton, Transform};

    fn chain() -> Skeleton {
        let joint = |at: usize| {
            let parent = at.checked_sub(1);
            Joint::new(format!("bone {at}"), parent, DVec3::new(0.1, 0.3, -0.05))
        };
        Skeleton::new((0..4).map(joint).collect()).expect("a tree")
    }

    proptest! {
        /// Against looking at every point.
        #[test]
        fn the_lowest_of_all_is_found_and_balls_hold_all(
            places in proptest::collection::vec((0usize..4, 0usize..4, 0.0..1.0f64, -0.2..0.2f64, -0.2..0.2f64), 1..400),
            turns in proptest::collection::vec((-3.0..3.0f64, -3.0..3.0f64), 4),
            slope in -0.3..0.3f64,
        ) {
            let skeleton = chain();
            let rest = skeleton.rest_world();
            let points: Vec<SkinPoint> = places
                .iter()
                .map(|&(one, other, share, x, y)| {
                    let place = rest.position(one) + DVec3::new(x, y, 0.5 * (x + y));
                    let local = |joint: usize| rest.affines[joint].inverse().transform_point3(place);
                    let mut point = SkinPoint::rigid(one, local(one));
                    if one != other {
                        point.shares = vec![(one, share, local(one)), (other, 1.0 - share, local(other))];
                    }
                    point
                })
                .collect();
            let at_rest: Vec<DVec3> = points.iter().map(|point| point.world(&rest)).collect();
            let mut locals: Vec<Transform> = skeleton.rest_locals();
            for (local, (x, z)) in locals.iter_mut().zip(turns) {
                local.rotation = DQuat::from_euler(glam::EulerRot::XZY, x, z, 0.3);
                local.scale = DVec3::new(1.0 + 0.1 * x, 1.0, 1.0 - 0.1 * z);
            }
            let pose = WorldPose::from_locals(&skeleton, &locals);
            let floor = Floor { height_m: 0.1, normal: DVec3::new(slope, 1.0, 0.1).normalize() };
            let heights = points.iter().map(|point| floor.above(point.world(&pose)));
            let least = heights.fold(f64::INFINITY, f64::min);
            let found = Groups::new(&points, &at_rest).lowest(&points, &pose, &floor);
            let (height_m, number) = found.expect("there are points");
            prop_assert_eq!(height_m, least);
            prop_assert_eq!(height_m, floor.above(points[number].world(&pose)));
            let groups = Groups::new(&points, &at_rest);
            let mut seen = vec![0; points.len()];
            for group in groups.iter() {
                let (middle, radius_m) = group.ball(&pose);
                for &number in &group.points {
                    seen[number] += 1;
                    let away_m = points[number].world(&pose).distance(middle);
                    prop_assert!(away_m <= radius_m + 1e-9, "{away_m} of {radius_m}");
                }
            }
            prop_assert!(seen.iter().all(|times| *times == 1));
        }
    }

    #[test]
    fn of_nothing_nothing_is_lowest() {
        let rest = chain().rest_world();
        let none = Groups::new(&[], &[]).lowest(&[], &rest, &Floor::default());
        assert_eq!(none, None);
    }
}
