//! A tree of boxes around triangles: made once, fitted again whenever the triangles have moved.

use glam::DVec3;

/// Triangles in a leaf; fewer cost more boxes than they save tests.
const LEAF: usize = 4;

/// Lowest and highest corner.
pub type Bounds = [DVec3; 2];

/// Boxes around boxes. Which triangles lie together is decided once, from where they are then.
#[derive(Clone, Debug)]
pub(crate) struct BoxTree {
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

/// Of which triangles a box tells nothing new: the whole space the wrong way round.
const NOTHING: Bounds = [DVec3::INFINITY, DVec3::NEG_INFINITY];

/// The box around two boxes.
fn joined(a: Bounds, b: Bounds) -> Bounds {
    [a[0].min(b[0]), a[1].max(b[1])]
}

/// The box around a triangle.
fn around([a, b, c]: [DVec3; 3]) -> Bounds {
    [a.min(b).min(c), a.max(b).max(c)]
}

impl BoxTree {
    /// A tree over so many triangles.
    pub(crate) fn new(count: usize, corners: impl Fn(usize) -> [DVec3; 3]) -> Self {
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
    pub(crate) fn fitted(&self, corners: impl Fn(usize) -> [DVec3; 3]) -> Vec<Bounds> {
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
    pub(crate) fn visit(
        &self,
        boxes: &[Bounds],
        mut wanted: impl FnMut(&Bounds) -> bool,
        mut triangle: impl FnMut(usize),
    ) {
        let mut open = vec![0; usize::from(!self.nodes.is_empty())];
        while let Some(index) = open.pop() {
            if !wanted(&boxes[index]) {
                continue;
            }
            match self.nodes[index] {
                Node::Fork(second) => open.extend([second, index + 1]),
                Node::Leaf(from, to) => {
                    for &found in &self.order[from..to] {
                        triangle(found as usize);
                    }
                }
            }
        }
    }

    /// The least value of `value` over all triangles, below `least`; boxes whose `bound` is not
    /// below the least found so far are passed over, the nearer of two is looked at first.
    pub(crate) fn least(
        &self,
        boxes: &[Bounds],
        mut least: f64,
        bound: impl Fn(&Bounds) -> f64,
        value: impl Fn(usize) -> f64,
    ) -> Option<(usize, f64)> {
        let mut found = None;
        let mut open: Vec<(usize, f64)> =
            boxes.first().map(|b| (0, bound(b))).into_iter().collect();
        while let Some((index, at_least)) = open.pop() {
            if at_least >= least {
                continue;
            }
            match self.nodes[index] {
                Node::Fork(second) => {
                    let mut children =
                        [index + 1, second].map(|child| (child, bound(&boxes[child])));
                    if children[0].1 < children[1].1 {
                        children.swap(0, 1);
                    }
                    open.extend(children);
                }
                Node::Leaf(from, to) => {
                    for &triangle in &self.order[from..to] {
                        let here = value(triangle as usize);
                        if here < least {
                            least = here;
                            found = Some((triangle as usize, here));
                        }
                    }
                }
            }
        }
        found
    }
}
