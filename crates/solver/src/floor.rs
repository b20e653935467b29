//! The floor of a take: its height and slope, found from feet that stand still.

use serde::{Deserialize, Serialize};
use understudy_motion::{DQuat, DVec3, signal};

/// Slopes (radians) that count as a ramp: less than two degrees is the drift of a capture or the
/// tilt of its feet, more than 35 no floor that anyone walks on.
const LEAST_SLOPE: f64 = 0.035;
const MOST_SLOPE: f64 = 0.61;

/// A plane that feet stand on, in a world with Y up.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Floor {
    /// Height at x = z = 0, metres.
    pub height_m: f64,
    /// Unit normal, upward.
    pub normal: DVec3,
}

impl Default for Floor {
    fn default() -> Self {
        Self::level(0.0)
    }
}

impl Floor {
    /// A level floor, height in metres.
    pub fn level(height_m: f64) -> Self {
        Self {
            height_m,
            normal: DVec3::Y,
        }
    }

    /// Height of the plane above or below a point, metres along Y.
    pub fn height_at(&self, point: DVec3) -> f64 {
        self.height_m - (self.normal.x * point.x + self.normal.z * point.z) / self.normal.y
    }

    /// Height of a point above the floor, metres along Y; negative below it.
    pub fn above(&self, point: DVec3) -> f64 {
        point.y - self.height_at(point)
    }

    /// The point of the floor straight below (or above) a point.
    pub fn below(&self, point: DVec3) -> DVec3 {
        DVec3::new(point.x, self.height_at(point), point.z)
    }

    /// The turn that lays something level onto the floor.
    pub fn tilt(&self) -> DQuat {
        DQuat::from_rotation_arc(DVec3::Y, self.normal)
    }

    /// Slope against level, radians.
    pub fn slope(&self) -> f64 {
        self.normal.y.clamp(-1.0, 1.0).acos()
    }
}

/// Fits a sloping floor to points of soles that stand still, metres; `None` where they show no
/// clear slope. `body_size_m` sets what counts as far apart.
///
/// Least squares, with residuals beyond three median deviations left out, twice. A slope is taken
/// only where the points spread over more than half a body size, rise by more than a fiftieth of
/// it, and the slope explains most of the rise; a flat capture floor is otherwise never tilted by
/// noise.
pub fn fit_slope(points: &[DVec3], body_size_m: f64) -> Option<Floor> {
    let mut kept: Vec<DVec3> = points.to_vec();
    let mut floor = least_squares_plane(&kept)?;
    for _ in 0..2 {
        let misfits: Vec<f64> = kept.iter().map(|p| floor.above(*p).abs()).collect();
        let limit = 3.0 * signal::median(&misfits)?.max(1e-4 * body_size_m);
        kept.retain(|p| floor.above(*p).abs() <= limit);
        floor = least_squares_plane(&kept)?;
    }
    let spread = |values: Vec<f64>| -> Option<f64> {
        Some(signal::quantile(&values, 0.95)? - signal::quantile(&values, 0.05)?)
    };
    let run = spread(kept.iter().map(|p| p.x).collect())?
        .max(spread(kept.iter().map(|p| p.z).collect())?);
    let rise = spread(kept.iter().map(|p| p.y).collect())?;
    let left_over = spread(kept.iter().map(|p| floor.above(*p)).collect())?;
    let is_clear = run > 0.5 * body_size_m
        && rise > 0.02 * body_size_m
        && left_over < 0.4 * rise
        && (LEAST_SLOPE..MOST_SLOPE).contains(&floor.slope());
    is_clear.then_some(floor)
}

/// Least-squares plane `y = a + b x + c z`; `None` where the points do not span the x-z plane.
fn least_squares_plane(points: &[DVec3]) -> Option<Floor> {
    if points.len() < 3 {
        return None;
    }
    let mean = points.iter().sum::<DVec3>() / points.len() as f64;
    let (mut xx, mut xz, mut zz, mut xy, mut zy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for point in points {
        let d = *point - mean;
        xx += d.x * d.x;
        xz += d.x * d.z;
        zz += d.z * d.z;
        xy += d.x * d.y;
        zy += d.z * d.y;
    }
    // A walk along a line leaves the slope across it open: a little ridge keeps it level.
    let ridge = 1e-3 * (xx + zz);
    let (xx, zz) = (xx + ridge, zz + ridge);
    let determinant = xx * zz - xz * xz;
    if determinant <= f64::EPSILON * (xx + zz).powi(2) {
        return None;
    }
    let b = (xy * zz - zy * xz) / determinant;
    let c = (zy * xx - xy * xz) / determinant;
    Some(Floor {
        height_m: mean.y - b * mean.x - c * mean.z,
        normal: DVec3::new(-b, 1.0, -c).normalize(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(height: impl Fn(f64, f64) -> f64) -> Vec<DVec3> {
        let mut points = Vec::new();
        for i in 0..10 {
            for j in 0..10 {
                let (x, z) = (0.3 * i as f64, 0.3 * j as f64 - 1.0);
                points.push(DVec3::new(x, height(x, z), z));
            }
        }
        points
    }

    #[test]
    fn a_level_floor_stays_level_under_noise() {
        let points = grid(|x, z| 0.07 + 0.004 * (37.0 * x + 91.0 * z).sin());
        assert!(fit_slope(&points, 0.9).is_none());
    }

    #[test]
    fn a_ramp_is_found() {
        let points = grid(|x, z| 0.2 + 0.1 * x - 0.05 * z);
        let floor = fit_slope(&points, 0.9).unwrap();
        assert!((floor.height_m - 0.2).abs() < 1e-3);
        for point in points {
            assert!(floor.above(point).abs() < 1e-3);
        }
        assert!(fit_slope(&[], 0.9).is_none());
    }
}
