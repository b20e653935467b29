//! How the window is laid out: which panels stand where, how large they are, and the scale of everything.

use serde::{Deserialize, Serialize};

use super::command::SidePanel;

/// Scales that can be chosen, per cent of the usual size.
pub const SCALES_PERCENT: [u32; 9] = [75, 85, 100, 115, 130, 150, 175, 200, 250];

/// Least and greatest width and height of the window, points.
const WINDOW: [u32; 2] = [64, 8192];

/// The layout. Lengths are points: pixels at a scale of 100 % on a usual screen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Layout {
    /// Width and height of the window.
    pub window: [u32; 2],
    /// Whether the panel at the side is shown.
    pub is_side_shown: bool,
    /// Whether it stands at the left.
    pub is_side_left: bool,
    /// Its width.
    pub side_width: u32,
    /// Which panel it is.
    pub panel: SidePanel,
    /// Whether the panel of time is shown, with tracks or curves.
    pub is_time_shown: bool,
    /// Its height; as much as fits well where absent.
    pub time_height: Option<u32>,
    /// Scale of everything, per cent.
    pub scale_percent: u32,
}

impl Default for Layout {
    fn default() -> Self {
        Self {
            window: [1440, 900],
            is_side_shown: true,
            is_side_left: false,
            side_width: 316,
            panel: SidePanel::Faults,
            is_time_shown: true,
            time_height: None,
            scale_percent: 100,
        }
    }
}

impl Layout {
    /// The layout as it was kept, with everything in its range: a person may have changed the file.
    pub fn checked(self) -> Self {
        let [least, most] = WINDOW;
        let [smallest, .., largest] = SCALES_PERCENT;
        Self {
            window: self.window.map(|side| side.clamp(least, most)),
            side_width: self.side_width.clamp(220, most),
            time_height: self.time_height.map(|height| height.clamp(40, most)),
            scale_percent: self.scale_percent.clamp(smallest, largest),
            ..self
        }
    }

    /// The next larger scale, or the next smaller one; the same at the end.
    pub fn scaled(self, larger: bool) -> Self {
        let now = self.scale_percent;
        let mut scales = SCALES_PERCENT.into_iter();
        let next = match larger {
            true => scales.find(|scale| *scale > now),
            false => scales.rfind(|scale| *scale < now),
        };
        Self {
            scale_percent: next.unwrap_or(now),
            ..self
        }
    }

    /// The usual layout; the window stays as large as it is, and the scale as it was chosen.
    pub fn reset(self) -> Self {
        Self {
            window: self.window,
            scale_percent: self.scale_percent,
            ..Self::default()
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
            layout = layout.scaled(true);
            seen.push(layout.scale_percent);
        }
        assert_eq!(seen[..6], [115, 130, 150, 175, 200, 250]);
        assert_eq!(seen[11], 250);
        for _ in 0..12 {
            layout = layout.scaled(false);
        }
        assert_eq!(layout.scale_percent, 75);
        // From a scale that is none of these, as --scale may give it.
        layout.scale_percent = 110;
        assert_eq!(layout.scaled(true).scale_percent, 115);
        assert_eq!(layout.scaled(false).scale_percent, 100);
    }

    #[test]
    fn what_a_person_wrote_into_the_file_is_held_in_range() {
        let layout = Layout {
            window: [1, 90_000],
            side_width: 3,
            time_height: Some(1_000_000),
            scale_percent: 0,
            ..Layout::default()
        };
        let checked = layout.checked();
        assert_eq!(checked.window, [64, 8192]);
        assert_eq!((checked.side_width, checked.scale_percent), (220, 75));
        assert_eq!(checked.time_height, Some(8192));
        assert_eq!(Layout::default().checked(), Layout::default());
    }
}
