//! Tracks below the ruler: faults, contacts, slides, knees, depths, all on one axis of frames.

use bevy_egui::egui;
use egui::{
    Align2, Color32, FontId, Painter, Pos2, Rect, ScrollArea, Sense, Shape, Stroke, Ui, pos2, vec2,
};
use understudy_measure::Report;

use super::faults::sign;
use super::theme::{colour, faint};
use super::{Memory, contact_rows, curves, touch_rows};
use crate::state::command::Command;
use crate::state::palette::{self, Rgb};
use crate::state::panes::Pane;
use crate::state::session::Session;
use crate::state::stage::Who;

const LABELS: f32 = 118.0;
const RULER: f32 = 24.0;
const FAULTS: f32 = 18.0;
const CURVE: f32 = 30.0;

/// Frames to places.
#[derive(Clone, Copy)]
pub struct Axis {
    left: f32,
    right: f32,
    first: f64,
    last: f64,
}

impl Axis {
    /// From where to where it goes.
    pub fn x_range(&self) -> std::ops::RangeInclusive<f32> {
        self.left..=self.right
    }

    /// An axis from a place to a place, from a frame to a frame.
    #[cfg(test)]
    pub fn new(left: f32, right: f32, first: f64, last: f64) -> Self {
        Self {
            left,
            right,
            first,
            last,
        }
    }

    /// First frame that is shown, with its fraction.
    pub fn first(&self) -> f64 {
        self.first
    }

    /// Last frame that is shown, with its fraction.
    pub fn last(&self) -> f64 {
        self.last
    }

    /// The place of a frame.
    pub fn x(&self, frame: f64) -> f32 {
        let share = (frame - self.first) / (self.last - self.first).max(1e-9);
        self.left + (self.right - self.left) * share as f32
    }

    /// The frame at a place, with its fraction.
    pub fn frame(&self, x: f32) -> f64 {
        let share = f64::from((x - self.left) / (self.right - self.left).max(1.0));
        self.first + share * (self.last - self.first)
    }

    /// The frames that are shown once they came nearer by a factor around a place, and moved along
    /// by points; `None` where that is all of a take that ends at `last`.
    pub fn moved(&self, x: f32, factor: f32, along: f32, last: f64) -> Option<(f64, f64)> {
        /// Frames that are shown at least.
        const FEWEST: f64 = 8.0;
        let shown = self.last - self.first;
        let length = (shown / f64::from(factor)).clamp(FEWEST.min(last), last);
        let middle = self.frame(x);
        let before = (middle - self.first) / shown.max(1e-9) * length;
        let width = f64::from(self.right - self.left).max(1.0);
        let shift = f64::from(along) / width * length;
        // At an end of the take the length stays.
        let first = (middle - before - shift).clamp(0.0, last - length);
        (length < last - 1e-6).then_some((first, first + length))
    }

    /// Columns of a pixel each: place and the frames in it.
    pub fn columns(
        &self,
        frames: usize,
    ) -> impl Iterator<Item = (f32, std::ops::RangeInclusive<usize>)> {
        let axis = *self;
        let count = (axis.right - axis.left).max(0.0) as usize;
        (0..count).map(move |column| {
            let x = axis.left + column as f32 + 0.5;
            let most = frames.saturating_sub(1);
            let frame = |x: f32| (axis.frame(x).round().max(0.0) as usize).min(most);
            (x, frame(x - 0.5)..=frame(x + 0.5))
        })
    }
}

/// Draws the ruler, with the tracks or the curves below it.
pub fn show(
    ui: &mut Ui,
    session: &Session,
    memory: &mut Memory,
    pane: Pane,
    out: &mut Vec<Command>,
) {
    let last = session.clock.last() as f64;
    let (first_shown, last_shown) = memory.shown_frames.unwrap_or((0.0, last.max(1.0)));
    let space = ui.available_rect_before_wrap();
    let axis = Axis {
        left: space.left() + LABELS,
        right: space.right() - 12.0,
        first: first_shown,
        last: last_shown,
    };
    let ruler = Rect::from_min_size(space.min, vec2(space.width(), RULER));
    ui.allocate_rect(ruler, Sense::hover());
    draw_ruler(ui, session, axis, ruler);
    scrub(ui, session, axis, ruler, out);
    super::fresh::show(ui, session, axis);
    // Where what lies over time begins.
    let top = match pane {
        Pane::Curves => curves::show(ui, session, memory, axis, out),
        _ => {
            ScrollArea::vertical()
                .auto_shrink([false, false])
                .show(ui, |ui| rows(ui, session, memory, axis, out));
            ruler.bottom()
        }
    };
    zoom(ui, memory, axis, space, last);
    let x = axis.x(session.clock.frame() as f64);
    if (axis.left..=axis.right).contains(&x) {
        let head = ui.painter().with_clip_rect(space);
        for range in [ruler.y_range(), egui::Rangef::new(top, space.bottom())] {
            head.vline(x, range, Stroke::new(1.5, ui.visuals().text_color()));
        }
        let top = pos2(x, ruler.bottom());
        let points = vec![top, top + vec2(-5.0, -7.0), top + vec2(5.0, -7.0)];
        head.add(Shape::convex_polygon(
            points,
            ui.visuals().text_color(),
            Stroke::NONE,
        ));
    }
}

fn draw_ruler(ui: &Ui, session: &Session, axis: Axis, rect: Rect) {
    let painter = ui.painter();
    let area = Rect::from_x_y_ranges(axis.left..=axis.right, rect.y_range());
    painter.rect_filled(area, 3.0, ui.visuals().extreme_bg_color);
    let weak = ui.visuals().weak_text_color();
    if let Some((first, last)) = session.clock.range() {
        let part =
            Rect::from_x_y_ranges(axis.x(first as f64)..=axis.x(last as f64), rect.y_range());
        painter.rect_filled(part.intersect(area), 0.0, ui.visuals().selection.bg_fill);
    }
    painter.text(
        rect.left_center(),
        Align2::LEFT_CENTER,
        "seconds",
        FontId::proportional(11.0),
        weak,
    );
    let frame_time_secs = session.clock.frame_time_secs();
    let shown_secs = (axis.last - axis.first) * frame_time_secs;
    let step_secs = step_of(shown_secs * 70.0 / f64::from(area.width().max(1.0)));
    let mut mark = (axis.first * frame_time_secs / step_secs).ceil() as i64;
    while mark as f64 * step_secs <= axis.last * frame_time_secs + 1e-9 {
        let secs = mark as f64 * step_secs;
        let x = axis.x(secs / frame_time_secs);
        painter.vline(
            x,
            rect.bottom() - 6.0..=rect.bottom(),
            Stroke::new(1.0, weak),
        );
        let digits = if step_secs < 0.1 {
            2
        } else {
            usize::from(step_secs < 1.0)
        };
        let text = format!("{secs:.digits$}");
        painter.text(
            pos2(x, rect.top() + 2.0),
            Align2::CENTER_TOP,
            text,
            FontId::proportional(11.0),
            weak,
        );
        mark += 1;
    }
}

/// The next of 1, 2, 5, 10 … at or above a number.
pub fn step_of(least: f64) -> f64 {
    let least = least.max(1e-3);
    let ten = 10f64.powf(least.log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|factor| factor * ten);
    steps
        .into_iter()
        .find(|step| *step >= least)
        .unwrap_or(10.0 * ten)
}

/// A drag on the ruler moves time; with Shift it chooses the part that is played.
fn scrub(ui: &Ui, session: &Session, axis: Axis, ruler: Rect, out: &mut Vec<Command>) {
    let response = ui.interact(ruler, ui.id().with("ruler"), Sense::click_and_drag());
    let Some(pointer) = response.interact_pointer_pos() else {
        return;
    };
    let frame = axis
        .frame(pointer.x)
        .round()
        .clamp(0.0, session.clock.last() as f64) as usize;
    let is_range = ui.input(|input| input.modifiers.shift);
    let start = ui.input(|input| input.pointer.press_origin());
    match (is_range, start) {
        (true, Some(start)) if response.dragged() => {
            let from = axis.frame(start.x).round().max(0.0) as usize;
            out.push(Command::SetRange(Some((from, frame))));
        }
        (false, _)
            if response.dragged() || response.clicked() || response.is_pointer_button_down_on() =>
        {
            out.push(Command::Seek(frame));
        }
        _ => {}
    }
}

/// The wheel with Ctrl, or a pinch, brings frames nearer; a sideways wheel moves along them.
fn zoom(ui: &Ui, memory: &mut Memory, axis: Axis, space: Rect, last: f64) {
    let Some(pointer) = ui.input(|input| input.pointer.hover_pos()) else {
        return;
    };
    if !space.contains(pointer) || last < 2.0 {
        return;
    }
    let (factor, along) = ui.input(|input| (input.zoom_delta(), input.smooth_scroll_delta().x));
    if factor == 1.0 && along == 0.0 {
        return;
    }
    memory.shown_frames = axis.moved(pointer.x, factor, along, last);
}

fn rows(ui: &mut Ui, session: &Session, memory: &mut Memory, axis: Axis, out: &mut Vec<Command>) {
    ui.spacing_mut().item_spacing.y = 2.0;
    let Some((_, motion)) = session.measured(Who::Character) else {
        ui.label(super::theme::caption(
            "tracks come with a take and a character",
        ));
        return;
    };
    if session.solved.is_none() {
        ui.label(super::theme::caption(
            "tracks come when the take has been carried over",
        ));
        return;
    }
    fault_row(ui, session, axis, out);
    contact_rows::show(ui, session, memory, axis, out);
    touch_rows::show(ui, session, axis, out);
    let Some(report) = &motion.report else {
        return;
    };
    let take = session
        .stage
        .performer
        .as_ref()
        .and_then(|actor| actor.motion(false)?.report.as_ref());
    for (label, measure, unit, least) in [
        ("slide", "slide_mm_per_frame", "mm/frame", 1.0),
        ("sinking", "sinking_mm", "mm", 2.0),
    ] {
        let curves = curves_of(report, measure);
        curve_row(ui, axis, label, unit, least, &curves, &[]);
    }
    let depths = motion
        .touches
        .iter()
        .fold(Vec::new(), |mut deepest: Vec<f64>, touch| {
            deepest.resize(touch.depths_mm.len(), 0.0);
            for (deep, depth) in deepest.iter_mut().zip(&touch.depths_mm) {
                *deep = deep.max(*depth);
            }
            deepest
        });
    let deepest = [(palette::VERMILLION, depths.as_slice())];
    curve_row(ui, axis, "into each other", "mm", 10.0, &deepest, &[]);
    let bends = curves_of(report, "knee_bend_deg");
    let own = take
        .map(|take| curves_of(take, "knee_bend_deg"))
        .unwrap_or_default();
    for (at, bend) in bends.iter().enumerate() {
        let name = report
            .series
            .iter()
            .filter(|series| series.measure == "knee_bend_deg")
            .nth(at);
        let label = format!("{} knee", name.map_or("", |series| &series.part));
        let beside = own.get(at).copied().into_iter().collect::<Vec<_>>();
        curve_row(ui, axis, &label, "° (thin: take)", 30.0, &[*bend], &beside);
    }
}

/// The series of a measure, each in the colour of its side.
fn curves_of<'a>(report: &'a Report, measure: &str) -> Vec<(Rgb, &'a [f64])> {
    let series = report
        .series
        .iter()
        .filter(|series| series.measure == measure);
    series
        .map(|series| {
            let side = match series.part.starts_with("left") {
                true => understudy_anatomy::Side::Left,
                false => understudy_anatomy::Side::Right,
            };
            (palette::side(side), series.values.as_slice())
        })
        .collect()
}

/// A row: its label is drawn, its area returned.
pub fn row(ui: &mut Ui, axis: Axis, height: f32, label: &str, unit: &str) -> (Painter, Rect) {
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::hover());
    let area = Rect::from_x_y_ranges(axis.left..=axis.right, rect.y_range());
    let painter = ui.painter().clone();
    painter.rect_filled(area, 2.0, ui.visuals().extreme_bg_color);
    let font = FontId::proportional(12.0);
    let text = ui.visuals().text_color();
    let at = match unit.is_empty() {
        true => rect.left_center(),
        false => rect.left_center() - vec2(0.0, 6.0),
    };
    painter.text(at, Align2::LEFT_CENTER, label, font, text);
    let below = rect.left_center() + vec2(0.0, 7.0);
    painter.text(
        below,
        Align2::LEFT_CENTER,
        unit,
        FontId::proportional(10.0),
        ui.visuals().weak_text_color(),
    );
    let clip = area.intersect(ui.clip_rect());
    (painter.with_clip_rect(clip), area)
}

fn fault_row(ui: &mut Ui, session: &Session, axis: Axis, out: &mut Vec<Command>) {
    let (painter, area) = row(ui, axis, FAULTS, "faults", "");
    for (index, fault) in session.faults().iter().enumerate().rev() {
        let (from, to) = (
            axis.x(fault.first_frame as f64),
            axis.x(fault.last_frame as f64 + 1.0),
        );
        let (rgb, shape) = sign(fault.kind);
        let at = axis.x(session.telling_frame(fault) as f64 + 0.5);
        let at = pos2(
            at.clamp(area.left() + 6.0, area.right() - 6.0),
            area.center().y,
        );
        // Only the fault that is gone to shows how long it lasts: whole clips would cover the rest.
        if session.fault == Some(index) {
            let band = Rect::from_x_y_ranges(from..=to.max(from + 2.0), area.y_range().shrink(3.0));
            painter.rect_filled(band, 2.0, faint(rgb, 0.45));
        }
        shape.draw(&painter, at, 5.0, colour(rgb));
        let response = ui.interact(
            Rect::from_center_size(at, vec2(14.0, FAULTS)),
            ui.id().with(("fault", index)),
            Sense::click(),
        );
        if response.clicked() {
            out.push(Command::GoToFault(index));
        }
        response.on_hover_text(&fault.text);
    }
}

/// Curves on one scale from 0, filled to the axis; `beside` are thin lines to compare with.
fn curve_row(
    ui: &mut Ui,
    axis: Axis,
    label: &str,
    unit: &str,
    least: f64,
    curves: &[(Rgb, &[f64])],
    beside: &[(Rgb, &[f64])],
) {
    let (painter, area) = row(ui, axis, CURVE, label, unit);
    let all = curves
        .iter()
        .chain(beside)
        .flat_map(|(_, values)| values.iter().copied());
    let top = all.fold(least, f64::max);
    let y = |value: f64| {
        area.bottom() - 1.0 - (area.height() - 3.0) * (value / top).clamp(0.0, 1.0) as f32
    };
    let peak = |values: &[f64], frames: std::ops::RangeInclusive<usize>| {
        let peak = values.get(frames)?.iter().copied().fold(f64::MIN, f64::max);
        Some(peak)
    };
    for (rgb, values) in curves {
        let mut line: Vec<Pos2> = Vec::new();
        for (x, frames) in axis.columns(values.len()) {
            let Some(value) = peak(values, frames) else {
                continue;
            };
            let at = pos2(x, y(value));
            painter.vline(x, at.y..=area.bottom(), Stroke::new(1.0, faint(*rgb, 0.22)));
            line.push(at);
        }
        painter.add(Shape::line(line, Stroke::new(1.5, colour(*rgb))));
    }
    for (_, values) in beside {
        let columns = axis.columns(values.len());
        let line: Vec<Pos2> = columns
            .filter_map(|(x, frames)| Some(pos2(x, y(peak(values, frames)?))))
            .collect();
        painter.add(Shape::line(
            line,
            Stroke::new(1.0, ui.visuals().weak_text_color()),
        ));
    }
    let text = match top < 10.0 {
        true => format!("{top:.1}"),
        false => format!("{top:.0}"),
    };
    let at = area.right_top() + vec2(-3.0, 1.0);
    let shadow = ui.visuals().extreme_bg_color;
    let galley = painter.layout_no_wrap(
        text,
        FontId::proportional(10.0),
        ui.visuals().weak_text_color(),
    );
    let rect = Align2::RIGHT_TOP.anchor_size(at, galley.size());
    painter.rect_filled(rect, 2.0, shadow.gamma_multiply(0.8));
    painter.galley(rect.min, galley, Color32::PLACEHOLDER);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_axis_goes_there_and_back() {
        let axis = Axis {
            left: 100.0,
            right: 500.0,
            first: 20.0,
            last: 220.0,
        };
        assert_eq!(axis.x(20.0), 100.0);
        assert!((axis.frame(axis.x(133.0)) - 133.0).abs() < 1e-3);
    }

    #[test]
    fn frames_come_nearer_around_the_pointer_and_stop_at_the_ends() {
        let all = Axis {
            left: 100.0,
            right: 500.0,
            first: 0.0,
            last: 200.0,
        };
        assert_eq!(all.moved(300.0, 2.0, 0.0, 200.0), Some((50.0, 150.0)));
        assert_eq!(all.moved(300.0, 0.5, 0.0, 200.0), None);
        assert_eq!(all.moved(300.0, 1e6, 0.0, 200.0), Some((96.0, 104.0)));
        let part = Axis {
            first: 50.0,
            last: 150.0,
            ..all
        };
        assert_eq!(part.moved(300.0, 1.0, 40.0, 200.0), Some((40.0, 140.0)));
        assert_eq!(part.moved(300.0, 1.0, -4000.0, 200.0), Some((100.0, 200.0)));
        assert_eq!(part.moved(300.0, 0.4, 0.0, 200.0), None);
    }

    #[test]
    fn every_frame_lies_in_a_column() {
        let axis = Axis {
            left: 0.0,
            right: 50.0,
            first: 0.0,
            last: 999.0,
        };
        let mut seen = vec![false; 1000];
        for (_, frames) in axis.columns(1000) {
            frames.for_each(|frame| seen[frame] = true);
        }
        assert!(seen.iter().all(|seen| *seen));
    }

    #[test]
    fn marks_of_the_ruler_are_round() {
        for (least, step) in [(0.07, 0.1), (0.1, 0.1), (1.3, 2.0), (4.0, 5.0), (7.0, 10.0)] {
            assert!(
                (step_of(least) - step).abs() < 1e-9,
                "{least}: {}",
                step_of(least)
            );
        }
    }
}
