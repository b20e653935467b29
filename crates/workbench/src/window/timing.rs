//! How long pictures take, measured while playing.

use bevy::prelude::*;
use understudy_motion::signal::quantile;

use super::Bench;

/// Pictures that are not counted: the first ones build what the others use.
const BEFORE: usize = 20;

#[derive(Resource)]
struct Timing {
    secs: f64,
    pictures: Vec<f64>,
}

/// Measures for some seconds, says the result, and ends.
pub fn plugin(app: &mut App, secs: f64) {
    app.insert_resource(Timing {
        secs,
        pictures: Vec::new(),
    })
    .add_systems(Last, measure);
}

fn measure(
    mut timing: ResMut<Timing>,
    time: Res<Time<Real>>,
    bench: NonSend<Bench>,
    mut exit: MessageWriter<AppExit>,
) {
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
        time.elapsed_secs_f64() - timing.pictures.iter().skip(1).sum::<f64>(),
    );
    exit.write(AppExit::Success);
}
