//! A part of a skin as a solid: closed where it was cut off, asked for what lies inside and how
//! deep.

use std::borrow::Cow;
use std::collections::{BTreeMap, HashMap};

use glam::DVec3;

use crate::box_tree::{Bounds, BoxTree, NOTHING, around, entry, meet};
use crate::triangle::{Passage, closest_on_triangle, passage, passage_between, winding};

/// Triangles closed to a solid. They keep together when they move, so the tree over them is made
/// once.
///
/// Where the triangles have a border, each connected piece of the border gets a cap: its edges
/// are joined to their middle. What is closed so has a whole winding number at every point that is
/// not on it, whatever holes and seams it had (Jacobson et al. 2013, *Robust inside-outside
/// segmentation using generalized winding numbers*, doi 10.1145/2461912.2461916, close nothing and
/// round instead).
#[derive(Clone, Debug)]
pub struct Solid {
    /// Skin first, then caps.
    triangles: Vec<[u32; 3]>,
    skin_count: usize,
    /// Border vertices of each cap; its middle is the vertex after all others.
    borders: Vec<Vec<u32>>,
    tree: BoxTree,
    /// Whether the triangles face inward.
    is_inverted: bool,
}

/// A point of a skin, and the number of its triangle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OnSkin {
    /// Number of the triangle.
    pub triangle: usize,
    /// The point, metres.
    pub on: DVec3,
}

/// A solid in a pose.
#[derive(Clone, Debug)]
pub struct PosedSolid<'a> {
    solid: &'a Solid,
    points: Vec<DVec3>,
    boxes: Vec<Bounds>,
}

impl Solid {
    /// Closes triangles over some points.
    ///
    /// # Panics
    /// If a triangle has a corner that is none of the points.
    pub fn new(points: &[DVec3], mut triangles: Vec<[u32; 3]>) -> Self {
        let skin_count = triangles.len();
        let edges = open_edges(&triangles);
        let borders = rims(&edges, points.len());
        for [from, to] in edges {
            let holds = |border: &Vec<u32>| border.binary_search(&from).is_ok();
            if let Some(cap) = borders.iter().position(holds) {
                triangles.push([to, from, (points.len() + cap) as u32]);
            }
        }
        let mut solid = Self {
            triangles,
            skin_count,
            borders,
            tree: BoxTree::new(0, |_| [DVec3::ZERO; 3]),
            is_inverted: false,
        };
        let all = solid.with_middles(points);
        solid.tree = BoxTree::new(solid.triangles.len(), |i| solid.corners(&all, i));
        let volume_m3: f64 = (0..solid.triangles.len())
            .map(|i| solid.corners(&all, i))
            .map(|[a, b, c]| (a - all[0]).dot((b - all[0]).cross(c - all[0])))
            .sum();
        solid.is_inverted = volume_m3 < 0.0;
        solid
    }

    /// The solid with its points, in the order it was made with, elsewhere.
    pub fn posed(&self, points: &[DVec3]) -> PosedSolid<'_> {
        let points = self.with_middles(points);
        let boxes = self.tree.fitted(|i| self.corners(&points, i));
        PosedSolid {
            solid: self,
            points,
            boxes,
        }
    }

    fn with_middles(&self, points: &[DVec3]) -> Vec<DVec3> {
        let middle = |border: &Vec<u32>| {
            let sum: DVec3 = border.iter().map(|&vertex| points[vertex as usize]).sum();
            sum / border.len() as f64
        };
        let middles = self.borders.iter().map(middle);
        points.iter().copied().chain(middles).collect()
    }

    fn corners(&self, points: &[DVec3], triangle: usize) -> [DVec3; 3] {
        self.triangles[triangle].map(|vertex| points[vertex as usize])
    }
}

/// Edges of triangles that no other triangle has the other way round, one for each time.
fn open_edges(triangles: &[[u32; 3]]) -> Vec<[u32; 2]> {
    let mut counts: HashMap<[u32; 2], i32> = HashMap::new();
    for &[a, b, c] in triangles {
        for [from, to] in [[a, b], [b, c], [c, a]] {
            let (edge, way) = if from < to {
                ([from, to], 1)
            } else {
                ([to, from], -1)
            };
            *counts.entry(edge).or_default() += way;
        }
    }
    let mut open: Vec<[u32; 2]> = counts
        .into_iter()
        .flat_map(|([low, high], count)| {
            let edge = if count > 0 { [low, high] } else { [high, low] };
            std::iter::repeat_n(edge, count.unsigned_abs() as usize)
        })
        .filter(|[from, to]| from != to)
        .collect();
    open.sort_unstable();
    open
}

/// The vertices of edges, those that hang together in one list, in order.
fn rims(edges: &[[u32; 2]], count: usize) -> Vec<Vec<u32>> {
    let mut groups = Groups::apart(count);
    for &edge in edges {
        groups.join(edge, 0);
    }
    let mut vertices: Vec<u32> = edges.iter().flatten().copied().collect();
    vertices.sort_unstable();
    vertices.dedup();
    let mut found: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
    for vertex in vertices {
        found
            .entry(groups.first(vertex).0)
            .or_default()
            .push(vertex);
    }
    found.into_values().collect()
}

/// Points joined by edges, such as the vertices of a part of a skin, to be asked which of them lie
/// in a solid.
#[derive(Clone, Debug)]
pub struct Net {
    edges: Vec<[u32; 2]>,
    tree: BoxTree,
    /// Per point, the first of all points that edges join it to.
    piece: Vec<u32>,
}

/// A net in a pose.
#[derive(Clone, Debug)]
pub struct PosedNet<'a> {
    net: &'a Net,
    points: &'a [DVec3],
    boxes: Cow<'a, [Bounds]>,
}

impl Net {
    /// The edges of triangles between some points. A triangle may have corners that are none of the
    /// points.
    pub fn new(points: &[DVec3], triangles: impl IntoIterator<Item = [Option<u32>; 3]>) -> Self {
        let sides = triangles
            .into_iter()
            .flat_map(|[a, b, c]| [[a, b], [b, c], [c, a]]);
        let mut edges: Vec<[u32; 2]> = sides
            .filter_map(|[a, b]| Some([a?.min(b?), a?.max(b?)]))
            .collect();
        edges.sort_unstable();
        edges.dedup();
        let tree = BoxTree::new(edges.len(), |edge| ends(points, edges[edge]));
        let mut groups = Groups::apart(points.len());
        for &edge in &edges {
            groups.join(edge, 0);
        }
        let all = 0..points.len() as u32;
        let piece = all.map(|point| groups.first(point).0).collect();
        Self { edges, tree, piece }
    }

    /// The net with its points, in the order it was made with, elsewhere.
    pub fn posed<'a>(&'a self, points: &'a [DVec3]) -> PosedNet<'a> {
        PosedNet {
            net: self,
            points,
            boxes: Cow::Owned(self.fitted(points)),
        }
    }

    /// The boxes around the net with its points elsewhere.
    pub fn fitted(&self, points: &[DVec3]) -> Vec<Bounds> {
        self.tree.fitted(|edge| ends(points, self.edges[edge]))
    }

    /// The net with its points elsewhere, and what [`Net::fitted`] gives for them.
    pub fn with_boxes<'a>(&'a self, points: &'a [DVec3], boxes: &'a [Bounds]) -> PosedNet<'a> {
        PosedNet {
            net: self,
            points,
            boxes: Cow::Borrowed(boxes),
        }
    }
}

/// An edge as a triangle without area.
fn ends(points: &[DVec3], [from, to]: [u32; 2]) -> [DVec3; 3] {
    let [from, to] = [from, to].map(|end| points[end as usize]);
    [from, to, to]
}

/// Points in groups, with how much more often a solid winds about each than about the point that
/// stands for its group.
pub(crate) struct Groups {
    above: Vec<u32>,
    turns: Vec<i32>,
}

impl Groups {
    pub(crate) fn apart(count: usize) -> Self {
        Self {
            above: (0..count as u32).collect(),
            turns: vec![0; count],
        }
    }

    /// The point that stands for the group of a point, and how many turns more the point has.
    pub(crate) fn first(&mut self, point: u32) -> (u32, i32) {
        let (mut at, mut turns) = (point, 0);
        loop {
            let next = self.above[at as usize];
            if next == at {
                return (at, turns);
            }
            // Ways become shorter as they are gone.
            let beyond = self.above[next as usize];
            if beyond != next {
                self.turns[at as usize] += self.turns[next as usize];
                self.above[at as usize] = beyond;
            }
            turns += self.turns[at as usize];
            at = beyond;
        }
    }

    /// Joins the groups of two points, the second of which has so many turns less. False where they
    /// are known to differ otherwise.
    pub(crate) fn join(&mut self, [from, to]: [u32; 2], less: i32) -> bool {
        let ((one, from_turns), (other, to_turns)) = (self.first(from), self.first(to));
        let more = from_turns - less - to_turns;
        if one == other {
            return more == 0;
        }
        let (low, high, turns) = match one < other {
            true => (one, other, more),
            false => (other, one, -more),
        };
        self.above[high as usize] = low;
        self.turns[high as usize] = turns;
        true
    }
}

impl PosedSolid<'_> {
    /// The box around it; the whole space the wrong way round where it has no triangles.
    pub fn bounds(&self) -> Bounds {
        self.boxes.first().copied().unwrap_or(NOTHING)
    }

    /// Its points, those in the middle of caps last.
    pub fn points(&self) -> &[DVec3] {
        &self.points
    }

    /// Its triangles: those of the skin, and those of the caps.
    pub fn triangles(&self) -> (&[[u32; 3]], &[[u32; 3]]) {
        self.solid.triangles.split_at(self.solid.skin_count)
    }

    /// Which of some points of a net lie inside. Along an edge the solid winds less by what the edge
    /// passes through of its surface, so of all points that edges join, one is asked; none, where one
    /// of them lies beyond the box around the solid.
    pub fn held(&self, net: &PosedNet<'_>, wanted: &[usize]) -> Vec<usize> {
        let bounds = self.bounds();
        let is_far = |index: usize| !meet(&[net.points[index]; 2], &bounds);
        let passed = self.passed(net);
        if passed.is_empty() {
            return self.held_pieces(net, wanted, is_far);
        }
        let mut groups = Groups::apart(net.points.len());
        let mut is_sound = true;
        let is_here = |bounds_here: &Bounds| meet(bounds_here, &bounds);
        net.net.tree.visit(&net.boxes, &is_here, &mut |edge| {
            let ends = net.net.edges[edge];
            // Points that are far are outside whatever edges say.
            if ends.iter().any(|&end| !is_far(end as usize)) {
                match passed.get(&(edge as u32)) {
                    Some(Some(turns)) => is_sound &= groups.join(ends, *turns),
                    Some(None) => {}
                    None => is_sound &= groups.join(ends, 0),
                }
            }
        });
        let wanted = wanted.iter().copied().filter(|&index| !is_far(index));
        if !is_sound {
            // An edge was passed within rounding.
            return wanted.filter(|&i| self.is_inside(net.points[i])).collect();
        }
        let mut known: Vec<Option<i32>> = vec![None; net.points.len()];
        for index in (0..net.points.len()).filter(|&index| is_far(index)) {
            let (first, turns) = groups.first(index as u32);
            known[first as usize] = Some(-turns);
        }
        wanted
            .filter(|&index| {
                let (first, turns) = groups.first(index as u32);
                let of_first = known[first as usize]
                    .get_or_insert_with(|| self.turns_about(net.points[index]) - turns);
                self.is_within(*of_first + turns)
            })
            .collect()
    }

    /// The same where no edge passes through the surface: all of a piece lie on one side.
    fn held_pieces(
        &self,
        net: &PosedNet<'_>,
        wanted: &[usize],
        is_far: impl Fn(usize) -> bool,
    ) -> Vec<usize> {
        let mut known: Vec<Option<bool>> = vec![None; net.points.len()];
        for (index, &piece) in net.net.piece.iter().enumerate() {
            if is_far(index) {
                known[piece as usize] = Some(false);
            }
        }
        let wanted = wanted.iter().copied();
        wanted
            .filter(|&index| {
                *known[net.net.piece[index] as usize]
                    .get_or_insert_with(|| self.is_inside(net.points[index]))
            })
            .collect()
    }

    /// Of the edges of a net that meet the surface, how often each leaves less how often it enters;
    /// `None` where it meets an edge, or ends on the surface.
    fn passed(&self, net: &PosedNet<'_>) -> BTreeMap<u32, Option<i32>> {
        let edges = &net.net.edges;
        let mut found: BTreeMap<u32, Option<i32>> = BTreeMap::new();
        let own = (&self.solid.tree, &self.boxes[..]);
        net.net
            .tree
            .meeting(&net.boxes, own, &mut |leaf, triangles, bounds| {
                for &edge in leaf {
                    let [from, to, _] = ends(net.points, edges[edge as usize]);
                    let here = around([from, to, to]);
                    if !meet(&here, bounds) {
                        continue;
                    }
                    for &triangle in triangles {
                        let corners = self.corners(triangle as usize);
                        if meet(&here, &around(corners)) {
                            match passage_between(from, to, &corners) {
                                Passage::Edge => {
                                    found.insert(edge, None);
                                }
                                Passage::Through { turn, .. } => {
                                    let passed = found.entry(edge).or_insert(Some(0));
                                    *passed = passed.map(|turns| turns + turn);
                                }
                                Passage::Beside => {}
                            }
                        }
                    }
                }
            });
        found
    }

    /// Whether a point lies inside.
    pub fn is_inside(&self, point: DVec3) -> bool {
        if !meet(&[point; 2], &self.bounds()) {
            return false;
        }
        self.is_within(self.turns_about(point))
    }

    /// How often the solid winds about a point.
    fn turns_about(&self, point: DVec3) -> i32 {
        let ways = ASLANT.map(|aslant| way_out(point, self.bounds(), aslant));
        let turns = ways.into_iter().find_map(|way| self.crossings(point, way));
        turns.unwrap_or_else(|| {
            // All rays met edges: the point is on the surface, or as good as.
            let all = (0..self.solid.triangles.len()).map(|i| self.corners(i));
            winding(point, all).round() as i32
        })
    }

    /// Whether the solid is where it winds so often about a place.
    fn is_within(&self, turns: i32) -> bool {
        match self.solid.is_inverted {
            true => turns < 0,
            false => turns > 0,
        }
    }

    /// How often a ray leaves less how often it enters: how often the solid winds about its start.
    /// `None` where it meets an edge.
    fn crossings(&self, from: DVec3, direction: DVec3) -> Option<i32> {
        let inverse = direction.recip();
        let mut turns = Some(0);
        let is_met = |bounds: &Bounds| entry(bounds, from, inverse) < f64::INFINITY;
        self.solid
            .tree
            .visit(&self.boxes, &is_met, &mut |triangle| match passage(
                from,
                direction,
                &self.corners(triangle),
            ) {
                Passage::Edge => turns = None,
                Passage::Through { turn, .. } => turns = turns.map(|turns| turns + turn),
                Passage::Beside => {}
            });
        turns
    }

    /// The point of the skin, caps left out, nearest to a point and nearer than `within_m`.
    pub fn closest(&self, point: DVec3, within_m: f64) -> Option<DVec3> {
        Some(self.nearest(point, within_m)?.on)
    }

    /// As [`PosedSolid::closest`], with its triangle.
    pub fn nearest(&self, point: DVec3, within_m: f64) -> Option<OnSkin> {
        let bound = |[low, high]: &Bounds| point.distance_squared(point.clamp(*low, *high));
        let value = |triangle: usize| {
            if triangle >= self.solid.skin_count {
                return f64::INFINITY;
            }
            let on = closest_on_triangle(point, &self.corners(triangle));
            on.distance_squared(point)
        };
        let limit = within_m * within_m;
        let tree = &self.solid.tree;
        let (triangle, _) = tree.least(&self.boxes, limit, &bound, &value)?;
        let on = closest_on_triangle(point, &self.corners(triangle));
        Some(OnSkin { triangle, on })
    }

    /// Where a ray from a point, nearer than `within_m`, first leaves through the skin, caps left out;
    /// `way` is a unit vector.
    pub fn exit(&self, point: DVec3, way: DVec3, within_m: f64) -> Option<OnSkin> {
        let looks_out = |triangle: usize| {
            let is_skin = triangle < self.solid.skin_count;
            (is_skin && self.normal(triangle).dot(way) > 0.0).then(|| self.corners(triangle))
        };
        let tree = &self.solid.tree;
        let (triangle, out_m) = tree.first_hit(&self.boxes, (point, way), within_m, &looks_out)?;
        let on = point + out_m * way;
        Some(OnSkin { triangle, on })
    }

    /// Outward from a triangle, as long as twice its area.
    pub fn normal(&self, triangle: usize) -> DVec3 {
        let [a, b, c] = self.corners(triangle);
        let normal = (b - a).cross(c - a);
        match self.solid.is_inverted {
            true => -normal,
            false => normal,
        }
    }

    /// The corners of a triangle, and as numbers of its points.
    pub fn triangle(&self, triangle: usize) -> ([DVec3; 3], [u32; 3]) {
        (self.corners(triangle), self.solid.triangles[triangle])
    }

    /// How deep a point lies below the skin, metres; `None` outside.
    pub fn depth_m(&self, point: DVec3) -> Option<f64> {
        if !self.is_inside(point) {
            return None;
        }
        let on = self.closest(point, f64::INFINITY)?;
        Some(on.distance(point))
    }

    /// Where a line along an axis through a point is inside, from and to along the axis, metres, in
    /// order. `None` where it meets an edge.
    fn spans(&self, axis: usize, through: DVec3) -> Option<Vec<[f64; 2]>> {
        let mut from = through;
        from[axis] = self.bounds()[0][axis] - 1.0;
        let is_met = |[low, high]: &Bounds| {
            let aside = from.cmplt(*low) | from.cmpgt(*high);
            (0..3).all(|other| other == axis || !aside.test(other))
        };
        let mut met = Vec::new();
        let mut is_clear = true;
        self.solid
            .tree
            .visit(&self.boxes, &is_met, &mut |triangle| match passage(
                from,
                DVec3::AXES[axis],
                &self.corners(triangle),
            ) {
                Passage::Edge => is_clear = false,
                Passage::Through { way_m, turn } => met.push((from[axis] + way_m, turn)),
                Passage::Beside => {}
            });
        if !is_clear {
            return None;
        }
        met.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (mut turns, mut entered) = (0, None);
        let mut spans = Vec::new();
        for (at, turn) in met {
            // A ray from there would leave once less.
            turns -= turn;
            match (self.is_within(turns), entered) {
                (true, None) => entered = Some(at),
                (false, Some(start)) => {
                    spans.push([start, at]);
                    entered = None;
                }
                _ => {}
            }
        }
        Some(spans)
    }

    /// Volume that two solids share within a box, cubic metres: columns along the shortest side of
    /// the box, each as long as both are there. The ends of the columns are exact; what is left is the
    /// error of the midpoint rule across them.
    pub fn shared_m3(&self, other: &PosedSolid<'_>, within: Bounds) -> f64 {
        let [a, b] = [self.bounds(), other.bounds()];
        let low = within[0].max(a[0]).max(b[0]);
        let size = within[1].min(a[1]).min(b[1]) - low;
        if size.min_element() <= 0.0 {
            return 0.0;
        }
        let axis = (0..3).fold(
            0,
            |best, next| if size[next] < size[best] { next } else { best },
        );
        let across = [(axis + 1) % 3, (axis + 2) % 3];
        let step = size / COLUMNS as f64;
        let reach = [low[axis], low[axis] + size[axis]];
        let column_m = |place: [usize; 2]| {
            let at = |shift: f64| {
                let mut through = low;
                // Not along a diagonal.
                for (number, axis) in across.into_iter().enumerate() {
                    let shift = if number == 0 { shift } else { -0.618 * shift };
                    through[axis] += (place[number] as f64 + 0.5 + shift) * step[axis];
                }
                let own = self.spans(axis, through)?;
                match own.is_empty() {
                    true => Some(0.0),
                    false => Some(common_m(&own, &other.spans(axis, through)?, reach)),
                }
            };
            // A line that meets an edge is moved a little.
            [0.0, 0.001_234, -0.002_345].into_iter().find_map(at)
        };
        let places = (0..COLUMNS).flat_map(|one| (0..COLUMNS).map(move |two| [one, two]));
        let all_m: f64 = places.filter_map(column_m).sum();
        all_m * step[across[0]] * step[across[1]]
    }

    fn corners(&self, triangle: usize) -> [DVec3; 3] {
        self.solid.corners(&self.points, triangle)
    }
}

/// Columns along each side of a box in which a volume is measured.
const COLUMNS: usize = 16;

/// How much two lists of stretches have in common within a stretch.
fn common_m(one: &[[f64; 2]], other: &[[f64; 2]], [least, most]: [f64; 2]) -> f64 {
    let pairs = one.iter().flat_map(|a| other.iter().map(move |b| (a, b)));
    pairs
        .map(|(a, b)| a[1].min(b[1]).min(most) - a[0].max(b[0]).max(least))
        .map(|both_m| both_m.max(0.0))
        .sum()
}

/// Small parts of the directions of rays, so that they do not run along faces and edges of models
/// made on a grid; the next where one meets an edge all the same.
const ASLANT: [DVec3; 3] = [
    DVec3::new(0.001_234_567, 0.000_765_432_1, -0.000_987_654_3),
    DVec3::new(-0.011_123_58, 0.013_213_45, 0.005_589_144),
    DVec3::new(0.027_182_81, -0.031_415_93, 0.041_421_36),
];

/// The direction in which a point of a box is soonest out of it, a little aslant.
fn way_out(point: DVec3, [low, high]: Bounds, aslant: DVec3) -> DVec3 {
    let (down, up) = ((point - low).to_array(), (high - point).to_array());
    let ways = (0..3).flat_map(|axis| [(axis, -1.0, down[axis]), (axis, 1.0, up[axis])]);
    let nearest = ways.min_by(|a, b| a.2.total_cmp(&b.2));
    let mut direction = aslant.to_array();
    if let Some((axis, sign, _)) = nearest {
        direction[axis] = sign;
    }
    DVec3::from_array(direction)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::triangle::tests::box_triangles;
    use parry3d_f64::query::PointQuery;
    use parry3d_f64::shape::{TriMesh, TriMeshFlags};
    use proptest::prelude::*;
    use std::f64::consts::{PI, TAU};

    /// A ball of radius 1, rings of points from pole to pole.
    fn ball(rings: u32, sectors: u32) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let mut points = vec![DVec3::Y];
        for ring in 1..rings {
            let (sin, cos) = (PI * f64::from(ring) / f64::from(rings)).sin_cos();
            points.extend((0..sectors).map(|sector| {
                let (x, z) = (TAU * f64::from(sector) / f64::from(sectors)).sin_cos();
                DVec3::new(sin * x, cos, sin * z)
            }));
        }
        points.push(DVec3::NEG_Y);
        let at = |ring: u32, sector: u32| match ring {
            0 => 0,
            ring if ring == rings => 1 + (rings - 1) * sectors,
            ring => 1 + (ring - 1) * sectors + sector % sectors,
        };
        let triangles = (0..rings)
            .flat_map(|ring| (0..sectors).map(move |sector| (ring, sector)))
            .flat_map(|(r, s)| {
                [
                    [at(r, s), at(r + 1, s), at(r + 1, s + 1)],
                    [at(r, s), at(r + 1, s + 1), at(r, s + 1)],
                ]
            })
            .filter(|[a, b, c]| a != b && b != c && c != a)
            .collect();
        (points, triangles)
    }

    /// A ball whose triangles all lie nearer to a side than `to`.
    fn cup(to: f64) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let (points, mut triangles) = ball(24, 24);
        triangles.retain(|t| t.iter().all(|&i| points[i as usize].y < to));
        (points, triangles)
    }

    #[test]
    fn a_ball_is_as_deep_as_its_radius() {
        let (points, triangles) = ball(40, 40);
        for facing in [1, -1] {
            let turned = triangles.iter().map(|&[a, b, c]| match facing {
                1 => [a, b, c],
                _ => [a, c, b],
            });
            let solid = Solid::new(&points, turned.collect());
            let posed = solid.posed(&points);
            // The flat faces lie within 2 mm below a ball of 1 m: 1 - cos(π/40).
            for depth_m in [0.01, 0.3, 0.7] {
                let place = (1.0 - depth_m) * DVec3::new(0.6, 0.48, 0.64);
                let found = posed.depth_m(place).unwrap();
                assert!((found - depth_m).abs() < 0.004, "{depth_m} {found}");
            }
            assert_eq!(posed.depth_m(1.01 * DVec3::X), None);
            assert_eq!(posed.depth_m(DVec3::splat(0.7)), None);
        }
    }

    #[test]
    fn what_is_cut_open_is_closed_flat() {
        let (points, triangles) = cup(0.3);
        let solid = Solid::new(&points, triangles);
        let posed = solid.posed(&points);
        let rim = points.iter().map(|p| p.y).filter(|y| *y < 0.3);
        let rim = rim.fold(-1.0, f64::max);
        for x in [0.0, 0.4, -0.7] {
            assert!(posed.is_inside(DVec3::new(x, rim - 0.001, 0.1)), "{x}");
            assert!(!posed.is_inside(DVec3::new(x, rim + 0.001, 0.1)), "{x}");
        }
        // The cap is no skin: the middle of the rim is as deep as the skin is far.
        let depth_m = posed.depth_m(DVec3::Y * (rim - 0.001)).unwrap();
        assert!((depth_m - 1.0).abs() < 0.05, "{depth_m}");
    }

    #[test]
    fn two_openings_are_closed_each() {
        let (points, mut triangles) = ball(24, 24);
        triangles.retain(|t| t.iter().all(|&i| points[i as usize].y.abs() < 0.7));
        let solid = Solid::new(&points, triangles);
        let posed = solid.posed(&points);
        assert_eq!(solid.borders.len(), 2);
        assert!(posed.is_inside(DVec3::Y * 0.6) && posed.is_inside(DVec3::Y * -0.6));
        assert!(!posed.is_inside(DVec3::Y * 0.72) && !posed.is_inside(DVec3::Y * -0.72));
    }

    /// A box from a corner to the opposite one.
    fn cuboid(low: DVec3, high: DVec3) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let corner = |i: u32| {
            let far = |bit: u32| f64::from((i >> bit) & 1);
            low + (high - low) * DVec3::new(far(0), far(1), far(2))
        };
        ((0..8).map(corner).collect(), box_triangles())
    }

    /// A ball drawn apart along x.
    fn capsule(half_m: f64, radius_m: f64) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let (mut points, triangles) = ball(RINGS, RINGS);
        for point in &mut points {
            let end = if point.x > 1e-9 { half_m } else { -half_m };
            *point = radius_m * *point + DVec3::X * end;
        }
        (points, triangles)
    }

    const RINGS: u32 = 96;

    fn moved(points: &[DVec3], by: DVec3) -> Vec<DVec3> {
        points.iter().map(|point| *point + by).collect()
    }

    /// The deepest of some points in a solid, asked one by one and as a net.
    fn deepest_m(points: &[DVec3], triangles: &[[u32; 3]], solid: &PosedSolid<'_>) -> f64 {
        let net = Net::new(points, triangles.iter().map(|t| t.map(Some)));
        let all: Vec<usize> = (0..points.len()).collect();
        let held = solid.held(&net.posed(points), &all);
        let inside = |index: &usize| solid.is_inside(points[*index]);
        let expected: Vec<usize> = all.into_iter().filter(inside).collect();
        assert_eq!(held, expected);
        let depths = held
            .iter()
            .filter_map(|&index| solid.depth_m(points[index]));
        depths.fold(0.0, f64::max)
    }

    #[test]
    fn depths_of_boxes_balls_and_capsules_are_those_of_geometry() {
        let (slab, slab_triangles) =
            cuboid(DVec3::new(-1.0, -0.5, -1.0), DVec3::new(1.0, 0.0, 1.0));
        let in_slab = Solid::new(&slab, slab_triangles.clone());
        let in_slab = in_slab.posed(&slab);
        let (rod, rod_triangles) = capsule(0.2, 0.05);
        let in_rod = Solid::new(&rod, rod_triangles.clone());
        let in_rod = in_rod.posed(&rod);
        let (round, round_triangles) = ball(RINGS, RINGS);
        let round: Vec<DVec3> = round.iter().map(|point| 0.1 * *point).collect();
        let (brick, brick_triangles) = cuboid(DVec3::splat(-0.03), DVec3::splat(0.03));
        // An edge of the ball is 6.5 mm long, of the capsule 3.3 mm.
        for depth_m in [0.001, 0.01, 0.04] {
            let near = |found_m: f64, within_m: f64, what: &str| {
                let error_m = (found_m - depth_m).abs();
                assert!(error_m < within_m, "{what} {depth_m} {found_m}");
            };
            // Lowest vertices lie at the pole, and at the corners; the slab is flat.
            let down = |height_m: f64| DVec3::Y * (height_m - depth_m);
            let found_m = deepest_m(&moved(&round, down(0.1)), &round_triangles, &in_slab);
            near(found_m, 1e-12, "ball in box");
            let found_m = deepest_m(&moved(&rod, down(0.05)), &rod_triangles, &in_slab);
            near(found_m, 1e-12, "capsule in box");
            let found_m = deepest_m(&moved(&brick, down(0.03)), &brick_triangles, &in_slab);
            near(found_m, 1e-12, "box in box");
            let found_m = deepest_m(&moved(&round, down(0.15)), &round_triangles, &in_rod);
            near(found_m, 0.01 * 0.0033, "ball in capsule");
            let found_m = deepest_m(&moved(&rod, down(0.1)), &rod_triangles, &in_rod);
            near(found_m, 0.01 * 0.0033, "capsule in capsule");
        }
    }

    #[test]
    fn two_boxes_share_a_box() {
        let (slab, slab_triangles) = cuboid(DVec3::splat(-1.0), DVec3::splat(1.0));
        let (other, other_triangles) =
            cuboid(DVec3::new(0.2, 0.4, -0.5), DVec3::new(3.0, 2.0, 0.3));
        let (slab_solid, other_solid) = (
            Solid::new(&slab, slab_triangles),
            Solid::new(&other, other_triangles),
        );
        let (one, two) = (slab_solid.posed(&slab), other_solid.posed(&other));
        let found_m3 = one.shared_m3(&two, one.bounds());
        assert!((found_m3 - 0.8 * 0.6 * 0.8).abs() < 1e-9, "{found_m3}");
        let part = [DVec3::splat(-1.0), DVec3::new(0.6, 1.0, 1.0)];
        let found_m3 = two.shared_m3(&one, part);
        assert!((found_m3 - 0.4 * 0.6 * 0.8).abs() < 1e-9, "{found_m3}");
        let beside = moved(&other, DVec3::X);
        assert_eq!(
            one.shared_m3(&other_solid.posed(&beside), one.bounds()),
            0.0
        );
    }

    #[test]
    fn nothing_has_no_inside() {
        let solid = Solid::new(&[], Vec::new());
        let posed = solid.posed(&[]);
        assert!(!posed.is_inside(DVec3::ZERO));
        assert_eq!(posed.closest(DVec3::ZERO, 1.0), None);
    }

    proptest! {
        /// Another implementation, that of the parry library, which tells the sides apart by
        /// angle-weighted normals (Bærentzen & Aanæs 2005, doi 10.1109/TVCG.2005.49).
        #[test]
        fn another_library_says_the_same(
            seeds in prop::array::uniform32(-1.0..1.0f64),
            places in prop::collection::vec(prop::array::uniform3(-1.3..1.3f64), 20),
        ) {
            let (mut points, triangles) = ball(8, 11);
            for (index, point) in points.iter_mut().enumerate() {
                *point *= 1.0 + 0.25 * seeds[index % 32];
            }
            // The tree is that of another pose.
            let solid = Solid::new(&ball(8, 11).0, triangles.clone());
            let posed = solid.posed(&points);
            let corners = points.iter().map(|p| parry3d_f64::math::Vector::new(p.x, p.y, p.z));
            let flags = TriMeshFlags::ORIENTED;
            let other = TriMesh::with_flags(corners.collect(), triangles, flags).unwrap();
            let (net_points, net_triangles) = ball(8, 11);
            let net = Net::new(&net_points, net_triangles.iter().map(|t| t.map(Some)));
            let elsewhere = moved(&net_points, DVec3::from_array(places[0]));
            let all: Vec<usize> = (0..elsewhere.len()).collect();
            let held = posed.held(&net.posed(&elsewhere), &all);
            let expected = all.into_iter().filter(|&index| posed.is_inside(elsewhere[index]));
            prop_assert_eq!(held, expected.collect::<Vec<_>>());
            for place in places {
                let query = parry3d_f64::math::Vector::from_array(place);
                let place = DVec3::from_array(place);
                let projected = other.project_local_point(query, false);
                let near = DVec3::from_array(projected.point.to_array());
                let found = posed.closest(place, 10.0).unwrap();
                prop_assert!((found.distance(place) - near.distance(place)).abs() < 1e-9);
                if found.distance(place) > 1e-9 {
                    prop_assert_eq!(posed.is_inside(place), projected.is_inside);
                }
            }
        }
    }
}
