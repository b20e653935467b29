//! Colours, type and spacing of the window, dark and light.

use bevy_egui::egui;
use egui::epaint::FontColorTransferFunction;
use egui::style::{Selection, WidgetVisuals};
use egui::{
    Button, Color32, Context, CornerRadius, FontFamily, FontId, Frame, Margin, Rect, Response,
    RichText, Stroke, TextStyle, Theme, Ui, Visuals,
};

use crate::state::command::{Command, key_of};
use crate::state::palette::Rgb;

/// A colour of the palette for the panels.
pub fn colour(rgb: Rgb) -> Color32 {
    Color32::from_rgb(rgb.0, rgb.1, rgb.2)
}

/// The same, see-through: `alpha` from 0 to 1. The window blends in linear light.
pub fn faint(rgb: Rgb, alpha: f32) -> Color32 {
    let [r, g, b, _] = rgb.linear();
    let [r, g, b] = [r, g, b].map(|value| encoded(value * alpha));
    Color32::from_rgba_premultiplied(r, g, b, (255.0 * alpha).round() as u8)
}

/// A linear value as it is written in 8 bits (IEC 61966-2-1).
fn encoded(value: f32) -> u8 {
    let written = match value <= 0.003_130_8 {
        true => 12.92 * value,
        false => 1.055 * value.powf(1.0 / 2.4) - 0.055,
    };
    (255.0 * written.clamp(0.0, 1.0)).round() as u8
}

/// Sets style and colours of a context.
pub fn apply(context: &Context, dark: bool) {
    let theme = if dark { Theme::Dark } else { Theme::Light };
    context.set_theme(theme);
    // Keys for the scale are in the list of actions, and the scale is kept.
    context.options_mut(|options| options.zoom_with_keyboard = false);
    context.set_visuals_of(theme, visuals(dark));
    context.all_styles_mut(|style| {
        let sized = |size: f32, family| FontId::new(size, family);
        style.text_styles = [
            (TextStyle::Heading, sized(15.5, FontFamily::Proportional)),
            (TextStyle::Body, sized(13.0, FontFamily::Proportional)),
            (TextStyle::Button, sized(13.0, FontFamily::Proportional)),
            (TextStyle::Small, sized(11.0, FontFamily::Proportional)),
            (TextStyle::Monospace, sized(12.5, FontFamily::Monospace)),
        ]
        .into();
        style.spacing.item_spacing = egui::vec2(6.0, 5.0);
        style.spacing.button_padding = egui::vec2(8.0, 3.0);
        style.spacing.interact_size.y = 22.0;
        style.spacing.slider_width = 130.0;
        style.interaction.selectable_labels = false;
    });
}

fn visuals(dark: bool) -> Visuals {
    let grey = |value: u8| Color32::from_rgb(value, value + 2, value + 6);
    let (panel, well, text, line, rest, hover, press) = match dark {
        true => (
            grey(26),
            grey(18),
            grey(222),
            grey(52),
            grey(44),
            grey(58),
            grey(72),
        ),
        false => (
            grey(240),
            grey(249),
            Color32::from_rgb(8, 9, 12),
            grey(196),
            grey(222),
            grey(208),
            grey(192),
        ),
    };
    let mut visuals = if dark {
        Visuals::dark()
    } else {
        Visuals::light()
    };
    let widget = |fill: Color32, stroke: Color32| WidgetVisuals {
        bg_fill: fill,
        weak_bg_fill: fill,
        bg_stroke: Stroke::NONE,
        corner_radius: CornerRadius::same(5),
        fg_stroke: Stroke::new(1.0, stroke),
        expansion: 0.0,
    };
    visuals.widgets.noninteractive = WidgetVisuals {
        bg_stroke: Stroke::new(1.0, line),
        ..widget(panel, text)
    };
    visuals.widgets.inactive = widget(rest, text);
    visuals.widgets.hovered = widget(hover, text);
    visuals.widgets.active = widget(press, text);
    visuals.widgets.open = widget(hover, text);
    visuals.selection = Selection {
        bg_fill: match dark {
            true => Color32::from_rgb(52, 92, 122),
            false => Color32::from_rgb(178, 212, 236),
        },
        stroke: Stroke::new(1.0, text),
    };
    if !dark {
        // Dark text on light is blended in linear light, which makes it thin.
        visuals.text_options.color_transfer_function = FontColorTransferFunction::Gamma(0.5);
    }
    visuals.panel_fill = panel;
    visuals.window_fill = panel;
    visuals.window_stroke = Stroke::new(1.0, line);
    visuals.extreme_bg_color = well;
    visuals.faint_bg_color = rest.gamma_multiply(0.5);
    visuals.weak_text_color = Some(text.gamma_multiply(if dark { 0.66 } else { 0.8 }));
    visuals.slider_trailing_fill = true;
    visuals
}

/// The frame of a panel with margins left and right, above and below.
pub fn panel_frame(ui: &Ui, sides: i8, ends: i8) -> Frame {
    Frame::new()
        .fill(ui.visuals().panel_fill)
        .inner_margin(Margin::symmetric(sides, ends))
}

/// Text that says what something is, smaller and quieter than what it says.
pub fn caption(text: impl Into<String>) -> RichText {
    RichText::new(text).small().weak()
}

/// A button that sends a command; its hint names the key.
pub fn button(
    ui: &mut Ui,
    text: &str,
    hint: &str,
    command: Command,
    out: &mut Vec<Command>,
) -> Response {
    sends(ui.button(text), hint, command, out)
}

/// A button that looks pressed while `on`.
pub fn toggle(
    ui: &mut Ui,
    on: bool,
    text: &str,
    hint: &str,
    command: Command,
    out: &mut Vec<Command>,
) -> Response {
    sends(ui.add(Button::selectable(on, text)), hint, command, out)
}

fn sends(response: Response, hint: &str, command: Command, out: &mut Vec<Command>) -> Response {
    let key = key_of(&command);
    let hint = match key.is_empty() {
        true => hint.to_owned(),
        false => format!("{hint} ({key})"),
    };
    if response.clicked() {
        out.push(command);
    }
    response.on_hover_text(hint)
}

/// The ground of a row that is chosen, or pointed at.
pub fn row_ground(ui: &Ui, rect: Rect, response: &Response, is_chosen: bool) {
    let visuals = ui.visuals();
    if is_chosen || response.hovered() {
        let fill = match is_chosen {
            true => visuals.selection.bg_fill,
            false => visuals.widgets.hovered.bg_fill,
        };
        ui.painter().rect_filled(rect, 4.0, fill);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_written_and_read_back() {
        for value in 0..=255 {
            let [linear, ..] = Rgb(value, 0, 0).linear();
            assert_eq!(encoded(linear), value);
        }
        assert_eq!(faint(Rgb(12, 34, 56), 1.0), colour(Rgb(12, 34, 56)));
    }
}
