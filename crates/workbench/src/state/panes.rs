//! Which panes the window has and how they divide it: in groups, of which one pane is shown, side by side
//! or one over the other.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

/// A part of the window with a content of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Pane {
    /// Performer and character. It cannot be closed.
    Bodies,
    /// What is wrong, worst first.
    Faults,
    /// Which joint is what.
    Map,
    /// What can be set.
    Tune,
    /// Settings that are kept by name, and compared.
    Presets,
    /// Faults, contacts and measures over time.
    Tracks,
    /// Curves of a joint over time.
    Curves,
}

/// Panes that are shown and hidden together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The bodies.
    Bodies,
    /// Lists and forms, which stand at the side at first.
    Side,
    /// What lies over time, below the bodies at first.
    Time,
}

impl Pane {
    /// All of them, in the order of menus.
    pub const ALL: [Self; 7] = [
        Self::Bodies,
        Self::Faults,
        Self::Map,
        Self::Tune,
        Self::Presets,
        Self::Tracks,
        Self::Curves,
    ];

    /// The word on its tab.
    pub fn word(self) -> &'static str {
        match self {
            Self::Bodies => "Bodies",
            Self::Faults => "Faults",
            Self::Map => "Map",
            Self::Tune => "Tune",
            Self::Presets => "Presets",
            Self::Tracks => "Tracks",
            Self::Curves => "Curves",
        }
    }

    /// A sentence of help.
    pub fn help(self) -> &'static str {
        match self {
            Self::Bodies => "Performer and character",
            Self::Faults => "What is wrong, worst first",
            Self::Map => "Which joint is what",
            Self::Tune => "Everything that can be set",
            Self::Presets => "Settings that are kept by name, and compared",
            Self::Tracks => "Faults, contacts and measures over time",
            Self::Curves => "Curves of a joint over time",
        }
    }

    /// The panes that it is shown and hidden with.
    pub fn kind(self) -> Kind {
        match self {
            Self::Bodies => Kind::Bodies,
            Self::Faults | Self::Map | Self::Tune | Self::Presets => Kind::Side,
            Self::Tracks | Self::Curves => Kind::Time,
        }
    }
}

/// A part of the window.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Area {
    /// Panes at one place, chosen by their tabs.
    Group {
        /// From left to right.
        panes: Vec<Pane>,
        /// The one that is shown; where it is closed, the first that is not.
        front: Pane,
    },
    /// From left to right.
    Row(Vec<Piece>),
    /// From top to bottom.
    Column(Vec<Piece>),
}

/// A part of a row or a column.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    /// Width in a row, height in a column, points; as usual where absent. The piece with the bodies gets
    /// what the others leave.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size: Option<u32>,
    /// What stands there.
    pub area: Area,
}

/// Where a pane is put.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// Left of the bodies.
    Left,
    /// Right of them.
    Right,
    /// Above them.
    Above,
    /// Below them.
    Below,
    /// Into the group of another pane.
    With(Pane),
}

impl Place {
    /// The places beside the bodies.
    pub const BESIDE: [Self; 4] = [Self::Left, Self::Right, Self::Above, Self::Below];

    /// For people.
    pub fn words(self) -> String {
        match self {
            Self::Left => "Left of the bodies".to_owned(),
            Self::Right => "Right of the bodies".to_owned(),
            Self::Above => "Above the bodies".to_owned(),
            Self::Below => "Below the bodies".to_owned(),
            Self::With(pane) => format!("In one group with {}", pane.word()),
        }
    }
}

/// All panes: each stands at one place, open or closed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Panes {
    /// How they divide the window.
    pub root: Area,
    /// Those that are closed. They keep their place for when they are opened.
    #[serde(default)]
    pub closed: BTreeSet<Pane>,
}

impl Default for Panes {
    /// The bodies, lists and forms right of them, time below.
    fn default() -> Self {
        let side = [Pane::Faults, Pane::Map, Pane::Tune, Pane::Presets];
        let above = [group(&[Pane::Bodies]), group(&side)].map(Piece::new);
        let time = group(&[Pane::Tracks, Pane::Curves]);
        Self {
            root: Area::Column([Area::Row(above.into()), time].map(Piece::new).into()),
            closed: BTreeSet::new(),
        }
    }
}

/// Panes at one place, the first in front.
pub fn group(panes: &[Pane]) -> Area {
    Area::Group {
        panes: panes.to_vec(),
        front: panes.first().copied().unwrap_or(Pane::Bodies),
    }
}

impl Piece {
    /// A piece of the usual size.
    pub fn new(area: Area) -> Self {
        Self { size: None, area }
    }
}

/// Least and greatest size of a piece, points.
const SIZES: [u32; 2] = [40, 8192];

impl Area {
    /// All panes in it, in the order in which they stand.
    pub fn panes(&self) -> Vec<Pane> {
        match self {
            Self::Group { panes, .. } => panes.clone(),
            Self::Row(pieces) | Self::Column(pieces) => {
                pieces.iter().flat_map(|piece| piece.area.panes()).collect()
            }
        }
    }

    /// Whether the bodies are in it.
    pub fn has_bodies(&self) -> bool {
        self.panes().contains(&Pane::Bodies)
    }

    /// The same with the first pane of every group in front.
    fn with_first_in_front(&self) -> Self {
        let pieces = |pieces: &[Piece]| {
            let pieces = pieces.iter().map(|piece| Piece {
                size: piece.size,
                area: piece.area.with_first_in_front(),
            });
            pieces.collect()
        };
        match self {
            Self::Group { panes, .. } => group(panes),
            Self::Row(all) => Self::Row(pieces(all)),
            Self::Column(all) => Self::Column(pieces(all)),
        }
    }

    fn groups<'a>(&'a self, found: &mut Vec<(&'a [Pane], Pane)>) {
        match self {
            Self::Group { panes, front } => found.push((panes, *front)),
            Self::Row(pieces) | Self::Column(pieces) => {
                pieces.iter().for_each(|piece| piece.area.groups(found));
            }
        }
    }

    /// Calls with every group, until one was the one looked for.
    fn find(&mut self, look: &mut impl FnMut(&mut Vec<Pane>, &mut Pane) -> bool) -> bool {
        match self {
            Self::Group { panes, front } => look(panes, front),
            Self::Row(pieces) | Self::Column(pieces) => {
                pieces.iter_mut().any(|piece| piece.area.find(look))
            }
        }
    }

    /// The same without empty parts, rows in rows and columns in columns; `None` where nothing is left.
    fn tidied(self) -> Option<Self> {
        let is_row = matches!(self, Self::Row(_));
        let pieces = match self {
            Self::Group { ref panes, .. } if panes.is_empty() => return None,
            Self::Group { panes, front } => {
                let front = match panes.contains(&front) {
                    true => front,
                    false => panes[0],
                };
                return Some(Self::Group { panes, front });
            }
            Self::Row(pieces) | Self::Column(pieces) => pieces,
        };
        let mut tidy: Vec<Piece> = Vec::new();
        for Piece { size, area } in pieces {
            match (area.tidied(), is_row) {
                (Some(Self::Row(inner)), true) | (Some(Self::Column(inner)), false) => {
                    tidy.extend(inner);
                }
                (Some(area), _) => tidy.push(Piece { size, area }),
                (None, _) => {}
            }
        }
        match (tidy.len(), is_row) {
            (0 | 1, _) => tidy.pop().map(|piece| piece.area),
            (_, true) => Some(Self::Row(tidy)),
            (_, false) => Some(Self::Column(tidy)),
        }
    }

    /// Puts an area beside the group of the bodies.
    fn put_beside_bodies(&mut self, place: Place, new: Area) {
        let is_row = matches!(place, Place::Left | Place::Right);
        let is_before = matches!(place, Place::Left | Place::Above);
        match self {
            Self::Group { .. } => {
                let mut pieces = vec![Piece::new(self.clone()), Piece::new(new)];
                if is_before {
                    pieces.reverse();
                }
                *self = match is_row {
                    true => Self::Row(pieces),
                    false => Self::Column(pieces),
                };
            }
            Self::Row(pieces) | Self::Column(pieces) => {
                if let Some(piece) = pieces.iter_mut().find(|piece| piece.area.has_bodies()) {
                    piece.area.put_beside_bodies(place, new);
                }
            }
        }
    }

    /// Left and right of the bodies exchanged.
    fn mirrored(&mut self) {
        if !self.has_bodies() {
            return;
        }
        if let Self::Row(pieces) = self {
            pieces.reverse();
        }
        if let Self::Row(pieces) | Self::Column(pieces) = self {
            pieces.iter_mut().for_each(|piece| piece.area.mirrored());
        }
    }

    fn clamp_sizes(&mut self) {
        let [least, most] = SIZES;
        if let Self::Row(pieces) | Self::Column(pieces) = self {
            for piece in pieces {
                piece.size = piece.size.map(|size| size.clamp(least, most));
                piece.area.clamp_sizes();
            }
        }
    }
}

impl Panes {
    /// The panes as they were kept, with every size in its range and those that are missing closed at
    /// their usual place: a person may have changed the file.
    ///
    /// # Errors
    /// A pane that stands twice, or no bodies; the text says which.
    pub fn checked(mut self) -> Result<Self, String> {
        let all = self.root.panes();
        let mut seen = BTreeSet::new();
        for pane in &all {
            if !seen.insert(*pane) {
                return Err(format!("{} stands at two places", pane.word()));
            }
        }
        if !seen.contains(&Pane::Bodies) {
            return Err("the bodies have no place".to_owned());
        }
        if self.closed.contains(&Pane::Bodies) {
            return Err("the bodies are closed".to_owned());
        }
        self.root.clamp_sizes();
        self.tidy();
        for pane in Pane::ALL {
            if !seen.contains(&pane) {
                self.put(pane, None);
                self.closed.insert(pane);
            }
        }
        Ok(self)
    }

    fn tidy(&mut self) {
        let root = std::mem::replace(&mut self.root, group(&[]));
        self.root = root.tidied().unwrap_or_else(|| Self::default().root);
    }

    /// Whether all panes stand at the same places, as large and as open, whichever are in front.
    pub fn stand_as(&self, other: &Self) -> bool {
        self.closed == other.closed
            && self.root.with_first_in_front() == other.root.with_first_in_front()
    }

    /// All groups with the pane in front of each, in the order in which they stand.
    pub fn groups(&self) -> Vec<(&[Pane], Pane)> {
        let mut found = Vec::new();
        self.root.groups(&mut found);
        found
    }

    /// Whether a pane is open, in front of its group or behind another.
    pub fn is_open(&self, pane: Pane) -> bool {
        !self.closed.contains(&pane)
    }

    /// Opens a pane and puts it in front.
    pub fn show(&mut self, pane: Pane) {
        self.closed.remove(&pane);
        self.root.find(&mut |panes, front| {
            let is_here = panes.contains(&pane);
            if is_here {
                *front = pane;
            }
            is_here
        });
    }

    /// Closes a pane; that of the bodies stays.
    pub fn close(&mut self, pane: Pane) {
        if pane != Pane::Bodies {
            self.closed.insert(pane);
        }
    }

    /// Puts a pane at a place, opens it and shows it. The bodies move only into a group.
    pub fn put_at(&mut self, pane: Pane, place: Place) {
        let is_itself = place == Place::With(pane);
        if is_itself || (pane == Pane::Bodies && !matches!(place, Place::With(_))) {
            return;
        }
        self.root.find(&mut |panes, _| {
            let before = panes.len();
            panes.retain(|other| *other != pane);
            panes.len() < before
        });
        self.tidy();
        self.put(pane, Some(place));
        self.show(pane);
    }

    /// Puts a pane that has no place at one, or at the usual one: with those of its kind.
    fn put(&mut self, pane: Pane, place: Option<Place>) {
        let all = self.root.panes();
        let alike = all.iter().find(|other| other.kind() == pane.kind());
        let place = place.unwrap_or(match (alike, pane.kind()) {
            (Some(other), _) => Place::With(*other),
            (None, Kind::Time) => Place::Below,
            (None, _) => Place::Right,
        });
        match place {
            Place::With(other) => {
                self.root.find(&mut |panes, _| {
                    let is_here = panes.contains(&other);
                    if is_here {
                        panes.push(pane);
                    }
                    is_here
                });
            }
            _ => self.root.put_beside_bodies(place, group(&[pane])),
        }
        self.tidy();
    }

    /// What stands left of the bodies goes to the right, and the other way round.
    pub fn mirror(&mut self) {
        self.root.mirrored();
    }

    /// Takes over how the window is divided after panes were dragged.
    ///
    /// # Errors
    /// What `checked` does not allow.
    pub fn with_root(&self, root: Area) -> Result<Self, String> {
        let closed = self.closed.clone();
        Self { root, closed }.checked()
    }

    /// Width or height that a person gave to the piece with a pane, points; the nearest one around it.
    #[cfg(test)]
    pub fn size_of(&self, pane: Pane) -> Option<u32> {
        fn within(area: &Area, pane: Pane) -> Option<u32> {
            let (Area::Row(pieces) | Area::Column(pieces)) = area else {
                return None;
            };
            let piece = pieces
                .iter()
                .find(|piece| piece.area.panes().contains(&pane))?;
            within(&piece.area, pane).or(piece.size)
        }
        within(&self.root, pane)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(size: u32, area: Area) -> Piece {
        Piece {
            size: Some(size),
            area,
        }
    }

    #[test]
    fn a_pane_is_put_beside_the_bodies_and_into_groups() {
        let mut panes = Panes::default();
        panes.put_at(Pane::Tune, Place::Left);
        let Area::Column(pieces) = &panes.root else {
            panic!("{panes:?}");
        };
        let Area::Row(above) = &pieces[0].area else {
            panic!("{panes:?}");
        };
        let order: Vec<Vec<Pane>> = above.iter().map(|piece| piece.area.panes()).collect();
        let side = [Pane::Faults, Pane::Map, Pane::Presets];
        assert_eq!(
            order,
            [vec![Pane::Tune], vec![Pane::Bodies], side.to_vec()],
            "one row of three, not a row in a row"
        );
        panes.mirror();
        assert_eq!(panes.root.panes()[..3], side);
        assert_eq!(panes.root.panes()[3..5], [Pane::Bodies, Pane::Tune]);
        // Back to where it came from, and what it left is gone.
        panes.put_at(Pane::Tune, Place::With(Pane::Presets));
        panes.mirror();
        assert_eq!(panes.groups().len(), 3);
        assert_eq!(panes.groups()[1].1, Pane::Tune);
        // Nothing happens to a pane that is put to itself, and the bodies stay.
        let before = panes.clone();
        panes.put_at(Pane::Tune, Place::With(Pane::Tune));
        panes.put_at(Pane::Bodies, Place::Left);
        panes.close(Pane::Bodies);
        assert_eq!(panes, before);
    }

    #[test]
    fn every_pane_can_go_everywhere_and_is_there_once() {
        let mut panes = Panes::default();
        for round in 0..3 {
            for pane in &Pane::ALL[1..] {
                for other in Pane::ALL {
                    panes.put_at(*pane, Place::With(other));
                    panes.put_at(*pane, Place::BESIDE[(round + other as usize) % 4]);
                    let mut all = panes.root.panes();
                    all.sort_unstable();
                    assert_eq!(all, Pane::ALL);
                    assert_eq!(panes.clone().checked(), Ok(panes.clone()));
                }
            }
        }
    }

    #[test]
    fn what_is_closed_keeps_its_place() {
        let mut panes = Panes::default();
        panes.put_at(Pane::Curves, Place::Left);
        let placed = panes.clone();
        panes.close(Pane::Curves);
        assert!(!panes.is_open(Pane::Curves));
        panes.show(Pane::Curves);
        assert_eq!(panes, placed);
    }

    #[test]
    fn what_a_person_wrote_is_mended_or_refused() {
        let row = |pieces: Vec<Piece>| Panes {
            root: Area::Row(pieces),
            closed: BTreeSet::new(),
        };
        // Too little and too much, empty parts, rows in rows, panes that are missing.
        let bodies = || Piece::new(group(&[Pane::Bodies]));
        let nested = Area::Row(vec![piece(1, group(&[Pane::Map])), bodies()]);
        let panes = row(vec![
            Piece::new(nested),
            piece(99_999, group(&[Pane::Tune])),
            Piece::new(group(&[])),
        ]);
        let checked = panes.checked().unwrap();
        assert_eq!(checked.size_of(Pane::Map), Some(40));
        assert_eq!(checked.size_of(Pane::Tune), Some(8192));
        let closed: Vec<Pane> = checked.closed.iter().copied().collect();
        assert_eq!(
            closed,
            [Pane::Faults, Pane::Presets, Pane::Tracks, Pane::Curves]
        );
        let mut all = checked.root.panes();
        all.sort_unstable();
        assert_eq!(all, Pane::ALL);
        // What has no sense.
        let twice = row(vec![bodies(), Piece::new(group(&[Pane::Map, Pane::Map]))]);
        assert!(twice.checked().unwrap_err().contains("Map"));
        let none = row(vec![Piece::new(group(&[Pane::Map]))]);
        assert!(none.checked().is_err());
        assert!(row(Vec::new()).checked().is_err());
        let mut closed = Panes::default();
        closed.closed.insert(Pane::Bodies);
        assert!(closed.checked().is_err());
        assert_eq!(Panes::default().checked(), Ok(Panes::default()));
    }
}
