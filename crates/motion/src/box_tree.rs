//! A tree of boxes around triangles or points: made once, fitted again whenever they have moved.

use glam::DVec3;

use crate::triangle::ray_triangle;

/// Triangles in a leaf; fewer cost more boxes than they save tests.
const LEAF: usize = 4;

/// Lowest and highest corner.
pub type Bounds = [DVec3; 2];

/// Boxes around boxes. Which triangles lie together is decided once, from where they are then.
#[derive(Clone, Debug, Default)]
pub struct BoxTree {
    /// Triangles in the order of the leaves.
    order: Vec<u32>,
    /// A parent comes before its children, the first of which follows it.
    nodes: Vec<Node>,
}

#[derive(Clone, Copy, Debug)]
enum Node {
    /// Its second child.
    Fork(usize),
    /// From where to where in the order.
    Leaf(usize, usize),
}

/// The box around nothing: the whole space the wrong way round.
pub const NOTHING: Bounds = [DVec3::INFINITY, DVec3::NEG_INFINITY];

/// The box around two boxes.
pub fn joined(a: Bounds, b: Bounds) -> Bounds {
    [a[0].min(b[0]), a[1].max(b[1])]
}

/// Whether two boxes have a point in common.
pub fn meet([low, high]: &Bounds, [other_low, other_high]: &Bounds) -> bool {
    low.cmple(*other_high).all() && other_low.cmple(*high).all()
}

/// The box around a triangle.
pub fn around([a, b, c]: [DVec3; 3]) -> Bounds {
    [a.min(b).min(c), a.max(b).max(c)]
}

/// How far along a ray, in lengths of its direction, it enters a box, below 0 where it starts inside;
/// infinite where it misses the box. `inverse` holds one over each part of the direction.
pub fn entry([low, high]: &Bounds, from: DVec3, inverse: DVec3) -> f64 {
    let (a, b) = ((*low - from) * inverse, (*high - from) * inverse);
    let (enters, leaves) = (a.min(b).max_element(), a.max(b).min_element());
    match leaves >= 0.0 && enters <= leaves {
        true => enters,
        false => f64::INFINITY,
    }
}

impl BoxTree {
    /// A tree over so many triangles.
    pub fn new(count: usize, corners: impl Fn(usize) -> [DVec3; 3]) -> Self {
        let centres: Vec<DVec3> = (0..count)
            .map(|triangle| corners(triangle).into_iter().sum())
            .collect();
        let mut tree = Self {
            order: (0..count as u32).collect(),
            nodes: Vec::new(),
        };
        if count > 0 {
            tree.split(0, count, &centres);
        }
        tree
    }

    /// Halves the triangles along the longest side of the box around their centres.
    fn split(&mut self, from: usize, to: usize, centres: &[DVec3]) {
        let here = self.nodes.len();
        self.nodes.push(Node::Leaf(from, to));
        if to - from <= LEAF {
            return;
        }
        let order = &mut self.order[from..to];
        let [low, high] = order.iter().fold(NOTHING, |bounds, &triangle| {
            joined(bounds, [centres[triangle as usize]; 2])
        });
        let size = (high - low).to_array();
        let axis = (0..3).fold(
            0,
            |best, axis| {
                if size[axis] > size[best] { axis } else { best }
            },
        );
        let middle = order.len() / 2;
        order.select_nth_unstable_by(middle, |&a, &b| {
            centres[a as usize][axis].total_cmp(&centres[b as usize][axis])
        });
        self.split(from, from + middle, centres);
        self.nodes[here] = Node::Fork(self.nodes.len());
        self.split(from + middle, to, centres);
    }

    /// The boxes of all nodes for where the triangles are now, the outermost first.
    pub fn fitted(&self, corners: impl Fn(usize) -> [DVec3; 3]) -> Vec<Bounds> {
        let mut boxes = vec![NOTHING; self.nodes.len()];
        for (index, node) in self.nodes.iter().enumerate().rev() {
            boxes[index] = match *node {
                Node::Fork(second) => joined(boxes[index + 1], boxes[second]),
                Node::Leaf(from, to) => self.order[from..to]
                    .iter()
                    .map(|&triangle| around(corners(triangle as usize)))
                    .fold(NOTHING, joined),
            };
        }
        boxes
    }

    /// Visits the triangles of all leaves whose box, and all boxes around it, `wanted` asks for.
    pub fn visit(
        &self,
        boxes: &[Bounds],
        wanted: &impl Fn(&Bounds) -> bool,
        triangle: &mut impl FnMut(usize),
    ) {
        if !self.nodes.is_empty() {
            self.visit_below(0, boxes, wanted, triangle);
        }
    }

    fn visit_below(
        &self,
        node: usize,
        boxes: &[Bounds],
        wanted: &impl Fn(&Bounds) -> bool,
        triangle: &mut impl FnMut(usize),
    ) {
        if !wanted(&boxes[node]) {
            return;
        }
        match self.nodes[node] {
            Node::Fork(second) => {
                self.visit_below(node + 1, boxes, wanted, triangle);
                self.visit_below(second, boxes, wanted, triangle);
            }
            Node::Leaf(from, to) => {
                let found = self.order[from..to].iter();
                found.for_each(|&found| triangle(found as usize));
            }
        }
    }

    /// The least value of `value` over all triangles, below `least`; boxes whose `bound` is not
    /// below the least found so far are passed over, the nearer of two is looked at first.
    pub fn least(
        &self,
        boxes: &[Bounds],
        least: f64,
        bound: &impl Fn(&Bounds) -> f64,
        value: &impl Fn(usize) -> f64,
    ) -> Option<(usize, f64)> {
        let mut found = (usize::MAX, least);
        if boxes
            .first()
            .is_some_and(|outermost| bound(outermost) < least)
        {
            self.least_below(0, boxes, &mut found, bound, value);
        }
        (found.0 != usize::MAX).then_some(found)
    }

    fn least_below(
        &self,
        node: usize,
        boxes: &[Bounds],
        found: &mut (usize, f64),
        bound: &impl Fn(&Bounds) -> f64,
        value: &impl Fn(usize) -> f64,
    ) {
        match self.nodes[node] {
            Node::Fork(second) => {
                let mut children = [node + 1, second].map(|child| (child, bound(&boxes[child])));
                if children[1].1 < children[0].1 {
                    children.swap(0, 1);
                }
                for (child, at_least) in children {
                    if at_least < found.1 {
                        self.least_below(child, boxes, found, bound, value);
                    }
                }
            }
            Node::Leaf(from, to) => {
                for &triangle in &self.order[from..to] {
                    let here = value(triangle as usize);
                    if here < found.1 {
                        *found = (triangle as usize, here);
                    }
                }
            }
        }
    }

    /// Of the triangles in the boxes, the one through which a ray first passes, and how far on, less than
    /// `within_m` in metres; `corners` gives those of a triangle that counts. `way` is a unit vector.
    pub fn first_hit(
        &self,
        boxes: &[Bounds],
        (from, way): (DVec3, DVec3),
        within_m: f64,
        corners: &impl Fn(usize) -> Option<[DVec3; 3]>,
    ) -> Option<(usize, f64)> {
        let inverse = way.recip();
        let bound = |bounds: &Bounds| entry(bounds, from, inverse);
        let out_m = |triangle: usize| {
            let hit = corners(triangle).and_then(|corners| ray_triangle(from, way, &corners));
            hit.unwrap_or(f64::INFINITY)
        };
        self.least(boxes, within_m, &bound, &out_m)
    }

    /// Visits pairs of leaves, one of each tree, whose boxes meet: what is in the leaf of this tree,
    /// then what is in the leaf of the other, and the box around that.
    pub fn meeting(
        &self,
        boxes: &[Bounds],
        (other, other_boxes): (&Self, &[Bounds]),
        leaves: &mut impl FnMut(&[u32], &[u32], &Bounds),
    ) {
        if !self.nodes.is_empty() && !other.nodes.is_empty() {
            self.meeting_below([0, 0], boxes, (other, other_boxes), leaves);
        }
    }

    fn meeting_below(
        &self,
        [own, others]: [usize; 2],
        boxes: &[Bounds],
        (other, other_boxes): (&Self, &[Bounds]),
        leaves: &mut impl FnMut(&[u32], &[u32], &Bounds),
    ) {
        let [a, b] = [&boxes[own], &other_boxes[others]];
        if !meet(a, b) {
            return;
        }
        let mut go = |nodes| self.meeting_below(nodes, boxes, (other, other_boxes), leaves);
        let extent = |[low, high]: &Bounds| (*high - *low).max_element();
        match (self.children(own), other.children(others)) {
            (None, None) => leaves(self.below(own), other.below(others), b),
            (Some(children), None) => children.into_iter().for_each(|child| go([child, others])),
            (Some(children), Some(_)) if extent(a) > extent(b) => {
                children.into_iter().for_each(|child| go([child, others]));
            }
            (_, Some(children)) => children.into_iter().for_each(|child| go([own, child])),
        }
    }

    /// The children of a fork; `None` of a leaf.
    pub fn children(&self, node: usize) -> Option<[usize; 2]> {
        match self.nodes[node] {
            Node::Fork(second) => Some([node + 1, second]),
            Node::Leaf(..) => None,
        }
    }

    /// All below a node, in the order of the leaves.
    pub fn below(&self, node: usize) -> &[u32] {
        let (mut first, mut last) = (node, node);
        while let Node::Fork(_) = self.nodes[first] {
            first += 1;
        }
        while let Node::Fork(second) = self.nodes[last] {
            last = second;
        }
        match (self.nodes[first], self.nodes[last]) {
            (Node::Leaf(from, _), Node::Leaf(_, to)) => &self.order[from..to],
            _ => &[],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Small triangles along a bent line.
    fn corners(shift: f64) -> impl Fn(usize) -> [DVec3; 3] {
        move |index| {
            let at = index as f64;
            let from = DVec3::new(at, (0.7 * at).sin() * 3.0 + shift, (1.3 * at).cos());
            [from, from + DVec3::X, from + DVec3::new(0.3, 0.8, -0.2)]
        }
    }

    #[test]
    fn every_triangle_lies_in_one_leaf_and_in_all_boxes_above_it() {
        let tree = BoxTree::new(37, corners(0.0));
        let moved = corners(2.5);
        let boxes = tree.fitted(&moved);
        let (mut open, mut seen) = (vec![0], vec![0; 37]);
        while let Some(node) = open.pop() {
            let [low, high] = boxes[node];
            for &triangle in tree.below(node) {
                for corner in moved(triangle as usize) {
                    assert!(low.cmple(corner).all() && high.cmpge(corner).all());
                }
            }
            match tree.children(node) {
                Some(children) => open.extend(children),
                None => tree.below(node).iter().for_each(|&i| seen[i as usize] += 1),
            }
        }
        assert_eq!(seen, [1; 37]);
    }

    #[test]
    fn no_triangle_makes_no_box() {
        assert!(
            BoxTree::new(0, corners(0.0))
                .fitted(corners(0.0))
                .is_empty()
        );
    }
}
