//! Where the performer's mass lies, by the published shares of [`understudy_anatomy::mass`], with heel,
//! knuckles and top of the head where the figure has them.

use glam::DVec3;
use understudy_anatomy::mass::{
    FOOT, FOREARM, HAND, HEAD, SHANK, SegmentMass, THIGH, TRUNK, UPPER_ARM,
};
use understudy_motion::WorldPose;

use crate::takes::figure::Figure;

/// The body's centre of mass in a pose, metres.
pub(crate) fn centre_of_mass(figure: &Figure, pose: &WorldPose) -> DVec3 {
    let rig = &figure.rig;
    let at = |joint: usize| pose.position(joint);
    let [left, right] = &rig.limbs;
    let shoulders = at(left.shoulder).midpoint(at(right.shoulder));
    let hips = at(left.hip).midpoint(at(right.hip));
    let vertex = pose.point(rig.head, figure.head_top);
    let (mut mass, mut sum) = (0.0, DVec3::ZERO);
    let mut add = |segment: SegmentMass, from: DVec3, to: DVec3| {
        mass += segment.share;
        sum += from.lerp(to, segment.centre) * segment.share;
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
