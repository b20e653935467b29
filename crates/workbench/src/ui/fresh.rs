//! Which frames show what was chosen last: a thin bar below the ruler.

use bevy_egui::egui;
use egui::{Rect, Sense, Stroke, Ui, WidgetInfo, WidgetType, vec2};

use super::theme::colour;
use super::tracks::Axis;
use crate::state::palette;
use crate::state::session::Session;

const HEIGHT: f32 = 5.0;

/// Draws the bar: full where frames are fresh, a line where they are yet to come. It keeps its place
/// when there is nothing to show, so that no track jumps.
pub fn show(ui: &mut Ui, session: &Session, axis: Axis) {
    let size = vec2(ui.available_width(), HEIGHT);
    let (rect, response) = ui.allocate_exact_size(size, Sense::hover());
    let (Some(fresh), true) = (session.live.fresh(), session.solved.is_some()) else {
        return;
    };
    let words = words(&fresh);
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Label, true, &words));
    let area = Rect::from_x_y_ranges(axis.x_range(), rect.y_range());
    let painter = ui.painter().with_clip_rect(area);
    painter.hline(
        axis.x_range(),
        rect.center().y,
        Stroke::new(1.0, ui.visuals().weak_text_color()),
    );
    for (first, last) in &fresh {
        let (left, right) = (axis.x(*first as f64), axis.x(*last as f64 + 1.0));
        let frames = Rect::from_x_y_ranges(left..=right.max(left + 3.0), rect.y_range());
        painter.rect_filled(frames, 1.0, colour(palette::GREEN));
    }
    response.on_hover_text(words);
}

fn words(fresh: &[(usize, usize)]) -> String {
    let ranges: Vec<String> = fresh
        .iter()
        .map(|(first, last)| match first == last {
            true => format!("{first}"),
            false => format!("{first} to {last}"),
        })
        .collect();
    match ranges.is_empty() {
        true => "No frame shows the last change yet; measures and faults are older too.".to_owned(),
        false => format!(
            "These frames show the last change: {}. The others follow; measures and faults are \
             older too.",
            ranges.join(", ")
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bar_names_its_frames() {
        let named = words(&[(7, 7), (20, 45)]);
        assert!(named.contains("7, 20 to 45."), "{named}");
        assert!(words(&[]).starts_with("No frame"));
    }
}
