//! Rotation orders and Euler angles.
//!
//! Angles are applied about the axes of the turning body (intrinsic): the matrix of order XYZ is
//! `Rx · Ry · Rz`, which is how channels of a BVH joint multiply from left to right. The formulas
//! are those of Shoemake, "Euler Angle Conversion", Graphics Gems IV (1994), written for indices
//! `i j k` of the three axes.

use std::f64::consts::PI;
use std::fmt;
use std::str::FromStr;

use glam::{DMat3, DQuat, DVec3};
use serde::{Deserialize, Serialize};

use crate::angle::{unwound, wrapped};

/// The axes (0 = X, 1 = Y, 2 = Z) of three turns in the order in which matrices multiply.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct RotationOrder {
    axes: [u8; 3],
}

/// Towards gimbal lock the outer two axes coincide and the first angle matters less and less. It
/// is kept at its hint wherever that turns the rotation by less than this, radians.
const GIMBAL_TOLERANCE: f64 = 5e-13;

impl RotationOrder {
    /// `Rx · Ry · Rz`.
    pub const XYZ: Self = Self { axes: [0, 1, 2] };
    /// `Rz · Rx · Ry`.
    pub const ZXY: Self = Self { axes: [2, 0, 1] };
    /// `Rz · Ry · Rx`.
    pub const ZYX: Self = Self { axes: [2, 1, 0] };

    /// All twelve orders: six with three different axes, six that end on the first axis again.
    pub fn all() -> Vec<Self> {
        let mut orders = Vec::with_capacity(12);
        for i in 0..3 {
            for j in 0..3 {
                for k in 0..3 {
                    orders.extend(Self::new([i, j, k]));
                }
            }
        }
        orders
    }

    /// An order from axis numbers; `None` unless neighbours differ and all are below 3.
    pub fn new(axes: [u8; 3]) -> Option<Self> {
        let valid = axes.iter().all(|axis| *axis < 3) && axes[0] != axes[1] && axes[1] != axes[2];
        valid.then_some(Self { axes })
    }

    /// Axis numbers, 0 = X, 1 = Y, 2 = Z.
    pub fn axes(self) -> [usize; 3] {
        self.axes.map(usize::from)
    }

    /// Whether first and last axis are the same (proper Euler angles).
    fn is_proper(self) -> bool {
        self.axes[0] == self.axes[2]
    }

    /// The three indices `i j k`, all different, and +1 where they are an even permutation.
    fn indices(self) -> (usize, usize, usize, f64) {
        let [i, j, _] = self.axes();
        let k = 3 - i - j;
        let sign = if (i + 1) % 3 == j { 1.0 } else { -1.0 };
        (i, j, k, sign)
    }

    /// The rotation of three angles in radians, given in the order of the axes.
    pub fn compose(self, angles: [f64; 3]) -> DQuat {
        let turn = |slot: usize| about_axis(self.axes()[slot], angles[slot]);
        turn(0) * turn(1) * turn(2)
    }

    /// Angles in radians in the order of the axes: the first and last within ±π, the middle one
    /// within ±π/2 (within 0 to π for proper orders). In gimbal lock the first angle is 0.
    pub fn decompose(self, rotation: DQuat) -> [f64; 3] {
        self.decompose_keeping(rotation, 0.0)
    }

    /// Angles nearest to `hint` among all that give the rotation, so that curves stay continuous.
    /// In gimbal lock the first angle is the hint's.
    pub fn decompose_near(self, rotation: DQuat, hint: [f64; 3]) -> [f64; 3] {
        let [a, b, c] = self.decompose_keeping(rotation, hint[0]);
        let other_middle = if self.is_proper() { -b } else { PI - b };
        let nearest = |angles: [f64; 3]| -> [f64; 3] {
            std::array::from_fn(|slot| unwound(angles[slot], hint[slot]))
        };
        let distance = |angles: &[f64; 3]| -> f64 {
            angles.iter().zip(hint).map(|(x, y)| (x - y).powi(2)).sum()
        };
        let first = nearest([a, b, c]);
        let second = nearest([a + PI, other_middle, c + PI]);
        if distance(&first) <= distance(&second) {
            first
        } else {
            second
        }
    }

    fn decompose_keeping(self, rotation: DQuat, first_hint: f64) -> [f64; 3] {
        let (i, j, k, sign) = self.indices();
        let matrix = DMat3::from_quat(rotation.normalize());
        let entry = |row: usize, column: usize| matrix.col(column)[row];
        let (first, middle, leverage) = if self.is_proper() {
            let sine = entry(j, i).hypot(entry(k, i));
            let first = entry(j, i).atan2(-sign * entry(k, i));
            (first, sine.atan2(entry(i, i)), sine)
        } else {
            let cosine = entry(i, i).hypot(entry(i, j));
            let first = (-sign * entry(j, k)).atan2(entry(k, k));
            (first, (sign * entry(i, k)).atan2(cosine), cosine)
        };
        let first = keep_where_it_hardly_matters(first, first_hint, leverage);
        // The last angle is read off what the first two leave, so that the product stays exact
        // also near gimbal lock.
        let rest = about_axis(j, -middle) * about_axis(i, -first) * rotation;
        let last_axis = self.axes()[2];
        let last = wrapped(2.0 * axis_part(rest, last_axis).atan2(rest.w));
        [first, middle, last]
    }
}

/// The hint, or the hint and half a turn, where the rotation is nearly the same with it as with
/// `first`; else `first`. `leverage` is how far the rotation turns per radian of the first angle
/// while the last one makes up for it.
fn keep_where_it_hardly_matters(first: f64, hint: f64, leverage: f64) -> f64 {
    [hint, hint + PI]
        .into_iter()
        .find(|kept| leverage * wrapped(first - kept).abs() < GIMBAL_TOLERANCE)
        .unwrap_or(first)
}

fn axis_part(rotation: DQuat, axis: usize) -> f64 {
    [rotation.x, rotation.y, rotation.z][axis]
}

/// A turn about X (0), Y (1) or Z (2), radians.
///
/// # Panics
/// If `axis` is above 2.
pub fn about_axis(axis: usize, angle: f64) -> DQuat {
    DQuat::from_axis_angle(DVec3::AXES[axis], angle)
}

impl fmt::Display for RotationOrder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.axes()
            .iter()
            .try_for_each(|&axis| f.write_str(["X", "Y", "Z"][axis]))
    }
}

impl FromStr for RotationOrder {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let axes: Option<Vec<u8>> = text
            .trim()
            .chars()
            .map(|letter| "XYZ".find(letter.to_ascii_uppercase()).map(|at| at as u8))
            .collect();
        axes.and_then(|axes| Self::new(axes.try_into().ok()?))
            .ok_or_else(|| {
                format!("\"{text}\" is no rotation order; use three of X, Y, Z such as ZXY")
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn same_rotation(a: DQuat, b: DQuat) -> bool {
        a.dot(b).abs() > 1.0 - 1e-14
    }

    #[test]
    fn there_are_twelve_orders_and_they_have_names() {
        let orders = RotationOrder::all();
        assert_eq!(orders.len(), 12);
        for order in orders {
            assert_eq!(order.to_string().parse(), Ok(order));
        }
        assert!("XXY".parse::<RotationOrder>().is_err());
        assert!("XY".parse::<RotationOrder>().is_err());
    }

    #[test]
    fn matrices_multiply_from_left_to_right() {
        let order = RotationOrder::ZXY;
        let (a, b, c) = (0.3, -0.7, 1.1);
        let expected =
            DMat3::from_rotation_z(a) * DMat3::from_rotation_x(b) * DMat3::from_rotation_y(c);
        let got = DMat3::from_quat(order.compose([a, b, c]));
        assert!((got - expected).abs_diff_eq(DMat3::ZERO, 1e-15));
    }

    #[test]
    fn gimbal_lock_keeps_the_rotation() {
        for order in RotationOrder::all() {
            let middle = if order.is_proper() { 0.0 } else { PI / 2.0 };
            for middle in [middle, middle - PI, middle + 1e-12] {
                let rotation = order.compose([0.4, middle, -1.2]);
                let plain = order.decompose(rotation);
                assert!(same_rotation(order.compose(plain), rotation), "{order}");
                let near = order.decompose_near(rotation, [0.4, middle, -1.2]);
                assert!(same_rotation(order.compose(near), rotation), "{order}");
                assert!((near[0] - 0.4).abs() < 1e-6, "{order}: {near:?}");
            }
        }
    }

    proptest! {
        #[test]
        fn angles_come_back_near_their_hint(
            a in -9.0..9.0f64, b in -9.0..9.0f64, c in -9.0..9.0f64,
        ) {
            for order in RotationOrder::all() {
                let angles = [a, b, c];
                let rotation = order.compose(angles);
                prop_assert!(same_rotation(order.compose(order.decompose(rotation)), rotation));
                let lock = if order.is_proper() { b.sin() } else { b.cos() };
                if lock.abs() > 1e-3 {
                    let near = order.decompose_near(rotation, angles);
                    for slot in 0..3 {
                        prop_assert!((near[slot] - angles[slot]).abs() < 1e-9, "{order}: {near:?}");
                    }
                }
            }
        }
    }
}
