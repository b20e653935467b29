//! Curves of a joint, on the same axis of frames as the tracks: take, plain transfer, result,
//! told apart by dash and width, with their values at the frame that is shown.

use bevy_egui::egui;
use egui::{
    Align2, Color32, ComboBox, FontId, PointerButton, Pos2, Rect, Sense, Shape, Stroke, Ui,
    UiBuilder, WidgetInfo, WidgetType, pos2, vec2,
};
use egui_plot::{HLine, Line, LineStyle, Plot, PlotBounds, PlotPoints};

use super::Memory;
use super::theme::{caption, colour, faint};
use super::tracks::{Axis, step_of};
use crate::state::command::Command;
use crate::state::curves::{Curve, Curves, Part, Quantity, Source};
use crate::state::palette::{self, Rgb};
use crate::state::session::Session;

/// Length of the piece of line in the legend, points.
const LINE: f32 = 34.0;
/// Points between two marks of the upright axis, at least.
const MARK: f32 = 26.0;

/// How the line of a source is drawn.
struct Look {
    rgb: Rgb,
    width: f32,
    style: LineStyle,
}

fn look(source: Source) -> Look {
    let (rgb, width, style) = match source {
        Source::Take => (palette::SKY, 1.5, LineStyle::Dashed { length: 9.0 }),
        Source::Plain => (palette::ORANGE, 1.5, LineStyle::Dotted { spacing: 5.0 }),
        Source::Other => (palette::PURPLE, 3.0, LineStyle::Dashed { length: 16.0 }),
        Source::Result => (palette::GREEN, 2.2, LineStyle::Solid),
    };
    Look { rgb, width, style }
}

/// Draws what is chosen, the values, and the curves; returns where these begin.
pub fn show(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    axis: Axis,
    out: &mut Vec<Command>,
) -> f32 {
    ui.add_space(2.0);
    // Taken out, so that the rest of the memory can be changed while it is read.
    let mut kept = std::mem::take(&mut memory.curves);
    let curves = kept.of(session);
    ui.horizontal_wrapped(|ui| {
        choices(ui, session, out);
        ui.separator();
        values(ui, session, curves.unwrap_or_default());
    });
    let top = ui.available_rect_before_wrap().top();
    match curves {
        Ok(curves) => plot(ui, session, memory, axis, curves, out),
        Err(problem) => {
            ui.label(caption(problem));
        }
    }
    memory.curves = kept;
    top
}

fn choices(ui: &mut Ui, session: &Session, out: &mut Vec<Command>) {
    let before = session.curves;
    let mut curves = before;
    let words = |part: Option<Part>| part.map_or("chosen joint".to_owned(), Part::words);
    // The name of the joint itself, once there is one.
    let shown = match (curves.part, session.joint) {
        (None, Some((who, joint))) => session.joint_words(who, joint),
        (part, _) => words(part),
    };
    ComboBox::from_id_salt("part")
        .width(104.0)
        .selected_text(shown)
        .show_ui(ui, |ui| {
            ui.selectable_value(&mut curves.part, None, words(None))
                .on_hover_text("The joint that is chosen in a view or in the map (F3).");
            for part in Part::ALL {
                ui.selectable_value(&mut curves.part, Some(part), part.words());
            }
        })
        .response
        .on_hover_text(
            "Whose curves: a part of the body, or the joint chosen in a view or in the map (F3).",
        );
    ComboBox::from_id_salt("quantity")
        .width(76.0)
        .selected_text(curves.quantity.word())
        .show_ui(ui, |ui| {
            for quantity in Quantity::ALL {
                ui.selectable_value(&mut curves.quantity, quantity, quantity.word())
                    .on_hover_text(quantity.help());
            }
        })
        .response
        .on_hover_text(curves.quantity.help());
    ui.checkbox(&mut curves.is_scaled, "character's size")
        .on_hover_text("Scale the take to the character's size, so that the curves compare.");
    let is_standard = before == Curves::default();
    let reset = ui.add_enabled(!is_standard, egui::Button::new("↺").small());
    if reset
        .on_hover_text("Back to the height of the pelvis")
        .clicked()
    {
        curves = Curves::default();
    }
    if curves != before {
        out.push(Command::SetCurves(curves));
    }
}

/// The legend: how each line is drawn, whose it is, and its value at the frame that is shown.
fn values(ui: &mut Ui, session: &Session, curves: &[Curve]) {
    let quantity = session.curves.quantity;
    for curve in curves {
        let value = match curve.values.get(session.clock.frame()) {
            Some(value) => format!("{value:.*} {}", quantity.digits(), quantity.unit()),
            None => "–".to_owned(),
        };
        let words = format!("{} {value}", curve.source.word());
        // The line and its words stay together where the legend is broken.
        let font = egui::TextStyle::Body.resolve(ui.style());
        let text = ui.visuals().text_color();
        let galley = ui.painter().layout_no_wrap(words.clone(), font, text);
        let size = galley.size() + vec2(LINE + 18.0, 0.0);
        let height = size.y.max(ui.spacing().interact_size.y);
        let (rect, response) = ui.allocate_exact_size(vec2(size.x, height), Sense::hover());
        response.widget_info(|| WidgetInfo::labeled(WidgetType::Label, true, &words));
        let left = rect.left_center();
        sample(ui, [left, left + vec2(LINE, 0.0)], &look(curve.source));
        let at = left + vec2(LINE + 6.0, -0.5 * galley.size().y);
        ui.painter().galley(at, galley, text);
    }
}

fn sample(ui: &Ui, ends: [Pos2; 2], look: &Look) {
    let stroke = Stroke::new(look.width, colour(look.rgb));
    let painter = ui.painter();
    match look.style {
        LineStyle::Solid => {
            painter.line_segment(ends, stroke);
        }
        LineStyle::Dashed { length } => {
            painter.extend(Shape::dashed_line(&ends, stroke, length, 0.6 * length));
        }
        LineStyle::Dotted { spacing } => {
            painter.extend(Shape::dotted_line(
                &ends,
                stroke.color,
                spacing,
                look.width / 2.0,
            ));
        }
    }
}

fn plot(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    axis: Axis,
    curves: &[Curve],
    out: &mut Vec<Command>,
) {
    let space = ui.available_rect_before_wrap();
    let area = Rect::from_x_y_ranges(axis.x(axis.first())..=axis.x(axis.last()), space.y_range());
    if area.height() < 2.0 * MARK {
        return;
    }
    let mut lines: Vec<(&Curve, Vec<[f64; 2]>)> = curves
        .iter()
        .map(|curve| (curve, without_level_points(points(&curve.values, axis))))
        .collect();
    // Where curves are one, dashes show on dots and not the other way round.
    lines.sort_by_key(|(curve, _)| curve.source != Source::Plain);
    let all = lines.iter().flat_map(|(_, points)| points).map(|[_, y]| *y);
    let (low, high) = span(all, session.curves.quantity);
    let marks = marks(low, high, area.height());
    let weak = ui.visuals().weak_text_color();
    let grid = weak.gamma_multiply(0.25);
    let mut inner = ui.new_child(UiBuilder::new().max_rect(area));
    let shown = Plot::new("curves")
        .show_axes(false)
        .show_grid(false)
        .show_x(false)
        .show_y(false)
        .allow_zoom(false)
        .allow_drag(false)
        .allow_scroll(false)
        .allow_boxed_zoom(false)
        .allow_axis_zoom_drag(false)
        .allow_double_click_reset(false)
        .show_crosshair(false)
        .show(&mut inner, |plot| {
            plot.set_plot_bounds(PlotBounds::from_min_max(
                [axis.first(), low],
                [axis.last(), high],
            ));
            for mark in &marks {
                plot.hline(
                    HLine::new("", *mark)
                        .color(grid)
                        .width(1.0)
                        .allow_hover(false),
                );
            }
            for (curve, points) in lines {
                let look = look(curve.source);
                let line = Line::new(curve.source.word(), PlotPoints::from(points))
                    .color(colour(look.rgb))
                    .width(look.width)
                    .style(look.style)
                    .allow_hover(false);
                plot.line(line);
            }
        });
    ui.allocate_rect(space, Sense::hover());
    let y = |value: f64| shown.transform.position_from_point_y(value);
    upright_axis(ui, session.curves.quantity, &marks, area, y);
    // Where the frame that is shown meets the curves.
    let x = axis.x(session.clock.frame() as f64);
    if (area.left()..=area.right()).contains(&x) {
        for curve in curves {
            if let Some(value) = curve.values.get(session.clock.frame()) {
                let edge = Stroke::new(1.0, Color32::from_black_alpha(160));
                let shade = colour(look(curve.source).rgb);
                ui.painter().circle(pos2(x, y(*value)), 3.5, shade, edge);
            }
        }
    }
    steer(ui, session, memory, axis, &shown.response, out);
}

/// A drag or a click goes to a frame, as on the ruler; a drag with the right button moves along, and
/// the wheel brings frames nearer.
fn steer(
    ui: &Ui,
    session: &Session,
    memory: &mut Memory,
    axis: Axis,
    response: &egui::Response,
    out: &mut Vec<Command>,
) {
    let last = session.clock.last() as f64;
    let is_moving =
        response.dragged_by(PointerButton::Secondary) || response.dragged_by(PointerButton::Middle);
    if is_moving {
        let along = response.drag_delta().x;
        memory.shown_frames = axis.moved(axis.x(axis.first()), 1.0, along, last);
    } else if (response.dragged() || response.clicked())
        && let Some(pointer) = response.interact_pointer_pos()
    {
        let frame = axis.frame(pointer.x).round().clamp(0.0, last);
        out.push(Command::Seek(frame as usize));
    }
    let wheel = ui.input(|input| input.smooth_scroll_delta().y);
    if let Some(pointer) = response.hover_pos()
        && wheel != 0.0
        && last > 2.0
    {
        memory.shown_frames = axis.moved(pointer.x, (wheel * 0.0025).exp(), 0.0, last);
    }
}

/// The points of a curve that are shown: each frame, or where many share a column its least and its
/// greatest.
fn points(values: &[f64], axis: Axis) -> Vec<[f64; 2]> {
    let width = f64::from(axis.x(axis.last()) - axis.x(axis.first()));
    let frame = |at: f64| (at.max(0.0) as usize).min(values.len().saturating_sub(1));
    let (first, last) = (frame(axis.first().floor()), frame(axis.last().ceil()));
    if axis.last() - axis.first() < 2.0 * width {
        let shown = values.iter().enumerate().take(last + 1).skip(first);
        return shown.map(|(at, value)| [at as f64, *value]).collect();
    }
    let columns = axis.columns(values.len());
    columns
        .flat_map(|(x, frames)| {
            let all = values.get(frames).unwrap_or_default().iter().copied();
            let (low, high) = all.fold((f64::MAX, f64::MIN), |(low, high), value| {
                (low.min(value), high.max(value))
            });
            let at = axis.frame(x);
            [[at, low], [at, high]]
        })
        .filter(|[_, value]| value.abs() < f64::MAX)
        .collect()
}

/// The points without those in the middle of a level stretch: a dash that is drawn in one piece is
/// not torn where frames meet.
fn without_level_points(points: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    /// Values that are drawn at one height.
    const SAME: f64 = 1e-9;
    let is_level = |at: usize| {
        let near = at
            .checked_sub(1)
            .and_then(|from| points.get(from..from + 3));
        near.is_some_and(|near| {
            (near[0][1] - near[1][1])
                .abs()
                .max((near[2][1] - near[1][1]).abs())
                < SAME
        })
    };
    let all = points.iter().enumerate();
    all.filter(|(at, _)| !is_level(*at))
        .map(|(_, point)| *point)
        .collect()
}

/// Least and greatest value with some room; never so near that noise fills the picture.
fn span(values: impl Iterator<Item = f64>, quantity: Quantity) -> (f64, f64) {
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), value| {
        (low.min(value), high.max(value))
    });
    if low > high {
        return (0.0, 1.0);
    }
    let least = match quantity {
        Quantity::Angle => 2.0,
        _ => 0.02,
    };
    let half = (0.56 * (high - low)).max(0.5 * least);
    let middle = 0.5 * (low + high);
    (middle - half, middle + half)
}

/// Round values of the upright axis.
fn marks(low: f64, high: f64, height: f32) -> Vec<f64> {
    let step = step_of((high - low) * f64::from(MARK / height.max(1.0)));
    let first = (low / step).ceil() as i64;
    let last = (high / step).floor() as i64;
    (first..=last).map(|mark| mark as f64 * step).collect()
}

fn upright_axis(ui: &Ui, quantity: Quantity, marks: &[f64], area: Rect, y: impl Fn(f64) -> f32) {
    let painter = ui.painter();
    let text = ui.visuals().text_color();
    let weak = ui.visuals().weak_text_color();
    let left = ui.max_rect().left();
    let at = pos2(left, area.top() + 10.0);
    let font = FontId::proportional(12.0);
    painter.text(at, Align2::LEFT_CENTER, quantity.word(), font, text);
    let small = FontId::proportional(10.0);
    let below = at + vec2(0.0, 13.0);
    painter.text(
        below,
        Align2::LEFT_CENTER,
        quantity.unit(),
        small.clone(),
        weak,
    );
    let step = marks
        .windows(2)
        .next()
        .map_or(1.0, |pair| pair[1] - pair[0]);
    let digits = (-step.log10()).ceil().clamp(0.0, 4.0) as usize;
    for mark in marks {
        let at = pos2(area.left() - 5.0, y(*mark));
        if area.y_range().shrink(5.0).contains(at.y) {
            let mark = format!("{:.digits$}", mark + 0.0);
            painter.text(at, Align2::RIGHT_CENTER, mark, small.clone(), weak);
        }
    }
    painter.vline(
        area.left(),
        area.y_range(),
        Stroke::new(1.0, faint(palette::MIDDLE, 0.25)),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_line_is_told_apart_without_its_colour() {
        let all = [Source::Take, Source::Plain, Source::Other, Source::Result].map(look);
        for (at, one) in all.iter().enumerate() {
            for other in &all[at + 1..] {
                assert!(one.style != other.style, "{:?}", one.style);
            }
        }
    }

    #[test]
    fn marks_are_round_and_lie_within() {
        let found = marks(0.71, 0.93, 104.0);
        assert_eq!(found.len(), 2);
        for (mark, expected) in found.iter().zip([0.8, 0.9]) {
            assert!((mark - expected).abs() < 1e-12, "{found:?}");
        }
        let (low, high) = span([0.5, 0.5].into_iter(), Quantity::Height);
        assert!(low < 0.495 && high > 0.505);
        assert_eq!(span(std::iter::empty(), Quantity::Angle), (0.0, 1.0));
    }

    #[test]
    fn a_level_curve_is_one_line_and_corners_are_kept() {
        let level = vec![0.25; 1000];
        for axis in [
            Axis::new(0.0, 50.0, 0.0, 999.0),
            Axis::new(0.0, 50.0, 600.0, 640.0),
        ] {
            let all = points(&level, axis);
            let shown = without_level_points(all.clone());
            assert_eq!(shown, [all[0], all[all.len() - 1]]);
        }
        let step: Vec<[f64; 2]> = (0..9)
            .map(|at| [f64::from(at), f64::from(at / 5)])
            .collect();
        let shown = without_level_points(step);
        assert_eq!(shown, [[0.0, 0.0], [4.0, 0.0], [5.0, 1.0], [8.0, 1.0]]);
        assert_eq!(without_level_points(Vec::new()), Vec::<[f64; 2]>::new());
    }

    #[test]
    fn peaks_are_kept_where_frames_share_a_column() {
        let axis = Axis::new(0.0, 50.0, 0.0, 999.0);
        let mut values = vec![0.0; 1000];
        values[617] = 9.0;
        values[618] = -7.0;
        let ys: Vec<f64> = points(&values, axis).into_iter().map(|[_, y]| y).collect();
        assert!(ys.len() <= 100 && ys.contains(&9.0) && ys.contains(&-7.0));
        let near = Axis::new(0.0, 50.0, 600.4, 640.0);
        let shown = points(&values, near);
        assert_eq!((shown[0], shown.len()), ([600.0, 0.0], 41));
    }
}
