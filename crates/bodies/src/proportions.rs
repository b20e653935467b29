//! Published proportions of the human body, as fractions of stature.
//!
//! Unless said otherwise: Drillis & Contini, *Body Segment Parameters* (1966), as printed in
//! Winter, *Biomechanics and Motor Control of Human Movement*, figure 4.1,
//! doi 10.1002/9780470549148. Values marked "from memory" were not read in their source.

/// Shoulder to elbow.
pub const UPPER_ARM: f64 = 0.186;
/// Elbow to wrist.
pub const FOREARM: f64 = 0.146;
/// Wrist to the tip of the middle finger (from memory).
pub const HAND: f64 = 0.108;
/// Hip to knee.
pub const THIGH: f64 = 0.245;
/// Knee to ankle.
pub const SHANK: f64 = 0.246;
/// Level of the hips to level of the shoulders.
pub const TRUNK: f64 = 0.288;
/// Between the shoulder joints.
pub const SHOULDER_WIDTH: f64 = 0.259;
/// Breadth of the flesh at the hips.
pub const HIP_BREADTH: f64 = 0.191;
/// Breadth of the chest (from memory).
pub const CHEST_BREADTH: f64 = 0.174;
/// Height of the shoulder joint above the floor.
pub const SHOULDER_HEIGHT: f64 = 0.818;
/// Height of the hip joint above the floor.
pub const HIP_HEIGHT: f64 = 0.530;
/// Height of the knee joint above the floor.
pub const KNEE_HEIGHT: f64 = 0.285;
/// Height of the ankle joint above the floor.
pub const ANKLE_HEIGHT: f64 = 0.039;
/// Length of the foot, heel to toe tip (from memory).
pub const FOOT_LENGTH: f64 = 0.152;
/// Breadth of the foot (from memory).
pub const FOOT_BREADTH: f64 = 0.055;
/// Height of the chin above the floor (from memory).
pub const CHIN_HEIGHT: f64 = 0.870;
/// Height of the eyes above the floor (from memory).
pub const EYE_HEIGHT: f64 = 0.936;

/// Between the hip joints. The hip breadth of the table is that of the flesh; joint centres lie
/// 14 % of the distance between the iliac spines inward of these on each side (Bell, Pedersen &
/// Brand 1990, doi 10.1016/0021-9290(90)90054-7, from memory), and the spines are about 0.24 m
/// apart in a stature of 1.75 m: 0.72 × 0.24 / 1.75.
pub const HIP_JOINT_WIDTH: f64 = 0.099;
/// Height of the joint between neck and skull: halfway between chin and eyes, which is where
/// anatomy puts the occipital condyles (common practice).
pub const SKULL_BASE_HEIGHT: f64 = (CHIN_HEIGHT + EYE_HEIGHT) / 2.0;
/// Level of the shoulders, where the neck starts, to the skull base.
pub const NECK: f64 = SKULL_BASE_HEIGHT - SHOULDER_HEIGHT;
/// Skull base to the top of the head.
pub const HEAD: f64 = 1.0 - SKULL_BASE_HEIGHT;
/// Heel to the point below the ankle: a quarter of the foot (common practice).
pub const HEEL: f64 = 0.25 * FOOT_LENGTH;
/// Point below the ankle to the ball: the ball lies at 72 % of the foot (common practice).
pub const ANKLE_TO_BALL: f64 = 0.72 * FOOT_LENGTH - HEEL;
/// Ball to the tip of the toes.
pub const TOES: f64 = FOOT_LENGTH - HEEL - ANKLE_TO_BALL;
/// Height of the ball joint above the floor: about 2.5 cm in an adult (common practice).
pub const BALL_HEIGHT: f64 = 0.0145;

/// Share of the hand that is palm, wrist to knuckles. This and the phalanges follow the bone
/// lengths of Buryanov & Kotiuk, "Proportions of Hand Segments", Int. J. Morphol. 28 (2010),
/// for the third ray: 64.6, 44.6, 26.3 and 17.4 mm (from memory), the carpus and the flesh of
/// the tip added to the palm and the last phalanx.
pub const PALM_OF_HAND: f64 = 0.50;
/// Shares of a finger in its phalanges from knuckle to tip; see [`PALM_OF_HAND`].
pub const PHALANGES: [f64; 3] = [0.48, 0.29, 0.23];
