//! Sizes of panels that a person drags, and that are set from elsewhere.

use bevy_egui::egui;
use egui::{Id, Ui};

use crate::state::layout::Layout;

/// The sizes that the panels have, as far as they are known here.
#[derive(Debug, Default)]
pub struct Panels {
    /// Width of the one, height of the other, in the layout that was seen last.
    sizes: Option<(u32, Option<u32>)>,
    /// Counts how often they were set from elsewhere.
    round: u32,
}

impl Panels {
    /// Takes note of a layout: where its sizes are not those that were dragged here, panels begin
    /// anew with them.
    pub fn follow(&mut self, layout: &Layout) {
        if self.sizes != Some(sizes(layout)) {
            self.round += 1;
        }
        self.keep(layout);
    }

    /// Takes note of sizes that were dragged.
    pub fn keep(&mut self, layout: &Layout) {
        self.sizes = Some(sizes(layout));
    }

    /// The name under which a panel remembers its size.
    pub fn id(&self, panel: &str) -> Id {
        Id::new((panel, self.round))
    }
}

fn sizes(layout: &Layout) -> (u32, Option<u32>) {
    (layout.side_width, layout.time_height)
}

/// Whether the edge of a panel is being dragged, or was let go. Only that is worth keeping: in a small
/// window a panel may get less room than a person gave it.
pub fn is_dragged(ui: &Ui, panel: Id) -> bool {
    let edge = ui.read_response(panel.with("__resize"));
    edge.is_some_and(|edge| edge.dragged() || edge.drag_stopped())
}
