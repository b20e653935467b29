//! The window itself: it lets time pass, shows the panels, and copies the state to the screen.

mod adapter;
mod bodies;
mod cameras;
mod canvas;
mod dialogs;
mod floor;
mod keep;
mod picture;
mod play;
mod timing;

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use bevy::app::ScheduleRunnerPlugin;
use bevy::asset::{AssetEventSystems, AssetPlugin};
use bevy::log::LogPlugin;
use bevy::prelude::*;
use bevy::render::RenderPlugin;
use bevy::window::{ExitCondition, PresentMode, WindowResolution};
use bevy::winit::{UpdateMode, WinitPlugin, WinitSettings};
use bevy_egui::{
    EguiContexts, EguiGlobalSettings, EguiPlugin, EguiPostUpdateSet, EguiPrimaryContextPass, egui,
};
use understudy_interchange::ron_file::load_ron;

use crate::args::{Args, LayoutArg};
use crate::state::command::Command;
use crate::state::panes::{Pane, Panes};
use crate::state::presets::PresetId;
use crate::state::session::Session;
use crate::state::stage::Who;
use crate::state::view::Arrangement;
use crate::ui;
use canvas::Canvas;

/// The demo scene, from the root of the repository.
const DEMO_TAKE: &str = "assets/takes/crossing.bvh";
const DEMO_CHARACTER: &str = "assets/characters/pedlar.glb";
/// Scenes that come with the program.
const DEMO_SCENES: &str = "demo-scenes";

/// The exit code of a machine without a screen or an adapter.
const NO_SCREEN: u8 = 6;
/// The exit code of a file that cannot be read.
const NOT_READ: u8 = 3;

/// The state, the panels' own memory, and where the bodies are drawn.
pub struct Bench {
    /// The state.
    pub session: Session,
    /// What panels remember from picture to picture.
    pub memory: ui::Memory,
    /// Where each body is drawn, in points of the window.
    pub views: Vec<(Who, egui::Rect)>,
    /// Panels and overlays, or the bodies alone.
    pub layout: LayoutArg,
    /// Physical pixels per point.
    pub pixels_per_point: f32,
    /// Whether the processor draws.
    pub is_software: bool,
    /// Whether pictures are drawn as fast as they can be, for measuring and for pictures.
    pub must_draw_all: bool,
    /// Pictures that are yet to be drawn at once, after a change.
    pub settling: u8,
}

/// Opens the window and returns when it is closed.
pub fn run(args: Args) -> ExitCode {
    let started = Instant::now();
    let steps = match args.play_input.as_deref().map(play::steps_of).transpose() {
        Ok(steps) => steps,
        Err(problem) => {
            eprintln!("understudy-workbench: {problem}");
            return NOT_READ.into();
        }
    };
    let panes = match args.panels.as_deref().map(panes_of).transpose() {
        Ok(panes) => panes,
        Err(problem) => {
            eprintln!("understudy-workbench: {problem}");
            return NOT_READ.into();
        }
    };
    let is_offscreen = args.offscreen && (args.screenshot.is_some() || args.time_frames.is_some());
    let adapter = match adapter::find(!is_offscreen) {
        Ok(adapter) => adapter,
        Err(problem) => {
            eprintln!("understudy-workbench: {problem}");
            return NO_SCREEN.into();
        }
    };
    let to_adapter = started.elapsed();
    let mut session = match first_session(&args) {
        Ok(session) => session,
        Err((code, problem)) => {
            eprintln!("understudy-workbench: {problem}");
            return code.into();
        }
    };
    let started = Instant::now() - to_adapter;
    place_panels(&mut session, panes, &args);
    set_up(&mut session, &args);
    let size = session.preferences.layout.window;
    let mut app = App::new();
    if let Err(problem) = adapter::on_screen(|| add_engine(&mut app, &args, size, is_offscreen)) {
        eprintln!("understudy-workbench: {problem}");
        return NO_SCREEN.into();
    }
    let bench = Bench {
        session,
        memory: ui::Memory::default(),
        views: Vec::new(),
        layout: args.layout,
        pixels_per_point: 1.0,
        is_software: adapter.is_software,
        must_draw_all: !is_for_a_person(&args) || steps.is_some(),
        settling: 0,
    };
    info!("drawn by {}", adapter.name);
    app.insert_non_send(bench)
        .add_plugins((
            floor::plugin,
            cameras::plugin,
            bodies::plugin,
            dialogs::plugin,
        ))
        .add_systems(PreUpdate, pass_time)
        .add_systems(EguiPrimaryContextPass, show_panels);
    match (&args.screenshot, args.time_frames) {
        (Some(path), _) => picture::plugin(&mut app, path.clone()),
        (None, Some(secs)) => timing::plugin(&mut app, secs, started),
        (None, None) => keep::plugin(&mut app),
    }
    if let Some(steps) = steps {
        play::plugin(&mut app, steps);
    }
    match app.run() {
        AppExit::Success => ExitCode::SUCCESS,
        AppExit::Error(code) => ExitCode::from(code.get()),
    }
}

/// The session that the arguments ask for. Files are read in the background, except for pictures.
fn first_session(args: &Args) -> Result<Session, (u8, String)> {
    let mut session = Session::default();
    session.demos = demo_scenes();
    if is_for_a_person(args) {
        keep::recall(&mut session);
        session.is_guide_open = !session.preferences.has_seen_guide;
    }
    let files = match args.files.is_empty() {
        true => demo_files().unwrap_or_default(),
        false => args.files.clone(),
    };
    if !files.is_empty() {
        session.apply(Command::Open(files));
    }
    let must_wait = !is_for_a_person(args);
    if must_wait {
        session.wait();
    }
    compare(&mut session, args);
    if let (Some(name), None) = (&args.joint, &session.notice) {
        // Names are those of the files.
        session.wait();
        let joint = session.joint_named(name).map_err(|problem| (2, problem))?;
        session.apply(Command::ChooseJoint(Some(joint)));
    }
    if let (Some(words), None) = (&args.chain, &session.notice) {
        session.wait();
        let chain = session.chain_named(words).map_err(|problem| (2, problem))?;
        session.apply(Command::ChooseChain(Some(chain)));
    }
    match session.notice.take() {
        Some(notice) if notice.is_failure && (must_wait || !args.files.is_empty()) => {
            Err((NOT_READ, notice.text))
        }
        notice => {
            session.notice = notice;
            Ok(session)
        }
    }
}

/// Begins the comparison that the arguments ask for.
fn compare(session: &mut Session, args: &Args) {
    let is_asked = args.arrange.map(Arrangement::from) == Some(Arrangement::Compare);
    let preset = match &args.against {
        Some(path) => PresetId::File(path.clone()),
        None if is_asked => PresetId::Standard,
        None => return,
    };
    // What is compared with is fitted to what is open.
    session.wait();
    if session.notice.is_none() {
        session.apply(Command::Compare(Some(preset)));
    }
    if !is_for_a_person(args) {
        session.wait();
    }
}

/// Whether somebody sits before the window, so that things are remembered and kept.
fn is_for_a_person(args: &Args) -> bool {
    args.screenshot.is_none() && args.time_frames.is_none()
}

/// Scenes that come with the program.
fn demo_scenes() -> Vec<PathBuf> {
    let here = PathBuf::from(DEMO_SCENES);
    let built = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../..")
        .join(DEMO_SCENES);
    let folders = [here, built].into_iter();
    let found = folders
        .filter_map(|folder| std::fs::read_dir(folder).ok())
        .next();
    let files = found
        .into_iter()
        .flatten()
        .filter_map(|entry| Some(entry.ok()?.path()));
    let is_scene = |file: &PathBuf| file.extension().is_some_and(|end| end == "ron");
    let mut scenes: Vec<PathBuf> = files.filter(is_scene).collect();
    scenes.sort();
    scenes
}

/// The demo scene: from the folder the program runs in, or from where it was built.
fn demo_files() -> Option<Vec<PathBuf>> {
    let here = PathBuf::new();
    let built = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    [here, built].into_iter().find_map(|folder| {
        let files = [folder.join(DEMO_TAKE), folder.join(DEMO_CHARACTER)];
        files.iter().all(|file| file.exists()).then(|| files.into())
    })
}

/// Reads how panels stand.
///
/// # Errors
/// A file that cannot be read, with line and column, or panels that have no sense.
fn panes_of(path: &Path) -> Result<Panes, String> {
    let panes: Panes = load_ron(path).map_err(|error| error.to_string())?;
    let checked = panes.checked();
    checked.map_err(|problem| {
        format!(
            "{}: {problem}; every panel stands at one place",
            path.display()
        )
    })
}

/// Places the panels as the arguments ask for it.
fn place_panels(session: &mut Session, panes: Option<Panes>, args: &Args) {
    if let Some(panes) = panes {
        session.preferences.layout.panes = panes;
    }
    if let Some(panel) = args.panel {
        session.apply(Command::SetPanel(panel.into()));
    }
    if args.curves {
        session.apply(Command::SetPanel(Pane::Curves));
    }
}

fn set_up(session: &mut Session, args: &Args) {
    session.view.show = args.show.into();
    if args.light || !is_for_a_person(args) {
        session.view.dark = !args.light;
    }
    session.view.before = args.before;
    session.view.look_from(args.view.into());
    let layout = &mut session.preferences.layout;
    layout.window = args.size.unwrap_or(layout.window);
    layout.scale_percent = args.scale.unwrap_or(layout.scale_percent);
    // Curves that are open go to the joint that was chosen.
    if let Some(joint) = session.joint {
        session.apply(Command::ChooseJoint(Some(joint)));
    }
    if let Some(arrange) = args.arrange {
        session.view.arrangement = arrange.into();
    }
    if let Some(only) = args.only {
        session.view.arrangement = Arrangement::Alone(only.into());
    }
    if args.rest {
        session.rest();
    }
    session.clock.seek(args.frame);
    if let Some(number) = args.fault {
        session.apply(Command::GoToFault(number.saturating_sub(1)));
    }
    if args.layout == LayoutArg::View {
        session.view.contacts = false;
        session.view.faults = false;
    }
    if args.time_frames.is_some() {
        session.clock.toggle();
    }
}

fn add_engine(app: &mut App, args: &Args, size: [u32; 2], is_offscreen: bool) {
    let [width, height] = size;
    let resolution = WindowResolution::new(width, height);
    let is_picture = args.screenshot.is_some();
    let window = Window {
        title: "Understudy".to_owned(),
        name: Some("understudy".to_owned()),
        resolution: match is_picture {
            true => resolution.with_scale_factor_override(1.0),
            false => resolution,
        },
        present_mode: match args.time_frames {
            Some(_) => PresentMode::AutoNoVsync,
            None => PresentMode::AutoVsync,
        },
        ..Window::default()
    };
    let plugins = DefaultPlugins
        .set(WindowPlugin {
            primary_window: (!is_offscreen).then_some(window),
            exit_condition: match is_offscreen {
                true => ExitCondition::DontExit,
                false => ExitCondition::OnPrimaryClosed,
            },
            // What is not saved is asked about first.
            close_when_requested: !is_for_a_person(args),
            ..WindowPlugin::default()
        })
        .set(RenderPlugin {
            // A picture is taken of what is there: no shader may come late.
            synchronous_pipeline_compilation: is_picture || args.time_frames.is_some(),
            ..RenderPlugin::default()
        })
        .set(LogPlugin {
            filter: "warn,wgpu=error,naga=error,bevy_render=error,bevy_egui=error,bevy_winit=error"
                .to_owned(),
            ..LogPlugin::default()
        })
        .set(AssetPlugin::default());
    match is_offscreen {
        true => app
            .add_plugins(plugins.disable::<WinitPlugin>())
            .add_plugins(ScheduleRunnerPlugin::run_loop(Duration::ZERO)),
        false => app.add_plugins(plugins),
    };
    app.init_resource::<Canvas>();
    if is_offscreen {
        canvas::plugin(app, width, height);
    }
    app.add_plugins(EguiPlugin::default())
        // Else glyphs that are new are drawn one picture late, and all panels with them.
        .configure_sets(
            PostUpdate,
            EguiPostUpdateSet::PostProcessOutput.before(AssetEventSystems),
        )
        // Every camera is ours, the one of the panels too.
        .insert_resource(EguiGlobalSettings {
            auto_create_primary_context: false,
            ..EguiGlobalSettings::default()
        })
        .insert_resource(WinitSettings {
            focused_mode: UpdateMode::Continuous,
            unfocused_mode: UpdateMode::reactive_low_power(Duration::from_millis(33)),
        });
    if is_picture || args.time_frames.is_some() || args.play_input.is_some() {
        app.insert_resource(WinitSettings::continuous());
    }
}

fn pass_time(
    mut bench: NonSendMut<Bench>,
    time: Res<Time<Real>>,
    settings: Option<ResMut<WinitSettings>>,
) {
    /// How often a window in which nothing moves is drawn, besides at every touch of it.
    const RESTING: Duration = Duration::from_millis(250);
    bench.session.advance(time.delta_secs_f64());
    if let Some(mut settings) = settings
        && !bench.must_draw_all
    {
        let is_settling = bench.settling > 0;
        bench.settling = bench.settling.saturating_sub(1);
        let moves = bench.session.clock.is_playing || bench.session.is_busy() || is_settling;
        settings.focused_mode = match moves {
            true => UpdateMode::Continuous,
            false => UpdateMode::reactive(RESTING),
        };
    }
}

fn show_panels(mut bench: NonSendMut<Bench>, mut contexts: EguiContexts) -> Result {
    let context = contexts.ctx_mut()?.clone();
    let bench = &mut *bench;
    let mut root = egui::Ui::new(
        context.clone(),
        "window".into(),
        egui::UiBuilder::new()
            .layer_id(egui::LayerId::background())
            .max_rect(context.viewport_rect()),
    );
    let shown = match bench.layout {
        LayoutArg::Full => ui::show(&mut root, &bench.session, &mut bench.memory),
        LayoutArg::View => ui::bodies_alone(&mut root, &bench.session),
    };
    /// Pictures after a change until panels, bodies and glyphs that are new stand as they should.
    const SETTLING: u8 = 6;
    if !shown.commands.is_empty() {
        bench.settling = SETTLING;
    }
    for command in shown.commands {
        bench.session.apply(command);
    }
    bench.views = shown.views;
    bench.pixels_per_point = context.pixels_per_point();
    Ok(())
}
