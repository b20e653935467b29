//! The form for writing the clip: format, frame rate, frames, file and report.

use std::sync::{Arc, Weak};

use bevy_egui::egui;
use egui::{Align2, Context, Grid, Key, RichText, TextEdit, Ui, Window};
use understudy_motion::rate::spoken_rate;
use understudy_scene::Solved;
use understudy_scene::export::{FileSize, OutFormat, report_beside};

use super::Memory;
use super::theme::{caption, colour};
use crate::state::command::{Command, Dialog};
use crate::state::document::short;
use crate::state::export::{ExportForm, Plan, Problems, Span};
use crate::state::palette;
use crate::state::session::Session;

/// Width of the form's fields, points.
const WIDTH: f32 = 380.0;

/// How large clips of a result become, found once for each result and format.
#[derive(Debug, Default)]
pub struct Sizes {
    of: Option<(Weak<Solved>, OutFormat)>,
    size: Option<FileSize>,
}

impl Sizes {
    fn of(&mut self, session: &Session, format: OutFormat) -> Option<FileSize> {
        let solved = session.solved.as_ref()?;
        let is_known = self.of.as_ref().is_some_and(|(known, known_format)| {
            *known_format == format && known.as_ptr() == Arc::as_ptr(solved)
        });
        if !is_known {
            let (_, character) = session.document.pair()?;
            self.size = FileSize::of(character, &solved.retargeted, format).ok();
            self.of = Some((Arc::downgrade(solved), format));
        }
        self.size
    }
}

/// Draws the form.
pub fn show(context: &Context, session: &Session, memory: &mut Memory, out: &mut Vec<Command>) {
    Window::new("Export the clip")
        .anchor(Align2::CENTER_TOP, [0.0, 76.0])
        .collapsible(false)
        .resizable(false)
        .show(context, |ui| {
            let mut form = session.export.clone();
            let plan = form.plan(session);
            let problems = plan.as_ref().err().cloned().unwrap_or_default();
            let is_entered = fields(ui, session, &mut form, &problems, out);
            ui.add_space(6.0);
            ui.separator();
            ui.scope(|ui| {
                ui.set_max_width(WIDTH + 90.0);
                match &plan {
                    Ok(plan) => sum(ui, session, memory, form.format, plan),
                    Err(problems) => {
                        let missing = problems.result.as_deref();
                        let text = missing.unwrap_or("correct what is marked above");
                        problem(ui, Some(&format!("nothing can be written: {text}")));
                    }
                }
            });
            ui.add_space(6.0);
            ui.horizontal(|ui| {
                let export = ui.add_enabled(plan.is_ok(), egui::Button::new("Write the clip"));
                let export = export
                    .on_hover_text("Write the files that are named above")
                    .on_disabled_hover_text("Correct what is marked first");
                if let (true, Ok(plan)) = (export.clicked() || is_entered, &plan) {
                    out.push(Command::Export(Box::new(plan.delivery.clone())));
                }
                let cancel = ui.button("Cancel");
                if cancel.on_hover_text("Write nothing (Esc)").clicked() {
                    out.push(Command::ToggleExport);
                }
                let standard = ExportForm::default().for_session(session);
                let reset = ui.add_enabled(form != standard, egui::Button::new("Reset"));
                if reset
                    .on_hover_text("All fields as they are at first")
                    .clicked()
                {
                    form = standard;
                }
            });
            if form != session.export {
                out.push(Command::SetExport(Box::new(form)));
            }
        });
}

/// The fields; whether Enter was pressed in one of them.
fn fields(
    ui: &mut Ui,
    session: &Session,
    form: &mut ExportForm,
    problems: &Problems,
    out: &mut Vec<Command>,
) -> bool {
    let mut is_entered = false;
    Grid::new("export fields")
        .num_columns(2)
        .spacing([12.0, 8.0])
        .show(ui, |ui| {
            ui.label("format");
            ui.horizontal(|ui| formats(ui, form));
            ui.end_row();
            ui.label("frame rate");
            ui.vertical(|ui| {
                is_entered |= rate(ui, session, form);
                problem(ui, problems.rate.as_deref());
            });
            ui.end_row();
            ui.label("frames");
            ui.vertical(|ui| {
                is_entered |= frames(ui, session, form);
                problem(ui, problems.frames.as_deref());
            });
            ui.end_row();
            let label = ui.label("file");
            ui.vertical(|ui| {
                ui.horizontal(|ui| {
                    let mut typed = form.file.clone();
                    let field = TextEdit::singleline(&mut typed)
                        .hint_text("name of the file")
                        .desired_width(WIDTH - 78.0);
                    let field = ui.add(field).labelled_by(label.id).on_hover_text(
                        "Where the clip is written, .glb or .bvh; folders that are not there are made",
                    );
                    is_entered |= entered(ui, &field);
                    if typed != form.file {
                        *form = form.with_file(typed);
                    }
                    let browse = ui.button("Browse …");
                    if browse
                        .on_hover_text("Choose in the desktop's own dialog, where it has one")
                        .clicked()
                    {
                        out.push(Command::Browse(Dialog::Export));
                    }
                });
                problem(ui, problems.file.as_deref());
            });
            ui.end_row();
            ui.label("report");
            ui.checkbox(&mut form.has_report, "write it beside the clip")
                .on_hover_text("All measures and faults of the clip, as understudy retarget writes them (JSON)");
            ui.end_row();
        });
    is_entered
}

/// Whether Enter ended the typing in a field.
fn entered(ui: &Ui, field: &egui::Response) -> bool {
    field.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter))
}

fn formats(ui: &mut Ui, form: &mut ExportForm) {
    for (format, word, hint) in [
        (
            OutFormat::Glb,
            "GLB",
            "The character's own file, with the clip added; all the rest of it is kept",
        ),
        (
            OutFormat::Bvh,
            "BVH",
            "The character's bones and their motion, without a skin",
        ),
    ] {
        let button = ui.selectable_label(form.format == format, word);
        if button.on_hover_text(hint).clicked() {
            *form = form.with_format(format);
        }
    }
}

fn rate(ui: &mut Ui, session: &Session, form: &mut ExportForm) -> bool {
    let shown = spoken_rate(session.clock.frame_time_secs());
    let whose = match session.document.choices.frame_time_secs {
        Some(_) => "the scene's",
        None => "the take's",
    };
    ui.horizontal(|ui| {
        ui.selectable_value(
            &mut form.has_other_rate,
            false,
            format!("{whose}, {shown} Hz"),
        )
        .on_hover_text("Frame for frame as it is shown");
        ui.selectable_value(&mut form.has_other_rate, true, "another")
            .on_hover_text(
                "The take is carried over once more at this rate, so that feet stay planted",
            );
        if !form.has_other_rate {
            return false;
        }
        let field = TextEdit::singleline(&mut form.rate).desired_width(54.0);
        let field = ui
            .add(field)
            .on_hover_text("Frames per second, from 0.1 to 10000");
        let label = ui.label("Hz");
        let field = field.labelled_by(label.id);
        entered(ui, &field)
    })
    .inner
}

fn frames(ui: &mut Ui, session: &Session, form: &mut ExportForm) -> bool {
    ui.horizontal(|ui| {
        ui.selectable_value(&mut form.span, Span::Whole, "all")
            .on_hover_text("The whole clip");
        let played = session.clock.range();
        let word = match played {
            Some((first, last)) => format!("the played part, {first} to {last}"),
            None => "the played part".to_owned(),
        };
        ui.add_enabled_ui(played.is_some(), |ui| {
            ui.selectable_value(&mut form.span, Span::Played, word)
                .on_hover_text("What is played in a loop now")
                .on_disabled_hover_text(
                    "All is played now; drag over the ruler with Shift to play a part",
                );
        });
        ui.selectable_value(&mut form.span, Span::Typed, "from … to")
            .on_hover_text("First and last frame, both in it, counted from 0 at the rate above");
        if form.span != Span::Typed {
            return false;
        }
        let mut is_entered = false;
        for (text, name) in [
            (&mut form.first, "first frame"),
            (&mut form.last, "last frame"),
        ] {
            let field = TextEdit::singleline(text)
                .hint_text(name)
                .desired_width(48.0);
            let field = ui.add(field).on_hover_text(name);
            field.widget_info(|| egui::WidgetInfo::labeled(egui::WidgetType::TextEdit, true, name));
            is_entered |= entered(ui, &field);
        }
        is_entered
    })
    .inner
}

fn problem(ui: &mut Ui, text: Option<&str>) {
    if let Some(text) = text {
        let text = RichText::new(format!("⚠ {text}")).color(colour(palette::VERMILLION));
        ui.scope(|ui| {
            ui.set_max_width(WIDTH);
            ui.add(egui::Label::new(text).wrap());
        });
    }
}

/// What is written, and what is still wrong with it.
fn sum(ui: &mut Ui, session: &Session, memory: &mut Memory, format: OutFormat, plan: &Plan) {
    let size = memory.sizes.of(session, format);
    let size = size.map_or(String::new(), |size| {
        format!(", about {}", bytes_words(size.bytes(plan.frames)))
    });
    ui.add(egui::Label::new(format!("{}{size}", plan.words())).wrap());
    let [open, _] = plan.faults;
    let faults = match plan.is_solved_anew {
        true => format!(
            "{}, as it is shown; at {} Hz it is carried over and measured anew",
            plan.fault_words(),
            plan.rate
        ),
        false => plan.fault_words(),
    };
    let sign = if open == 0 { "✔" } else { "⚠" };
    ui.add(egui::Label::new(format!("{sign} {faults}")).wrap());
    let clip = &plan.delivery.outputs.clip;
    let report = plan.delivery.outputs.report.is_some();
    let report = report.then(|| format!(" and {}", short(&report_beside(clip))));
    let files = format!("to {}{}", clip.display(), report.unwrap_or_default());
    ui.add(egui::Label::new(caption(files)).wrap());
    if !plan.replaced.is_empty() {
        let names: Vec<String> = plan.replaced.iter().map(|file| short(file)).collect();
        let text = match names.len() {
            1 => format!("⚠ {} is there already and is replaced", names[0]),
            _ => format!(
                "⚠ {} are there already and are replaced",
                names.join(" and ")
            ),
        };
        ui.label(RichText::new(text).color(colour(palette::ORANGE)));
    }
}

/// A size of a file for people.
fn bytes_words(bytes: f64) -> String {
    match bytes {
        bytes if bytes < 1e3 => format!("{bytes:.0} bytes"),
        bytes if bytes < 1e6 => format!("{:.0} kB", bytes / 1e3),
        bytes => format!("{:.1} MB", bytes / 1e6),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_said_in_round_numbers() {
        assert_eq!(bytes_words(812.0), "812 bytes");
        assert_eq!(bytes_words(64_400.0), "64 kB");
        assert_eq!(bytes_words(1_260_000.0), "1.3 MB");
    }
}
