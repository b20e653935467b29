//! One picture of the window to a file, without a person.

use std::num::NonZero;
use std::path::PathBuf;

use bevy::prelude::*;
use bevy::render::view::screenshot::{Screenshot, ScreenshotCaptured};

use super::canvas::Canvas;

/// Pictures drawn before the one that is kept: panels need some to settle their sizes.
const BEFORE: u32 = 8;
/// Pictures after which waiting has no sense.
const MOST: u32 = 600;
/// The exit code of a file that cannot be written.
const NOT_WRITTEN: NonZero<u8> = NonZero::new(5).unwrap();

#[derive(Resource)]
struct Wanted {
    path: PathBuf,
    drawn: u32,
}

/// Takes the picture and ends.
pub fn plugin(app: &mut App, path: PathBuf) {
    app.insert_resource(Wanted { path, drawn: 0 })
        .add_systems(Last, take);
}

fn take(
    mut wanted: ResMut<Wanted>,
    mut commands: Commands,
    mut exit: MessageWriter<AppExit>,
    canvas: Res<Canvas>,
) {
    wanted.drawn += 1;
    match wanted.drawn {
        BEFORE => {
            commands.spawn(Screenshot(canvas.target())).observe(save);
        }
        MOST.. => {
            eprintln!("understudy-workbench: no picture came out of the graphics adapter");
            exit.write(AppExit::Error(NOT_WRITTEN));
        }
        _ => {}
    }
}

fn save(taken: On<ScreenshotCaptured>, wanted: Res<Wanted>, mut exit: MessageWriter<AppExit>) {
    let path = wanted.path.display();
    let written = match taken.image.clone().try_into_dynamic() {
        Ok(image) => image
            .to_rgb8()
            .save(&wanted.path)
            .map_err(|error| error.to_string()),
        Err(error) => Err(error.to_string()),
    };
    exit.write(match written {
        Ok(()) => AppExit::Success,
        Err(problem) => {
            eprintln!("understudy-workbench: {path}: the picture cannot be written: {problem}");
            AppExit::Error(NOT_WRITTEN)
        }
    });
}
