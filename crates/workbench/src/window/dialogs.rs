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
        let name = bench.session.export_name();
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

fn answer_of(dialog: Dialog, export_name: &str) -> Option<Command> {
    let files = rfd::FileDialog::new();
    Some(match dialog {
        Dialog::OpenScene => {
            let file = files
                .set_title("Open a scene")
                .add_filter("scenes", &["ron"])
                .pick_file()?;
            Command::Open(vec![file])
        }
        Dialog::OpenTake => {
            let takes = &["bvh", "amc", "glb", "gltf"];
            let file = files
                .set_title("Open a take")
                .add_filter("takes", takes)
                .pick_file()?;
            Command::OpenTake(file)
        }
        Dialog::OpenCharacter => {
            let file = files
                .set_title("Open a character")
                .add_filter("characters", &["glb", "gltf", "bvh"])
                .pick_file()?;
            Command::OpenCharacter(file)
        }
        Dialog::SaveScene => {
            let file = files
                .set_title("Save the scene")
                .set_file_name("take.scene.ron")
                .save_file()?;
            Command::SaveScene(file)
        }
        Dialog::Export => {
            let file = files
                .set_title("Export the clip (.glb or .bvh)")
                .add_filter("GLB", &["glb"])
                .add_filter("BVH", &["bvh"])
                .set_file_name(export_name)
                .save_file()?;
            Command::Export(file)
        }
    })
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
