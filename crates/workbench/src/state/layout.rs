//! How the window is laid out: its size, which panes stand where, and the scale of everything.

use serde::{Deserialize, Serialize};

use super::panes::{Kind, Pane, Panes, Place};

/// Scales that can be chosen, per cent of the usual size.
pub const SCALES_PERCENT: [u32; 9] = [75, 85, 100, 115, 130, 150, 175, 200, 250];

/// Least and greatest width and height of the window, points.
const WINDOW: [u32; 2] = [64, 8192];

/// How panes are written down. A layout of another version is not read.
const VERSION: u32 = 1;

/// The layout. Lengths are points: pixels at a scale of 100 % on a usual screen.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Layout {
    /// How panes are written down; 0 where a file does not say it.
    #[serde(default)]
    version: u32,
    /// Width and height of the window.
    pub window: [u32; 2],
    /// Scale of everything, per cent.
    pub scale_percent: u32,
    /// Whether lists and forms are shown, as far as they are open.
    pub is_side_shown: bool,
    /// Whether time is shown: play, and tracks and curves as far as they are open.
    pub is_time_shown: bool,
    /// Which panes stand where.
    pub panes: Panes,
}

impl Default for Layout {
    fn default() -> Self {
        Self {
            version: VERSION,
            window: [1440, 900],
            scale_percent: 100,
            is_side_shown: true,
            is_time_shown: true,
            panes: Panes::default(),
        }
    }
}

impl Layout {
    /// The layout as it was kept, with everything in its range: a person may have changed the file. Panes
    /// that have no sense stand as usual, and it is said why.
    pub fn checked(self) -> (Self, Option<String>) {
        let [least, most] = WINDOW;
        let [smallest, .., largest] = SCALES_PERCENT;
        let checked = match self.version {
            VERSION => self.panes.checked(),
            _ => Err("it was kept by another version of the program".to_owned()),
        };
        let (panes, problem) = match checked {
            Ok(panes) => (panes, None),
            Err(problem) => (Panes::default(), Some(problem)),
        };
        let layout = Self {
            version: VERSION,
            window: self.window.map(|side| side.clamp(least, most)),
            scale_percent: self.scale_percent.clamp(smallest, largest),
            panes,
            ..self
        };
        (layout, problem)
    }

    /// The next larger scale, or the next smaller one; the same at the end.
    pub fn scaled(&self, larger: bool) -> u32 {
        let now = self.scale_percent;
        let mut scales = SCALES_PERCENT.into_iter();
        let next = match larger {
            true => scales.find(|scale| *scale > now),
            false => scales.rfind(|scale| *scale < now),
        };
        next.unwrap_or(now)
    }

    /// The usual layout; the window stays as large as it is, and the scale as it was chosen.
    pub fn reset(&self) -> Self {
        Self {
            window: self.window,
            scale_percent: self.scale_percent,
            ..Self::default()
        }
    }

    /// Whether all is laid out as in another layout, whichever panes are in front and however large the
    /// window is.
    pub fn stands_as(&self, other: &Self) -> bool {
        let shown = |layout: &Self| (layout.is_side_shown, layout.is_time_shown);
        self.scale_percent == other.scale_percent
            && shown(self) == shown(other)
            && self.panes.stand_as(&other.panes)
    }

    /// Whether a pane has a place in the window now: it is open, and not hidden with those of its kind.
    pub fn has(&self, pane: Pane) -> bool {
        let is_shown = match pane.kind() {
            Kind::Bodies => true,
            Kind::Side => self.is_side_shown,
            Kind::Time => self.is_time_shown,
        };
        is_shown && self.panes.is_open(pane)
    }

    /// The panes that are in front of their groups, in the order in which they stand.
    pub fn in_front(&self) -> Vec<Pane> {
        let groups = self.panes.groups().into_iter();
        let front_of = |(panes, front): (&[Pane], Pane)| match self.has(front) {
            true => Some(front),
            false => panes.iter().copied().find(|pane| self.has(*pane)),
        };
        groups.filter_map(front_of).collect()
    }

    /// Whether a pane is to be seen.
    pub fn shows(&self, pane: Pane) -> bool {
        self.in_front().contains(&pane)
    }

    /// Opens a pane and puts it in front; those that are hidden with it come too.
    pub fn show(&mut self, pane: Pane) {
        match pane.kind() {
            Kind::Bodies => {}
            Kind::Side => self.is_side_shown = true,
            Kind::Time => self.is_time_shown = true,
        }
        self.panes.show(pane);
    }

    /// Puts a pane at a place and shows it.
    pub fn put_at(&mut self, pane: Pane, place: Place) {
        self.panes.put_at(pane, place);
        self.show(pane);
    }

    /// Hides all lists and forms where one is to be seen, and shows them again where none is; those that
    /// were closed only if there is no other.
    pub fn toggle_side(&mut self) {
        let mut side = Pane::ALL.into_iter().filter(|p| p.kind() == Kind::Side);
        self.is_side_shown = !side.clone().any(|pane| self.has(pane));
        if self.is_side_shown && !side.clone().any(|pane| self.has(pane)) {
            side.by_ref().for_each(|pane| self.panes.show(pane));
            self.panes.show(Pane::Faults);
        }
    }

    /// Curves in place of the tracks, or the tracks again; where they stand apart, opens or closes the
    /// curves.
    pub fn toggle_curves(&mut self) {
        let groups = self.panes.groups().into_iter();
        let mut groups = groups.filter(|(panes, _)| panes.contains(&Pane::Curves));
        let are_together = groups.any(|(panes, _)| panes.contains(&Pane::Tracks));
        match (self.shows(Pane::Curves), are_together) {
            (false, _) => self.show(Pane::Curves),
            (true, true) => self.show(Pane::Tracks),
            (true, false) => self.panes.close(Pane::Curves),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_go_up_and_down_and_stop_at_the_ends() {
        let mut layout = Layout::default();
        let mut seen = Vec::new();
        for _ in 0..12 {
            layout.scale_percent = layout.scaled(true);
            seen.push(layout.scale_percent);
        }
        assert_eq!(seen[..6], [115, 130, 150, 175, 200, 250]);
        assert_eq!(seen[11], 250);
        for _ in 0..12 {
            layout.scale_percent = layout.scaled(false);
        }
        assert_eq!(layout.scale_percent, 75);
        // From a scale that is none of these, as --scale may give it.
        layout.scale_percent = 110;
        assert_eq!(layout.scaled(true), 115);
        assert_eq!(layout.scaled(false), 100);
    }

    #[test]
    fn what_a_person_wrote_into_the_file_is_held_in_range() {
        let layout = Layout {
            window: [1, 90_000],
            scale_percent: 0,
            ..Layout::default()
        };
        let (checked, problem) = layout.checked();
        assert_eq!(checked.window, [64, 8192]);
        assert_eq!((checked.scale_percent, problem), (75, None));
        let usual = Layout::default();
        assert_eq!(usual.clone().checked(), (usual, None));
    }

    #[test]
    fn a_layout_of_another_version_stands_as_usual_and_it_is_said() {
        let mut layout = Layout {
            version: VERSION + 1,
            window: [800, 600],
            ..Layout::default()
        };
        layout.panes.mirror();
        let (checked, problem) = layout.checked();
        assert_eq!(
            (&checked.panes, checked.window),
            (&Panes::default(), [800, 600])
        );
        assert!(problem.unwrap().contains("another version"));
    }

    #[test]
    fn panes_are_hidden_and_come_back_as_they_stood() {
        let mut layout = Layout::default();
        assert_eq!(
            layout.in_front(),
            [Pane::Bodies, Pane::Faults, Pane::Tracks]
        );
        layout.show(Pane::Tune);
        let before = layout.clone();
        layout.toggle_side();
        assert_eq!(layout.in_front(), [Pane::Bodies, Pane::Tracks]);
        layout.toggle_side();
        assert_eq!(layout, before);
        // A pane that is asked for brings the others.
        layout.toggle_side();
        layout.show(Pane::Map);
        assert!(layout.shows(Pane::Map) && layout.has(Pane::Faults));
        // Behind a closed pane stands the next.
        layout.panes.close(Pane::Map);
        assert!(layout.shows(Pane::Faults) && !layout.has(Pane::Map));
        // With all of them closed the key brings all.
        for pane in [Pane::Faults, Pane::Tune, Pane::Presets] {
            layout.panes.close(pane);
        }
        layout.toggle_side();
        assert!(layout.shows(Pane::Faults) && layout.has(Pane::Map));
    }

    #[test]
    fn curves_and_tracks_change_places_or_stand_side_by_side() {
        let mut layout = Layout::default();
        layout.toggle_curves();
        assert!(layout.shows(Pane::Curves) && !layout.shows(Pane::Tracks));
        layout.toggle_curves();
        assert!(layout.shows(Pane::Tracks) && !layout.shows(Pane::Curves));
        layout.put_at(Pane::Curves, Place::Below);
        assert!(layout.shows(Pane::Tracks) && layout.shows(Pane::Curves));
        layout.toggle_curves();
        assert!(layout.shows(Pane::Tracks) && !layout.has(Pane::Curves));
        layout.toggle_curves();
        assert!(layout.shows(Pane::Tracks) && layout.shows(Pane::Curves));
    }
}
