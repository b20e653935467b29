//! Files from outside: dialogs of the desktop, and files that are dropped on the window.

use std::sync::mpsc::{Receiver, channel};
use std::thread;

use bevy::prelude::*;
use bevy::window::FileDragAndDrop;

use super::Bench;
use crate::state::command::{Command, Dialog};

/// Adds dialogs and dropped files.
pub fn plugin(app: &mut App) {
    app.insert_non_send(Open::default())
        .add_systems(Update, (ask, drop_files));
}

/// A dialog that is open. It runs beside the window, which goes on.
#[derive(Default)]
struct Open {
    answer: Option<Receiver<Option<Command>>>,
}

fn ask(mut bench: NonSendMut<Bench>, mut open: NonSendMut<Open>) {
    if let Some(dialog) = bench.session.asked.take()
        && open.answer.is_none()
    {
        let name = match dialog {
            Dialog::Export => bench.session.export_name(),
            _ => bench.session.scene_name(),
        };
        let (sender, answer) = channel();
        thread::spawn(move || {
            // The window may be gone by the time of an answer.
            let _ = sender.send(answer_of(dialog, &name));
        });
        open.answer = Some(answer);
    }
    let ended = open.answer.as_ref().map(|answer| answer.try_recv());
    match ended {
        Some(Ok(answer)) => {
            open.answer = None;
            if let Some(command) = answer {
                bench.session.apply(command);
            }
        }
        Some(Err(std::sync::mpsc::TryRecvError::Disconnected)) => open.answer = None,
        _ => {}
    }
}

/// What the dialog leads to; `name` is a name for a file that is written.
fn answer_of(dialog: Dialog, name: &str) -> Option<Command> {
    let files = rfd::FileDialog::new().set_title(dialog.title());
    let file = match dialog.is_written() {
        true => dialog
            .endings()
            .iter()
            .fold(files, |files, ending| files.add_filter(*ending, &[*ending]))
            .set_file_name(name)
            .save_file()?,
        false => files.add_filter("files", dialog.endings()).pick_file()?,
    };
    Some(dialog.command(file))
}

fn drop_files(mut bench: NonSendMut<Bench>, mut drops: MessageReader<FileDragAndDrop>) {
    let files: Vec<_> = drops
        .read()
        .filter_map(|event| match event {
            FileDragAndDrop::DroppedFile { path_buf, .. } => Some(path_buf.clone()),
            _ => None,
        })
        .collect();
    if !files.is_empty() {
        bench.session.apply(Command::Open(files));
    }
}
