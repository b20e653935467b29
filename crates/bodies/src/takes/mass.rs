//! Where the performer's mass lies.
//!
//! Shares of the body's mass and centres of segments for men: de Leva 1996,
//! doi 10.1016/0021-9290(95)00178-6, from a transcription; the trunk's centre between the middle of
//! the shoulders and the middle of the hips from memory.

use glam::DVec3;
use understudy_motion::WorldPose;

use crate::takes::figure::Figure;

const HEAD: Segment = Segment(0.0694, 0.5002);
const TRUNK: Segment = Segment(0.4346, 0.4310);
const UPPER_ARM: Segment = Segment(0.0271, 0.5772);
const FOREARM: Segment = Segment(0.0162, 0.4574);
const HAND: Segment = Segment(0.0061, 0.7900);
const THIGH: Segment = Segment(0.1416, 0.4095);
const SHANK: Segment = Segment(0.0433, 0.4395);
const FOOT: Segment = Segment(0.0137, 0.4415);

/// Share of the body's mass, and place of the centre from the first end to the second.
struct Segment(f64, f64);

/// The body's centre of mass in a pose, metres.
pub(crate) fn centre_of_mass(figure: &Figure, pose: &WorldPose) -> DVec3 {
    let rig = &figure.rig;
    let at = |joint: usize| pose.position(joint);
    let [left, right] = &rig.limbs;
    let shoulders = at(left.shoulder).midpoint(at(right.shoulder));
    let hips = at(left.hip).midpoint(at(right.hip));
    let vertex = pose.point(rig.head, figure.head_top);
    let (mut mass, mut sum) = (0.0, DVec3::ZERO);
    let mut add = |segment: Segment, from: DVec3, to: DVec3| {
        mass += segment.0;
        sum += from.lerp(to, segment.1) * segment.0;
    };
    add(HEAD, vertex, at(rig.neck));
    add(TRUNK, shoulders, hips);
    for limbs in &rig.limbs {
        add(UPPER_ARM, at(limbs.shoulder), at(limbs.elbow));
        add(FOREARM, at(limbs.elbow), at(limbs.wrist));
        add(
            HAND,
            at(limbs.wrist),
            pose.point(limbs.wrist, figure.knuckle(limbs.side)),
        );
        add(THIGH, at(limbs.hip), at(limbs.knee));
        add(SHANK, at(limbs.knee), at(limbs.ankle));
        let toe = rig.foot.toe_tip - rig.foot.ball;
        add(
            FOOT,
            pose.point(limbs.ankle, rig.foot.heel),
            pose.point(limbs.ball, toe),
        );
    }
    sum / mass
}
