//! How long pictures take, measured while playing.

use std::time::Instant;

use bevy::prelude::*;
use understudy_motion::signal::quantile;

use super::Bench;

/// Pictures that are not counted: the first ones build what the others use.
const BEFORE: usize = 20;

#[derive(Resource)]
struct Timing {
    secs: f64,
    pictures: Vec<f64>,
    started: Instant,
    first_after_secs: Option<f64>,
}

/// Measures for some seconds, says the result, and ends. `started` is when the window was asked
/// for, with all files read.
pub fn plugin(app: &mut App, secs: f64, started: Instant) {
    app.insert_resource(Timing {
        secs,
        pictures: Vec::new(),
        started,
        first_after_secs: None,
    })
    .add_systems(Last, measure);
}

fn measure(
    mut timing: ResMut<Timing>,
    time: Res<Time<Real>>,
    bench: NonSend<Bench>,
    mut exit: MessageWriter<AppExit>,
) {
    let since_start = timing.started.elapsed().as_secs_f64();
    // The second update begins when the first picture is done.
    if timing.pictures.len() == 1 {
        timing.first_after_secs = Some(since_start);
    }
    timing.pictures.push(time.delta_secs_f64());
    let Some(counted) = timing.pictures.get(BEFORE..) else {
        return;
    };
    if counted.iter().sum::<f64>() < timing.secs {
        return;
    }
    let at = |share: f64| 1000.0 * quantile(counted, share).unwrap_or(0.0);
    let actor = bench.session.stage.character.as_ref();
    println!(
        "{} pictures, {} vertices of the character's skin: median {:.2} ms, 95 % within {:.2} ms, \
         longest {:.2} ms; first picture after {:.2} s",
        counted.len(),
        actor.map_or(0, |actor| actor.figure.model.skin_vertices()),
        at(0.5),
        at(0.95),
        at(1.0),
        timing.first_after_secs.unwrap_or(0.0),
    );
    exit.write(AppExit::Success);
}
