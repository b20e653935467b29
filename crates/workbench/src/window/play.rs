//! Steps of a file played in the real window, as if a person pressed keys and pointed at what is to be
//! seen: so that the window can be tried from end to end without one.

use std::fmt;
use std::num::NonZero;
use std::path::Path;
use std::time::{Duration, Instant};

use bevy::app::AppExit;
use bevy::prelude::*;
use bevy::window::{PrimaryWindow, WindowCloseRequested};
use bevy_egui::{EguiContext, EguiInput, EguiOutput, EguiPreUpdateSet, egui};
use egui::accesskit::{Action, ActionRequest, NodeId, Role, TreeId, TreeUpdate};
use egui::{Event, Key, Modifiers, PointerButton, Pos2};
use serde::Deserialize;
use understudy_interchange::ron_file::load_ron;

use super::Bench;
use crate::ui::parsed_key;

/// One thing that a person does. Widgets are named by the words on them, or beside them where they
/// have none of their own.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub enum Step {
    /// Press a key, written as in the list of actions: `Ctrl+E`.
    Key(String),
    /// Click on a widget.
    Click(String),
    /// Click on one of several of that name, counted from 1, from top to bottom and left to right.
    ClickNth(String, usize),
    /// Click into a field, and type this in place of what stands in it.
    Fill(String, String),
    /// Type this where the cursor is.
    Type(String),
    /// Wait until some words are to be seen, whatever stands around them.
    See(String),
    /// Wait until nothing runs in the background.
    Wait,
    /// Close the window.
    Close,
}

/// Longest wait for something to be seen, and for the background.
const LONGEST_LOOK: Duration = Duration::from_secs(20);
const LONGEST_WORK: Duration = Duration::from_secs(600);
/// Pictures after an input in which panels answer to it.
const SETTLING: usize = 3;
/// The exit code of steps that could not be played.
const NOT_PLAYED: NonZero<u8> = NonZero::new(1).unwrap();

/// Reads the steps of a file.
///
/// # Errors
/// A file that cannot be read, with line and column, or a key that is none.
pub fn steps_of(path: &Path) -> Result<Vec<Step>, String> {
    let steps: Vec<Step> = load_ron(path).map_err(|error| error.to_string())?;
    for (at, step) in steps.iter().enumerate() {
        if let Step::Key(key) = step
            && parsed_key(key).is_none()
        {
            return Err(format!(
                "{}: step {}: there is no key \"{key}\"; write it as the list of actions does, such \
                 as Ctrl+E",
                path.display(),
                at + 1
            ));
        }
    }
    Ok(steps)
}

/// Plays the steps, and ends the program after the last or when one cannot be played.
pub fn plugin(app: &mut App, steps: Vec<Step>) {
    app.insert_non_send(Player::new(steps)).add_systems(
        PreUpdate,
        play.after(EguiPreUpdateSet::ProcessInput)
            .before(EguiPreUpdateSet::BeginPass),
    );
}

/// A widget that is to be seen.
#[derive(Clone, Debug, PartialEq)]
pub struct Widget {
    /// For the next question to it.
    id: NodeId,
    /// The words on it or beside it.
    name: String,
    /// Whether it can be pressed or typed into, and is not only there to be read.
    is_active: bool,
    /// Whether it answers.
    is_enabled: bool,
    /// Its middle, points.
    middle: Pos2,
}

/// What happens before one picture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Moment {
    /// What is pressed, typed and pointed at.
    pub events: Vec<Event>,
    /// Keys that are held.
    pub modifiers: Modifiers,
}

/// What comes next.
#[derive(Clone, Debug, PartialEq)]
pub enum Turn {
    /// This picture.
    Picture(Moment),
    /// The window is to be closed.
    Close,
    /// All was played.
    Done,
    /// It cannot go on.
    Stuck(String),
}

/// Plays steps, picture by picture.
#[derive(Debug)]
pub struct Player {
    steps: Vec<Step>,
    at: usize,
    /// Moments of the step that is played.
    moments: Vec<Moment>,
    /// When the step was begun.
    since: Instant,
    /// The widget that was asked to come into view, where it was, and for how many pictures.
    found: Option<(NodeId, Pos2, usize)>,
}

impl Player {
    /// Before the first step.
    pub fn new(steps: Vec<Step>) -> Self {
        Self {
            steps,
            at: 0,
            moments: Vec::new(),
            since: Instant::now(),
            found: None,
        }
    }

    /// What comes before the next picture, of what was to be seen in the last.
    pub fn turn(&mut self, widgets: &[Widget], is_busy: bool) -> Turn {
        if let Some(moment) = self.moments.pop() {
            return Turn::Picture(moment);
        }
        let Some(step) = self.steps.get(self.at).cloned() else {
            return Turn::Done;
        };
        match &step {
            Step::Key(key) => {
                let (modifiers, key) = parsed_key(key).unwrap_or((Modifiers::NONE, Key::Escape));
                self.go_on(key_press(key, modifiers));
            }
            Step::Type(text) => self.go_on(vec![typed(text)]),
            Step::Click(name) | Step::Fill(name, _) | Step::ClickNth(name, _) => {
                let nth = match &step {
                    Step::ClickNth(_, nth) => *nth,
                    _ => 1,
                };
                match find(widgets, name, nth) {
                    None if self.since.elapsed() > LONGEST_LOOK => {
                        return self.stuck(
                            &step,
                            "nothing of that name is to be seen that answers",
                            widgets,
                        );
                    }
                    None => {}
                    Some(widget) => return Turn::Picture(self.point_at(&step, widget)),
                }
            }
            Step::See(words) => {
                if widgets.iter().any(|widget| widget.name.contains(words)) {
                    self.go_on(Vec::new());
                } else if self.since.elapsed() > LONGEST_LOOK {
                    return self.stuck(&step, "these words are not to be seen", widgets);
                }
            }
            Step::Wait => {
                if !is_busy {
                    self.go_on(Vec::new());
                } else if self.since.elapsed() > LONGEST_WORK {
                    return self.stuck(&step, "the background does not come to an end", widgets);
                }
            }
            Step::Close => {
                self.at += 1;
                return Turn::Close;
            }
        }
        Turn::Picture(self.moments.pop().unwrap_or_default())
    }

    /// Brings a widget into view and, once it is at rest, clicks on it.
    fn point_at(&mut self, step: &Step, widget: &Widget) -> Moment {
        let rested = match self.found {
            Some((id, place, pictures)) if id == widget.id => match place == widget.middle {
                true => pictures + 1,
                false => 0,
            },
            _ => {
                self.found = Some((widget.id, widget.middle, 0));
                return Moment {
                    events: vec![Event::AccessKitActionRequest(ActionRequest {
                        action: Action::ScrollIntoView,
                        target_tree: TreeId::ROOT,
                        target_node: widget.id,
                        data: None,
                    })],
                    modifiers: Modifiers::NONE,
                };
            }
        };
        self.found = Some((widget.id, widget.middle, rested));
        if rested < SETTLING {
            return Moment::default();
        }
        let mut moments = click(widget.middle);
        if let Step::Fill(_, text) = step {
            moments.extend(key_press(Key::A, Modifiers::COMMAND));
            moments.push(typed(text));
        }
        self.go_on(moments);
        self.moments.pop().unwrap_or_default()
    }

    /// Goes to the next step after these moments.
    fn go_on(&mut self, mut moments: Vec<Moment>) {
        moments.extend(vec![Moment::default(); SETTLING]);
        moments.reverse();
        self.moments = moments;
        self.at += 1;
        self.since = Instant::now();
        self.found = None;
    }

    fn stuck(&self, step: &Step, problem: &str, widgets: &[Widget]) -> Turn {
        let mut names: Vec<&str> = widgets.iter().map(|widget| widget.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        Turn::Stuck(format!(
            "step {}, {step}: {problem}; there is: {}",
            self.at + 1,
            names.join(" | ")
        ))
    }
}

impl fmt::Display for Step {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self:?}")
    }
}

/// The widget of a name, one that can be pressed before one that can only be read.
fn find<'a>(widgets: &'a [Widget], name: &str, nth: usize) -> Option<&'a Widget> {
    let of_name = |is_active: bool| {
        let enabled = widgets.iter().filter(|widget| widget.is_enabled);
        let named = enabled.filter(move |widget| widget.name == name);
        let mut found: Vec<&Widget> = named.filter(|w| w.is_active == is_active).collect();
        let place = |widget: &Widget| (widget.middle.y, widget.middle.x);
        found.sort_by(|a, b| {
            place(a)
                .partial_cmp(&place(b))
                .unwrap_or(std::cmp::Ordering::Equal)
        });
        found
    };
    let found = match of_name(true) {
        active if active.is_empty() => of_name(false),
        active => active,
    };
    found.get(nth.saturating_sub(1)).copied()
}

fn key_press(key: Key, modifiers: Modifiers) -> Vec<Moment> {
    let event = |pressed: bool| Moment {
        events: vec![Event::Key {
            key,
            physical_key: None,
            pressed,
            repeat: false,
            modifiers,
        }],
        modifiers,
    };
    vec![event(true), event(false)]
}

fn typed(text: &str) -> Moment {
    Moment {
        events: vec![Event::Text(text.to_owned())],
        modifiers: Modifiers::NONE,
    }
}

fn click(place: Pos2) -> Vec<Moment> {
    let event = |event: Event| Moment {
        events: vec![event],
        modifiers: Modifiers::NONE,
    };
    let button = |pressed: bool| {
        event(Event::PointerButton {
            pos: place,
            button: PointerButton::Primary,
            pressed,
            modifiers: Modifiers::NONE,
        })
    };
    vec![
        event(Event::PointerMoved(place)),
        button(true),
        button(false),
    ]
}

/// What is to be seen, from what panels tell assistive technology.
pub fn widgets_of(tree: &TreeUpdate) -> Vec<Widget> {
    let own_name = |node: &egui::accesskit::Node| {
        let names = [node.label(), node.placeholder(), node.value()];
        let mut names = names.into_iter().flatten();
        names.find(|name| !name.is_empty()).map(str::to_owned)
    };
    let labels = |node: &egui::accesskit::Node| {
        let ids = node.labelled_by().iter();
        let named = ids.filter_map(|id| {
            let (_, node) = tree.nodes.iter().find(|(other, _)| other == id)?;
            own_name(node)
        });
        named.collect::<Vec<String>>().join(" ")
    };
    let nodes = tree.nodes.iter().filter_map(|(id, node)| {
        let bounds = node.bounds()?;
        let beside = labels(node);
        let name = match beside.is_empty() {
            true => own_name(node)?,
            false => beside,
        };
        Some(Widget {
            id: *id,
            name,
            is_active: !matches!(
                node.role(),
                Role::Label | Role::Window | Role::GenericContainer
            ),
            is_enabled: !node.is_disabled(),
            middle: Pos2::new(
                (0.5 * (bounds.x0 + bounds.x1)) as f32,
                (0.5 * (bounds.y0 + bounds.y1)) as f32,
            ),
        })
    });
    nodes.collect()
}

fn play(
    mut player: NonSendMut<Player>,
    bench: NonSend<Bench>,
    mut contexts: Query<(&mut EguiContext, &mut EguiInput, &EguiOutput)>,
    window: Query<Entity, With<PrimaryWindow>>,
    mut closing: MessageWriter<WindowCloseRequested>,
    mut exit: MessageWriter<AppExit>,
) {
    let Ok((mut context, mut input, output)) = contexts.single_mut() else {
        return;
    };
    // Without it panels tell nobody what they hold.
    context.get_mut().enable_accesskit();
    let Some(tree) = &output.platform_output.accesskit_update else {
        return;
    };
    match player.turn(&widgets_of(tree), bench.session.is_busy()) {
        Turn::Picture(moment) => {
            let held = Event::ModifiersChanged(moment.modifiers);
            input.events.push(held);
            input.events.extend(moment.events);
            input.focused = true;
        }
        Turn::Close => {
            if let Ok(window) = window.single() {
                closing.write(WindowCloseRequested { window });
            }
        }
        Turn::Done => {
            exit.write(AppExit::Success);
        }
        Turn::Stuck(problem) => {
            eprintln!("understudy-workbench: {problem}");
            exit.write(AppExit::Error(NOT_PLAYED));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn widget(name: &str, at: (f32, f32), is_active: bool) -> Widget {
        Widget {
            id: NodeId(name.len() as u64 + 100 * at.0 as u64 + 10_000 * at.1 as u64),
            name: name.to_owned(),
            is_active,
            is_enabled: true,
            middle: Pos2::new(at.0, at.1),
        }
    }

    /// Everything that is pressed and pointed at until the steps are done.
    fn played(steps: Vec<Step>, widgets: &[Widget]) -> Vec<Event> {
        let mut player = Player::new(steps);
        let mut events = Vec::new();
        loop {
            match player.turn(widgets, false) {
                Turn::Picture(moment) => events.extend(moment.events),
                Turn::Done => return events,
                other => panic!("{other:?}"),
            }
        }
    }

    #[test]
    fn a_click_goes_to_the_middle_of_what_can_be_pressed() {
        let widgets = [
            widget("tune", (5.0, 1.0), false),
            widget("tune", (40.0, 90.0), true),
            widget("tune", (90.0, 30.0), true),
        ];
        let place = |steps| {
            let events = played(steps, &widgets);
            events.iter().find_map(|event| match event {
                Event::PointerButton { pos, .. } => Some((pos.x, pos.y)),
                _ => None,
            })
        };
        let click = |nth| vec![Step::ClickNth("tune".to_owned(), nth)];
        assert_eq!(
            place(vec![Step::Click("tune".to_owned())]),
            Some((90.0, 30.0))
        );
        assert_eq!(place(click(2)), Some((40.0, 90.0)));
    }

    #[test]
    fn a_field_is_filled_in_place_of_what_stood_in_it() {
        let widgets = [widget("file", (7.0, 7.0), true)];
        let events = played(
            vec![Step::Fill("file".to_owned(), "walk.bvh".to_owned())],
            &widgets,
        );
        let all = events.iter().position(|event| {
            matches!(event, Event::Key { key: Key::A, pressed: true, modifiers, .. }
                if modifiers.command)
        });
        let text = Event::Text("walk.bvh".to_owned());
        let text = events.iter().position(|event| *event == text);
        assert!(all.is_some() && text > all, "{events:?}");
    }

    #[test]
    fn it_waits_for_the_background() {
        let mut player = Player::new(vec![Step::Wait]);
        for _ in 0..20 {
            let turn = player.turn(&[], true);
            assert_eq!(turn, Turn::Picture(Moment::default()));
        }
        for _ in 0..SETTLING {
            assert!(matches!(player.turn(&[], false), Turn::Picture(_)));
        }
        assert_eq!(player.turn(&[], false), Turn::Done);
    }

    #[test]
    fn steps_are_read_and_keys_are_checked() {
        let folder = std::env::temp_dir().join(format!("workbench-play-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join("steps.ron");
        std::fs::write(
            &path,
            "[Wait, Key(\"Ctrl+E\"), Fill(\"file\", \"a.glb\"), Close]",
        )
        .unwrap();
        assert_eq!(steps_of(&path).unwrap().len(), 4);
        std::fs::write(&path, "[Key(\"Ctrl+Nothing\")]").unwrap();
        assert!(steps_of(&path).unwrap_err().contains("step 1"));
        std::fs::write(&path, "[Jump]").unwrap();
        assert!(steps_of(&path).unwrap_err().contains("steps.ron"));
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
