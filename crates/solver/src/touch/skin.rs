//! The skin of a body, part by part: where a ray from the bones leaves it, how its points move with
//! the joints, and how far two parts of it are apart.

use std::collections::HashMap;

use understudy_anatomy::Body;
use understudy_motion::box_tree::{Bounds, BoxTree, entry};
use understudy_motion::pieces::fine_triangles;
use understudy_motion::triangle::{closest_on_triangle, corner_shares, ray_triangle};
use understudy_motion::{DVec3, SkinnedMesh, Surface, WorldPose};

use super::flesh::girth;
use super::groups::{Group, Groups};
use super::part::Part;
use crate::floor::Floor;

/// A point of a skin: a weighted mean of points of joints.
#[derive(Clone, Debug, Default)]
pub(crate) struct SkinPoint {
    /// Joint, weight, and the point in the joint's coordinates, metres. Weights sum to 1.
    pub(crate) shares: Vec<(usize, f64, DVec3)>,
}

impl SkinPoint {
    pub(crate) fn rigid(joint: usize, local: DVec3) -> Self {
        Self {
            shares: vec![(joint, 1.0, local)],
        }
    }

    pub(crate) fn of(mesh: &SkinnedMesh, vertex: usize) -> Self {
        let mut point = Self::default();
        for &(slot, weight) in &mesh.influences[vertex] {
            let local = mesh.inverse_binds[slot].transform_point3(mesh.bind_positions[vertex]);
            point.add(mesh.joints[slot], weight, local);
        }
        point
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

    pub(crate) fn mixed(corners: [&Self; 3], shares: [f64; 3]) -> Self {
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
    /// Number of the vertex of the first skin.
    pub(crate) vertex: usize,
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
    /// Vertices of what is too fine to be touched: it stands on the floor and goes into no other skin,
    /// but a hand goes through it to the skin it grows from.
    fine: Vec<SkinPoint>,
    /// Vertices, and those of what is fine, in groups.
    groups: Groups,
    fine_groups: Groups,
    /// Boxes around the triangles.
    tree: BoxTree,
    /// The same at rest, a little wider.
    boxes: Vec<Bounds>,
}

/// A ray that just meets a triangle must meet the boxes around it too, metres.
const WIDER_M: f64 = 1e-6;

/// Points of two skins that are named at most.
const MOST_NEAREST: usize = 6;

/// Distances between them, and how much farther than the nearest they may be, in widths of what is
/// looked at.
const APART: f64 = 0.06;
const BESIDE: f64 = 0.025;

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
        let mut fine_skins = skins.clone();
        let meshes = surface.map_or(&[][..], |surface| &surface.meshes);
        let positions: Vec<Vec<DVec3>> = meshes.iter().map(|mesh| mesh.posed(rest)).collect();
        for ((mesh, positions), is_fine) in meshes
            .iter()
            .zip(&positions)
            .zip(fine_triangles(meshes, &positions))
        {
            let joint_of = |vertex| mesh.main_joint(vertex).and_then(|joint| owner[joint]);
            let mains: Vec<Option<usize>> = (0..positions.len()).map(joint_of).collect();
            let mut numbers = vec![usize::MAX; positions.len()];
            for (triangle, is_fine) in mesh.triangles.iter().zip(is_fine) {
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
                let skin = match is_fine {
                    true => &mut fine_skins[part],
                    false => &mut skins[part],
                };
                let numbered = corners.map(|corner| {
                    let known = skin.rest.get(numbers[corner]);
                    if known != Some(&positions[corner]) {
                        numbers[corner] = skin.rest.len();
                        skin.rest.push(positions[corner]);
                        skin.vertices.push(SkinPoint::of(mesh, corner));
                    }
                    numbers[corner]
                });
                skin.triangles.push(numbered);
            }
        }
        for (skin, fine) in skins.iter_mut().zip(fine_skins) {
            match skin.triangles.is_empty() {
                true => *skin = fine,
                false => skin.fine = fine.vertices,
            }
        }
        for skin in &mut skins {
            skin.find_borders();
            skin.groups = Groups::new(&skin.vertices, &skin.rest);
            let fine: Vec<DVec3> = skin.fine.iter().map(|vertex| vertex.world(rest)).collect();
            skin.fine_groups = Groups::new(&skin.fine, &fine);
            let (triangles, rest) = (&skin.triangles, &skin.rest);
            let corners = |index: usize| triangles[index].map(|corner| rest[corner]);
            skin.tree = BoxTree::new(triangles.len(), corners);
            let boxes = skin.tree.fitted(corners).into_iter();
            skin.boxes = boxes
                .map(|[low, high]| [low - WIDER_M, high + WIDER_M])
                .collect();
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

    /// Greatest distance of the skin of a part from its bones at rest, metres; without a skin, by
    /// published girths.
    pub(crate) fn reach_m(&self, parts: &[Part], index: usize, rest: &WorldPose) -> f64 {
        let part = &parts[index];
        match &self.parts[index] {
            Some(skin) => {
                let points = skin.rest.iter().copied();
                let points = points.chain(skin.fine.iter().map(|vertex| vertex.world(rest)));
                let far = points.map(|point| {
                    let along = part.nearest(point, rest);
                    part.place(along, rest).point.distance(point)
                });
                far.fold(0.0, f64::max)
            }
            None => [0.0, 1.0]
                .map(|along| self.girth_m(part, along, self.left))
                .into_iter()
                .fold(0.0, f64::max),
        }
    }

    /// Whether a part has a skin.
    pub(crate) fn has_skin(&self, index: usize) -> bool {
        self.parts[index].is_some()
    }

    /// Where the skin of one part is nearest to that of another in a pose, or deepest in it, looking
    /// only within `near_m` of a point, and with `facing` only at skin that looks that way: the nearest
    /// first, then others that are nearly as near or go into each other, a little apart, then the
    /// vertices asked for `besides`. None where the skins are farther apart than a quarter of
    /// that, or either part has none there.
    pub(crate) fn nearest(
        &self,
        from: usize,
        to: usize,
        pose: &WorldPose,
        (about, near_m): (DVec3, f64),
        facing: Option<DVec3>,
        besides: &[usize],
    ) -> Vec<Nearest> {
        let (Some(from), Some(to)) = (&self.parts[from], &self.parts[to]) else {
            return Vec::new();
        };
        let near = |point: DVec3| point.distance_squared(about) < near_m * near_m;
        let posed = PosedPart::new(to, pose, near);
        let see = |number: usize| {
            let vertex = from.vertex(number);
            let point = vertex.world(pose);
            if !near(point) {
                return None;
            }
            let mut distance = posed.distance(point, 0.25 * near_m)?;
            if let Some(facing) = facing
                && posed.normal(distance.triangle).dot(facing) <= 0.0
            {
                if distance.metres >= 0.0 {
                    return None;
                }
                // What lies deep is often nearer to another side of the body: it goes out the way it
                // came.
                distance = posed.way_out(point, facing, near_m)?;
            }
            Some(Seen {
                number,
                vertex,
                point,
                distance,
            })
        };
        // Groups that are nearest first: most of the others are too far to count.
        let mut groups: Vec<(f64, usize, &Group)> = from
            .all_groups()
            .filter_map(|(first, group)| {
                let least_m = posed.least_m(group.ball(pose), (about, near_m))?;
                Some((least_m, first, group))
            })
            .collect();
        groups.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut least_m = 0.25 * near_m;
        let mut found: Vec<Seen<'_>> = Vec::new();
        for (group_m, first, group) in groups {
            if group_m >= least_m.max(0.0) + BESIDE * near_m {
                break;
            }
            let seen = group.points.iter().filter_map(|number| see(first + number));
            found.extend(seen);
            let metres = found.iter().map(|seen| seen.distance.metres);
            least_m = metres.fold(least_m, f64::min);
        }
        found.sort_by_key(|seen| seen.number);
        let mut asked = besides.to_vec();
        asked.sort_unstable();
        let asked: Vec<Seen<'_>> = asked.into_iter().filter_map(see).collect();
        found.retain(|seen| seen.distance.metres < least_m.max(0.0) + BESIDE * near_m);
        found.sort_by(|a, b| a.distance.metres.total_cmp(&b.distance.metres));
        let mut apart: Vec<Seen<'_>> = Vec::new();
        for seen in found {
            let is_beside = |other: &Seen<'_>| other.point.distance(seen.point) < APART * near_m;
            if apart.len() < MOST_NEAREST && !apart.iter().any(is_beside) {
                apart.push(seen);
            }
        }
        for asked in asked {
            if !apart.iter().any(|other| other.number == asked.number) {
                apart.push(asked);
            }
        }
        apart
            .iter()
            .map(|seen| posed.nearest(seen, near_m))
            .collect()
    }

    /// The point of a part that is lowest above a floor, and its height, metres along Y. Quills that a body
    /// lies on give way: it may be asked for without what is fine.
    pub(crate) fn lowest(
        &self,
        index: usize,
        pose: &WorldPose,
        is_with_fine: bool,
        floor: &Floor,
    ) -> Option<(f64, &SkinPoint)> {
        let skin = self.parts[index].as_ref()?;
        let found = |groups: &Groups, points: &'_ [SkinPoint]| groups.lowest(points, pose, floor);
        let coarse = found(&skin.groups, &skin.vertices);
        let coarse = coarse.map(|(height_m, number)| (height_m, &skin.vertices[number]));
        let fine = found(&skin.fine_groups, &skin.fine).filter(|_| is_with_fine);
        let fine = fine.map(|(height_m, number)| (height_m, &skin.fine[number]));
        let both = coarse.into_iter().chain(fine);
        both.min_by(|a, b| a.0.total_cmp(&b.0))
    }
}

impl PartSkin {
    /// One of all vertices; what moves goes through nothing with its claws either, so those of what is fine
    /// follow the others.
    fn vertex(&self, number: usize) -> &SkinPoint {
        match number.checked_sub(self.vertices.len()) {
            Some(fine) => &self.fine[fine],
            None => &self.vertices[number],
        }
    }

    /// All of them in groups, each with what is added to its numbers.
    fn all_groups(&self) -> impl Iterator<Item = (usize, &Group)> {
        let coarse = self.groups.iter().map(|group| (0, group));
        let fine = self.fine_groups.iter();
        coarse.chain(fine.map(|group| (self.vertices.len(), group)))
    }

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
        let corners = |index: usize| self.triangles[index].map(|corner| self.rest[corner]);
        let inverse = direction.recip();
        let is_met = |bounds: &Bounds| entry(bounds, from, inverse) < f64::INFINITY;
        let mut hits = Vec::new();
        self.tree.visit(&self.boxes, &is_met, &mut |index| {
            let way_m = ray_triangle(from, direction, &corners(index));
            hits.extend(way_m.map(|way_m| (way_m, index)));
        });
        let last = |a: &&(f64, usize), b: &&(f64, usize)| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1));
        let &(way_m, index) = hits.iter().max_by(last)?;
        let (triangle, corners) = (self.triangles[index], corners(index));
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

/// How far a point is from some triangles, and where they are nearest.
#[derive(Clone, Debug)]
struct Distance {
    metres: f64,
    triangle: usize,
    on: DVec3,
}

/// A vertex of another part, and where the skin is nearest to it.
#[derive(Clone, Debug)]
struct Seen<'a> {
    number: usize,
    vertex: &'a SkinPoint,
    point: DVec3,
    distance: Distance,
}

/// The skin of a part in a pose.
struct PosedPart<'a> {
    skin: &'a PartSkin,
    vertices: Vec<DVec3>,
    /// Whether a vertex is one that is looked at.
    is_near: Vec<bool>,
    boxes: Vec<Bounds>,
}

impl<'a> PosedPart<'a> {
    fn new(skin: &'a PartSkin, pose: &WorldPose, near: impl Fn(DVec3) -> bool) -> Self {
        let points = skin.vertices.iter();
        let vertices: Vec<DVec3> = points.map(|vertex| vertex.world(pose)).collect();
        let is_near = vertices.iter().map(|point| near(*point)).collect();
        let corners = |index: usize| skin.triangles[index].map(|corner| vertices[corner]);
        let boxes = skin.tree.fitted(corners);
        Self {
            skin,
            vertices,
            is_near,
            boxes,
        }
    }

    fn corners(&self, triangle: usize) -> [DVec3; 3] {
        self.skin.triangles[triangle].map(|corner| self.vertices[corner])
    }

    /// Outward from a triangle, as long as twice its area.
    fn normal(&self, triangle: usize) -> DVec3 {
        let [a, b, c] = self.corners(triangle);
        (b - a).cross(c - a)
    }

    /// Where a point inside comes out on a way (unit) through the skin that looks that way, if it
    /// does within `within_m`; the distance is below 0.
    fn way_out(&self, point: DVec3, way: DVec3, within_m: f64) -> Option<Distance> {
        let looks_that_way = |triangle: usize| {
            (self.normal(triangle).dot(way) > 0.0).then(|| self.corners(triangle))
        };
        let tree = &self.skin.tree;
        let (triangle, out_m) =
            tree.first_hit(&self.boxes, (point, way), within_m, &looks_that_way)?;
        Some(Distance {
            metres: -out_m,
            triangle,
            on: point + out_m * way,
        })
    }

    /// Distance of a point from the skin that is looked at, below 0 behind the nearest triangle; `None`
    /// where none is within `within_m`. Where several are equally near (at an edge or corner), the one
    /// seen most from the front decides; beside the border to another part the skin goes on, so nothing
    /// is said there. Baerentzen & Aanaes 2005, doi 10.1109/TVCG.2005.49, in its plain form.
    fn distance(&self, point: DVec3, within_m: f64) -> Option<Distance> {
        let closest = self.closest(point, within_m)?;
        (!self.is_at_border(closest.triangle, closest.on)).then_some(closest)
    }

    /// What is looked at of a ball (middle and radius) is no nearer to the skin than this, metres, or deeper in
    /// it: `None` where nothing of it is looked at, or is near enough.
    fn least_m(
        &self,
        (middle, radius_m): (DVec3, f64),
        (about, near_m): (DVec3, f64),
    ) -> Option<f64> {
        if middle.distance(about) > near_m + radius_m {
            return None;
        }
        let closest = self.closest(middle, 0.25 * near_m + radius_m)?;
        // Beside the border nothing is told of the side.
        match self.is_at_border(closest.triangle, closest.on) {
            true => Some(f64::NEG_INFINITY),
            false => Some(closest.metres - radius_m),
        }
    }

    /// The same beside the border too.
    fn closest(&self, point: DVec3, within_m: f64) -> Option<Distance> {
        let tree = &self.skin.tree;
        let far = |node: usize| {
            let [low, high] = self.boxes[node];
            point.distance_squared(point.clamp(low, high))
        };
        let mut least_m = within_m;
        let mut front: Option<f64> = None;
        let mut place = (0, DVec3::ZERO);
        // A part has triangles, so there is an outermost box.
        let mut open = vec![(0, far(0))];
        while let Some((node, far_m2)) = open.pop() {
            let reach_m = least_m + EQUAL_M;
            if far_m2 > reach_m * reach_m {
                continue;
            }
            if let Some(children) = tree.children(node) {
                let [a, b] = children.map(|child| (child, far(child)));
                // The nearer is looked at first.
                open.extend(if a.1 < b.1 { [b, a] } else { [a, b] });
                continue;
            }
            for &triangle in tree.below(node) {
                let triangle = triangle as usize;
                let is_near = |corner: &usize| self.is_near[*corner];
                if !self.skin.triangles[triangle].iter().any(is_near) {
                    continue;
                }
                let corners = self.corners(triangle);
                let on = closest_on_triangle(point, &corners);
                let away = point - on;
                let distance_m = away.length();
                let [a, b, c] = corners;
                let facing = away.dot((b - a).cross(c - a).normalize_or_zero());
                let is_nearer = distance_m < least_m - EQUAL_M;
                let is_equal = distance_m < least_m + EQUAL_M;
                if is_nearer || (is_equal && front.is_none_or(|front| facing.abs() > front.abs())) {
                    least_m = least_m.min(distance_m);
                    front = Some(facing);
                    place = (triangle, on);
                }
            }
        }
        let (triangle, on) = place;
        Some(Distance {
            metres: if front? < 0.0 { -least_m } else { least_m },
            triangle,
            on,
        })
    }

    /// Whether a point of a triangle lies on an edge to another part.
    fn is_at_border(&self, triangle: usize, point: DVec3) -> bool {
        let corners = self.corners(triangle);
        let borders = self.skin.borders[triangle];
        (0..3).filter(|side| borders[*side]).any(|side| {
            let (from, to) = (corners[side], corners[(side + 1) % 3]);
            (point - from).reject_from(to - from).length() < EQUAL_M.sqrt() * from.distance(to)
        })
    }

    /// What was seen, with the points of both skins.
    fn nearest(&self, seen: &Seen<'_>, near_m: f64) -> Nearest {
        let Seen { distance, .. } = seen;
        let corners = self.corners(distance.triangle);
        let shares = corner_shares(distance.on, &corners);
        let away = (seen.point - distance.on) * distance.metres.signum();
        let flat = (corners[1] - corners[0]).cross(corners[2] - corners[0]);
        // Touching points have no direction between them.
        let normal = match away.length() > 1e-6 * near_m {
            true => away.normalize(),
            false => flat.normalize_or(DVec3::Y),
        };
        let ends = self.skin.triangles[distance.triangle];
        let ends = ends.map(|corner| &self.skin.vertices[corner]);
        Nearest {
            metres: distance.metres,
            vertex: seen.number,
            from: seen.vertex.clone(),
            to: SkinPoint::mixed(ends, shares),
            normal,
        }
    }
}

/// Distances this near to each other are one, metres.
const EQUAL_M: f64 = 1e-9;
