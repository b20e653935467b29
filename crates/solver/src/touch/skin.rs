//! The skin of a body, part by part: where a ray from the bones leaves it, how its points move with
//! the joints, and how far two parts of it are apart.

use std::collections::HashMap;

use understudy_anatomy::Body;
use understudy_motion::triangle::{closest_on_triangle, corner_shares, ray_triangle};
use understudy_motion::{DVec3, Surface, WorldPose};

use super::flesh::girth;
use super::part::Part;

/// A point of a skin: a weighted mean of points of joints.
#[derive(Clone, Debug, Default)]
pub(crate) struct SkinPoint {
    /// Joint, weight, and the point in the joint's coordinates, metres. Weights sum to 1.
    pub(crate) shares: Vec<(usize, f64, DVec3)>,
}

impl SkinPoint {
    fn rigid(joint: usize, local: DVec3) -> Self {
        Self {
            shares: vec![(joint, 1.0, local)],
        }
    }

    /// World position in a pose, metres.
    pub(crate) fn world(&self, pose: &WorldPose) -> DVec3 {
        let shares = self.shares.iter();
        shares
            .map(|&(joint, weight, local)| weight * pose.point(joint, local))
            .sum()
    }

    fn add(&mut self, joint: usize, weight: f64, local: DVec3) {
        if weight <= 0.0 {
            return;
        }
        match self.shares.iter_mut().find(|share| share.0 == joint) {
            Some((_, sum, mean)) => {
                *mean = (*mean * *sum + local * weight) / (*sum + weight);
                *sum += weight;
            }
            None => self.shares.push((joint, weight, local)),
        }
    }

    /// The joint that moves it most.
    pub(crate) fn main_joint(&self) -> Option<usize> {
        let most = self.shares.iter().max_by(|a, b| a.1.total_cmp(&b.1));
        most.map(|share| share.0)
    }

    fn mixed(corners: [&Self; 3], shares: [f64; 3]) -> Self {
        let mut point = Self::default();
        for (corner, share) in corners.into_iter().zip(shares) {
            for &(joint, weight, local) in &corner.shares {
                point.add(joint, share * weight, local);
            }
        }
        point
    }
}

/// Where two skins are nearest, or deepest in each other.
#[derive(Clone, Debug)]
pub(crate) struct Nearest {
    /// Signed distance, metres; below 0 the depth.
    pub(crate) metres: f64,
    /// The point of the first skin.
    pub(crate) from: SkinPoint,
    /// The point of the second.
    pub(crate) to: SkinPoint,
    /// Outward from the second, world, unit.
    pub(crate) normal: DVec3,
}

/// The skin of one part.
#[derive(Clone, Debug, Default)]
struct PartSkin {
    vertices: Vec<SkinPoint>,
    /// Positions of the vertices at rest, metres.
    rest: Vec<DVec3>,
    /// Corners as numbers of `vertices`, counterclockwise from outside.
    triangles: Vec<[usize; 3]>,
    /// Which edges of each triangle (from a corner to the next) are the border to other parts.
    borders: Vec<[bool; 3]>,
}

/// The flesh of a body: its skin, or published girths where it has none.
#[derive(Clone, Debug)]
pub(crate) struct Flesh {
    parts: Vec<Option<PartSkin>>,
    left: DVec3,
}

impl Flesh {
    /// The flesh of a body at rest.
    pub(crate) fn new(
        parts: &[Part],
        body: &Body,
        surface: Option<&Surface>,
        rest: &WorldPose,
    ) -> Self {
        let left = body.frame.left();
        let mut owner = vec![None; rest.affines.len()];
        for (index, part) in parts.iter().enumerate() {
            for &joint in &part.joints {
                owner[joint] = Some(index);
            }
        }
        let mut skins = vec![PartSkin::default(); parts.len()];
        for mesh in surface.iter().flat_map(|surface| &surface.meshes) {
            let positions = mesh.posed(rest);
            let mains: Vec<Option<usize>> = (0..positions.len())
                .map(|vertex| mesh.main_joint(vertex).and_then(|joint| owner[joint]))
                .collect();
            let mut numbers = vec![usize::MAX; positions.len()];
            for triangle in &mesh.triangles {
                let corners = triangle.map(|corner| corner as usize);
                // The part that most corners belong to; a border triangle belongs to one only.
                let owners = corners.map(|corner| mains[corner]);
                let main = if owners[1] == owners[2] {
                    owners[1]
                } else {
                    owners[0]
                };
                let Some(part) = main else {
                    continue;
                };
                let skin = &mut skins[part];
                let numbered = corners.map(|corner| {
                    let is_known = skin
                        .rest
                        .get(numbers[corner])
                        .is_some_and(|known| *known == positions[corner]);
                    if !is_known {
                        numbers[corner] = skin.rest.len();
                        skin.rest.push(positions[corner]);
                        let mut point = SkinPoint::default();
                        for &(slot, weight) in &mesh.influences[corner] {
                            let local = mesh.inverse_binds[slot]
                                .transform_point3(mesh.bind_positions[corner]);
                            point.add(mesh.joints[slot], weight, local);
                        }
                        skin.vertices.push(point);
                    }
                    numbers[corner]
                });
                skin.triangles.push(numbered);
            }
        }
        for skin in &mut skins {
            skin.find_borders();
        }
        let skins = skins.into_iter();
        Self {
            parts: skins
                .map(|skin| (!skin.triangles.is_empty()).then_some(skin))
                .collect(),
            left,
        }
    }

    /// Where the flesh of a part ends in a direction (world axes of the rest pose, unit) from a place
    /// along its bones; a point that moves with the skin.
    pub(crate) fn point(
        &self,
        parts: &[Part],
        index: usize,
        along: f64,
        direction: DVec3,
        rest: &WorldPose,
    ) -> SkinPoint {
        let part = &parts[index];
        let place = part.place(along, rest);
        let radius_m = self.girth_m(part, along, direction);
        let estimate = place.point + direction * radius_m;
        let Some(skin) = &self.parts[index] else {
            let local = rest.affines[place.joint]
                .inverse()
                .transform_point3(estimate);
            return SkinPoint::rigid(place.joint, local);
        };
        skin.ray_out(place.point, direction)
            .unwrap_or_else(|| skin.nearest_vertex(estimate))
    }

    /// Published distance of the surface from the bones, metres.
    pub(crate) fn girth_m(&self, part: &Part, along: f64, direction: DVec3) -> f64 {
        girth(part.kind).map_or(0.0, |girth| {
            part.length_m * girth.radius(along, direction, self.left)
        })
    }

    /// How far the flesh of a part goes from its bones at most, metres.
    pub(crate) fn farthest_m(&self, index: usize, part: &Part, rest: &WorldPose) -> f64 {
        let Some(skin) = &self.parts[index] else {
            return part.length_m;
        };
        let far = skin.rest.iter().map(|point| {
            let on = part.place(part.nearest(*point, rest), rest).point;
            point.distance(on)
        });
        far.fold(0.0, f64::max)
    }

    /// Whether a part has a skin.
    pub(crate) fn has_skin(&self, index: usize) -> bool {
        self.parts[index].is_some()
    }

    /// Where the skin of one part is nearest to that of another in a pose, or deepest in it, looking
    /// only within `near_m` of a point, and with `facing` only at skin that looks that way; `None` where
    /// the skins are farther apart than half of that, or either part has none there.
    pub(crate) fn nearest(
        &self,
        from: usize,
        to: usize,
        pose: &WorldPose,
        (about, near_m): (DVec3, f64),
        facing: Option<DVec3>,
    ) -> Option<Nearest> {
        let (from, to) = (self.parts[from].as_ref()?, self.parts[to].as_ref()?);
        let near = |point: &DVec3| point.distance_squared(about) < near_m * near_m;
        let posed: Vec<DVec3> = to
            .vertices
            .iter()
            .map(|vertex| vertex.world(pose))
            .collect();
        let balls: Vec<Ball> = to
            .triangles
            .iter()
            .zip(&to.borders)
            .enumerate()
            .map(|(number, (triangle, borders))| {
                (number, triangle.map(|corner| posed[corner]), *borders)
            })
            .filter(|(_, corners, _)| corners.iter().any(near))
            .map(|(number, corners, borders)| Ball::around(number, corners, borders))
            .collect();
        let points: Vec<(&SkinPoint, DVec3)> = from
            .vertices
            .iter()
            .map(|vertex| (vertex, vertex.world(pose)))
            .filter(|(_, point)| near(point))
            .collect();
        // Most often something is close, and then nothing else needs to be looked at.
        let found = [0.1, 0.5].into_iter().find_map(|part| {
            let distances = points.iter().filter_map(|&(vertex, point)| {
                let distance = signed_distance(point, &balls, part * near_m)?;
                // What lies deep is often nearer to the far side of the body.
                let [a, b, c] = to.triangles[distance.triangle].map(|corner| posed[corner]);
                let looks_away =
                    facing.is_some_and(|facing| (b - a).cross(c - a).dot(facing) <= 0.0);
                (!looks_away).then_some((vertex, point, distance))
            });
            distances.min_by(|a, b| a.2.metres.total_cmp(&b.2.metres))
        });
        let (vertex, point, distance) = found?;
        let triangle = to.triangles[distance.triangle];
        let corners = triangle.map(|corner| posed[corner]);
        let shares = corner_shares(distance.on, &corners);
        let away = (point - distance.on) * distance.metres.signum();
        let flat = (corners[1] - corners[0]).cross(corners[2] - corners[0]);
        // Touching points have no direction between them.
        let normal = match away.length() > 1e-6 * near_m {
            true => away.normalize(),
            false => flat.normalize_or(DVec3::Y),
        };
        Some(Nearest {
            metres: distance.metres,
            from: vertex.clone(),
            to: SkinPoint::mixed(triangle.map(|corner| &to.vertices[corner]), shares),
            normal,
        })
    }

    /// The point of a part that is lowest above a floor, and its height, metres.
    pub(crate) fn lowest(
        &self,
        index: usize,
        pose: &WorldPose,
        above: impl Fn(DVec3) -> f64,
    ) -> Option<(f64, SkinPoint)> {
        let skin = self.parts[index].as_ref()?;
        let heights = skin
            .vertices
            .iter()
            .map(|vertex| (above(vertex.world(pose)), vertex));
        let (height_m, vertex) = heights.min_by(|a, b| a.0.total_cmp(&b.0))?;
        Some((height_m, vertex.clone()))
    }
}

impl PartSkin {
    /// Edges of one triangle only. Corners at one place are one: files split them at seams.
    fn find_borders(&mut self) {
        let place = |corner: usize| self.rest[corner].to_array().map(f64::to_bits);
        let edge = |triangle: &[usize; 3], side: usize| {
            let ends = [triangle[side], triangle[(side + 1) % 3]].map(place);
            [ends[0].min(ends[1]), ends[0].max(ends[1])]
        };
        let mut counts: HashMap<[[u64; 3]; 2], usize> = HashMap::new();
        for triangle in &self.triangles {
            for side in 0..3 {
                *counts.entry(edge(triangle, side)).or_default() += 1;
            }
        }
        let is_border =
            |triangle: &[usize; 3]| std::array::from_fn(|side| counts[&edge(triangle, side)] == 1);
        self.borders = self.triangles.iter().map(is_border).collect();
    }

    /// Where a ray from the bones leaves the skin for the last time.
    fn ray_out(&self, from: DVec3, direction: DVec3) -> Option<SkinPoint> {
        let hits = self.triangles.iter().filter_map(|&triangle| {
            let corners = triangle.map(|corner| self.rest[corner]);
            Some((ray_triangle(from, direction, &corners)?, triangle, corners))
        });
        let (way_m, triangle, corners) = hits.max_by(|a, b| a.0.total_cmp(&b.0))?;
        let shares = corner_shares(from + direction * way_m, &corners);
        Some(SkinPoint::mixed(
            triangle.map(|corner| &self.vertices[corner]),
            shares,
        ))
    }

    fn nearest_vertex(&self, point: DVec3) -> SkinPoint {
        let far = |vertex: &usize| self.rest[*vertex].distance_squared(point);
        let nearest = (0..self.rest.len()).min_by(|a, b| far(a).total_cmp(&far(b)));
        nearest.map_or_else(SkinPoint::default, |vertex| self.vertices[vertex].clone())
    }
}

/// A triangle in a ball, so that those far away can be passed over quickly.
struct Ball {
    number: usize,
    corners: [DVec3; 3],
    borders: [bool; 3],
    centre: DVec3,
    radius_m: f64,
}

impl Ball {
    /// Whether a point of the triangle lies on an edge to another part.
    fn is_at_border(&self, point: DVec3) -> bool {
        (0..3).filter(|side| self.borders[*side]).any(|side| {
            let (from, to) = (self.corners[side], self.corners[(side + 1) % 3]);
            (point - from).reject_from(to - from).length() < EQUAL_M.sqrt() * self.radius_m
        })
    }

    fn around(number: usize, corners: [DVec3; 3], borders: [bool; 3]) -> Self {
        let centre = (corners[0] + corners[1] + corners[2]) / 3.0;
        let far = corners.map(|corner| corner.distance(centre));
        Self {
            number,
            corners,
            borders,
            centre,
            radius_m: far.into_iter().fold(0.0, f64::max),
        }
    }
}

/// How far a point is from some triangles, and where they are nearest.
struct Distance {
    metres: f64,
    triangle: usize,
    on: DVec3,
}

/// Distance of a point from some triangles, below 0 behind the nearest; `None` where none is within
/// `within_m`. Where several are equally near (at an edge or corner), the one seen most from the
/// front decides; beside the border to another part the skin goes on, so nothing is said there.
/// Baerentzen & Aanaes 2005, doi 10.1109/TVCG.2005.49, in its plain form.
fn signed_distance(point: DVec3, triangles: &[Ball], within_m: f64) -> Option<Distance> {
    let mut least_m = within_m;
    let mut front: Option<f64> = None;
    let mut is_at_border = false;
    let mut place = (0, DVec3::ZERO);
    for ball in triangles {
        let reach_m = least_m + ball.radius_m + EQUAL_M;
        if ball.centre.distance_squared(point) > reach_m * reach_m {
            continue;
        }
        let [a, b, c] = ball.corners;
        let on = closest_on_triangle(point, &ball.corners);
        let far = point - on;
        let distance_m = far.length();
        let facing = far.dot((b - a).cross(c - a).normalize_or_zero());
        let is_nearer = distance_m < least_m - EQUAL_M;
        let is_equal = distance_m < least_m + EQUAL_M;
        if is_nearer || (is_equal && front.is_none_or(|front| facing.abs() > front.abs())) {
            least_m = least_m.min(distance_m);
            front = Some(facing);
            is_at_border = ball.is_at_border(on);
            place = (ball.number, on);
        }
    }
    let front = front.filter(|_| !is_at_border)?;
    Some(Distance {
        metres: if front < 0.0 { -least_m } else { least_m },
        triangle: place.0,
        on: place.1,
    })
}

/// Distances this near to each other are one, metres.
const EQUAL_M: f64 = 1e-9;
