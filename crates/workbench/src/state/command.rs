//! What a person can ask for. Panels and keys send commands; the session carries them out.

use std::path::PathBuf;

use understudy_anatomy::{ChainPlace, Role, Stretch};
use understudy_solver::{Contacts, Settings};

use super::camera::{Angle, Orbit};
use super::chains::ChainId;
use super::curves::Curves;
use super::export::{Delivery, ExportForm};
use super::layout::Layout;
use super::panes::{Pane, Place};
use super::presets::{PresetId, Shelf};
use super::rings::RingAxes;
use super::stage::Who;
use super::view::{Arrangement, Show};

/// Which files a dialog asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dialog {
    /// A scene to open.
    OpenScene,
    /// A take to open.
    OpenTake,
    /// A character to open.
    OpenCharacter,
    /// Where to write the scene, where it has no file yet.
    SaveScene,
    /// Where to write the scene, whether it has a file or not.
    SaveSceneAs,
    /// A name for the clip's file.
    Export,
}

/// One thing a person asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// Start or stop.
    TogglePlay,
    /// Go to a frame.
    Seek(usize),
    /// Go on or back by frames.
    Step(i64),
    /// Go to the first frame of what is played.
    ToStart,
    /// Go to its last frame.
    ToEnd,
    /// Factor on real time.
    SetSpeed(f64),
    /// Play again from the start, or stop at the end.
    ToggleLoop,
    /// Play a part only, or all.
    SetRange(Option<(usize, usize)>),
    /// The part that is played begins at the frame that is shown.
    PlayFromHere,
    /// It ends there.
    PlayToHere,
    /// Look from another side.
    LookFrom(Angle),
    /// Move the camera of a body.
    SetOrbit(Who, Orbit),
    /// Frame the whole bodies.
    FrameBodies,
    /// Cameras go along with the bodies, or stand.
    ToggleFollow,
    /// Cameras move as one, or each for itself.
    ToggleLinked,
    /// Draw surface, bones or both.
    SetShow(Show),
    /// Draw the next of them.
    NextShow,
    /// How the bodies share the space.
    SetArrangement(Arrangement),
    /// The next way.
    NextArrangement,
    /// Plain transfer, or the result.
    ToggleBefore,
    /// Mark contacts, or do not.
    ToggleContacts,
    /// Mark slides and depths, or do not.
    ToggleFaultMarks,
    /// Dark or light.
    ToggleDark,
    /// How the panels stand now, after a drag at a tab or an edge.
    SetLayout {
        /// All of it.
        layout: Layout,
        /// Whether it goes on with the drag before it.
        goes_on: bool,
    },
    /// Open a panel, and show it in front of its group.
    SetPanel(Pane),
    /// Close a panel; it keeps its place.
    ClosePanel(Pane),
    /// Put a panel at a place.
    MovePanel(Pane, Place),
    /// Show or hide lists and forms.
    ToggleSide,
    /// What stands left of the bodies goes to the right, and the other way round.
    SwapSide,
    /// Show or hide play, tracks and curves.
    ToggleTime,
    /// All panels as they stand at first.
    ResetLayout,
    /// Take the last change of the panels back, nothing else.
    UndoLayout,
    /// Make it again.
    RedoLayout,
    /// Everything larger, or smaller.
    Scale {
        /// Larger.
        larger: bool,
    },
    /// Everything at its usual size.
    ResetScale,
    /// Go to a fault of the list.
    GoToFault(usize),
    /// Go to the next fault, or the one before.
    StepFault(i64),
    /// Let a fault of the list stand, with a word why.
    AcceptFault {
        /// Its number in the list.
        fault: usize,
        /// Why it may stay.
        why: String,
    },
    /// A fault of the list is one again.
    UnacceptFault(usize),
    /// Ask for a file, by its path.
    Ask(Dialog),
    /// The path so far.
    SetAsking(String),
    /// Ask no more.
    CloseAsking,
    /// Ask for a file in the desktop's own dialog.
    Browse(Dialog),
    /// Close the window.
    Close,
    /// Save what is not saved, then go on with what would lose it.
    SaveAndLeave,
    /// Go on with it without saving.
    LeaveUnsaved,
    /// Stay with what is open.
    Stay,
    /// Open these files.
    Open(Vec<PathBuf>),
    /// Open a take.
    OpenTake(PathBuf),
    /// Open a character.
    OpenCharacter(PathBuf),
    /// Write the scene.
    SaveScene(PathBuf),
    /// Open the form for writing the clip, or close it.
    ToggleExport,
    /// Fill the form in.
    SetExport(Box<ExportForm>),
    /// Write the clip to this file.
    NameExport(PathBuf),
    /// Write the clip, and its report where one is wanted.
    Export(Box<Delivery>),
    /// Change settings; the name is what undo says, and `goes_on` marks more of the same drag.
    Tune {
        /// Name of the change.
        name: &'static str,
        /// All settings after it.
        settings: Box<Settings>,
        /// Whether it goes on with the change before it.
        goes_on: bool,
    },
    /// Give contacts instead of those found, or go back to these.
    SetContacts {
        /// Name of the change.
        name: &'static str,
        /// All contacts of the take after it.
        contacts: Option<Contacts>,
        /// Whether it goes on with the change before it.
        goes_on: bool,
    },
    /// Pin the feet that stand in this frame where they stand, or unpin them.
    TogglePins,
    /// Choose a joint, or none.
    ChooseJoint(Option<(Who, usize)>),
    /// Bring the cameras near the chosen joint; without one, frame the whole bodies.
    FrameJoint,
    /// What the rings around the chosen joint turn about.
    SetRingAxes(RingAxes),
    /// The other axes.
    NextRingAxes,
    /// Take the offset of the chosen joint away.
    ResetOffset,
    /// Stop what runs in the background; where nothing does, choose no joint and no chain.
    Leave,
    /// Give a joint a role, or take it away.
    SetRole {
        /// Whose joint.
        who: Who,
        /// The joint.
        joint: usize,
        /// Its role.
        role: Option<Role>,
        /// Whether the joint of the other side follows.
        mirrored: bool,
    },
    /// Choose a chain of joints, or none.
    ChooseChain(Option<(Who, ChainId)>),
    /// Give joints the roles of a whole chain.
    GiveChain {
        /// Whose joints.
        who: Who,
        /// Which chain.
        place: ChainPlace,
        /// From which joint to which.
        stretch: Stretch,
        /// Whether the other side follows.
        mirrored: bool,
    },
    /// Take all roles of a chain away.
    ClearChain {
        /// Whose chain.
        who: Who,
        /// The chain.
        chain: ChainId,
        /// Whether the other side follows.
        mirrored: bool,
    },
    /// Take the last change back.
    Undo,
    /// Make it again.
    Redo,
    /// Stop what runs in the background.
    StopJob,
    /// Carry the take over again with what is chosen, after a stop.
    CarryOver,
    /// Close the message.
    CloseNotice,
    /// Show or hide the list of actions.
    ToggleActions,
    /// Open the work of a session that ended early.
    OpenUnsaved,
    /// Offer it no more.
    ForgetUnsaved,
    /// Show curves instead of the tracks, or the tracks again; where they stand apart, open or close the
    /// curves.
    ToggleCurves,
    /// Which curves.
    SetCurves(Curves),
    /// Keep all settings under a name.
    SavePreset(String, Shelf),
    /// Set everything as a preset has it.
    ApplyPreset(PresetId),
    /// Delete the file of a preset.
    DeletePreset(PathBuf),
    /// Show the character with a preset beside the settings as they are, or no more.
    Compare(Option<PresetId>),
    /// Go on with the settings that are compared with.
    TakeOther,
    /// Show or close the first steps.
    ToggleGuide,
}

/// An action with a name and perhaps a key.
#[derive(Clone, Debug)]
pub struct Action {
    /// For the list.
    pub name: &'static str,
    /// The key, as it is written: `Ctrl+Z`.
    pub key: &'static str,
    /// What it does.
    pub command: Command,
}

/// All actions that have a name; keys and the list both read this.
pub fn actions() -> Vec<Action> {
    let action = |name, key, command| Action { name, key, command };
    use Command as C;
    vec![
        action("Play or stop", "Space", C::TogglePlay),
        action("Next frame", "Right", C::Step(1)),
        action("Frame before", "Left", C::Step(-1)),
        action("Ten frames on", "Shift+Right", C::Step(10)),
        action("Ten frames back", "Shift+Left", C::Step(-10)),
        action("To the start", "Home", C::ToStart),
        action("To the end", "End", C::ToEnd),
        action("Loop on or off", "L", C::ToggleLoop),
        action("Play from this frame on", "I", C::PlayFromHere),
        action("Play up to this frame", "O", C::PlayToHere),
        action("Play the whole take", "Shift+L", C::SetRange(None)),
        action("Next fault", "Down", C::StepFault(1)),
        action("Fault before", "Up", C::StepFault(-1)),
        action("Before or after planting", "B", C::ToggleBefore),
        action("Change what is drawn of the bodies", "X", C::NextShow),
        action(
            "Change how the bodies share the space",
            "V",
            C::NextArrangement,
        ),
        action(
            "Look from three quarters",
            "1",
            C::LookFrom(Angle::ThreeQuarter),
        ),
        action("Look from the front", "2", C::LookFrom(Angle::Front)),
        action("Look from the side", "3", C::LookFrom(Angle::Side)),
        action("Look from the back", "4", C::LookFrom(Angle::Back)),
        action("Look from the top", "5", C::LookFrom(Angle::Top)),
        action("Frame the bodies", "0", C::FrameBodies),
        action("Frame the chosen joint", "F", C::FrameJoint),
        action("Cameras go along or stand", "G", C::ToggleFollow),
        action("Link or unlink the cameras", "K", C::ToggleLinked),
        action(
            "Rings about the joint's or the world's axes",
            "R",
            C::NextRingAxes,
        ),
        action(
            "Take the offset of the chosen joint away",
            "",
            C::ResetOffset,
        ),
        action("Mark contacts or not", "C", C::ToggleContacts),
        action("Mark faults or not", "M", C::ToggleFaultMarks),
        action("Pin or unpin the feet that stand", "P", C::TogglePins),
        action("Faults panel", "F2", C::SetPanel(Pane::Faults)),
        action("Map panel", "F3", C::SetPanel(Pane::Map)),
        action("Tune panel", "F4", C::SetPanel(Pane::Tune)),
        action("Presets panel", "F5", C::SetPanel(Pane::Presets)),
        action("Tracks panel", "T", C::SetPanel(Pane::Tracks)),
        action("Curves panel", "", C::SetPanel(Pane::Curves)),
        action(
            "Close the Faults panel",
            "Shift+F2",
            C::ClosePanel(Pane::Faults),
        ),
        action("Close the Map panel", "Shift+F3", C::ClosePanel(Pane::Map)),
        action(
            "Close the Tune panel",
            "Shift+F4",
            C::ClosePanel(Pane::Tune),
        ),
        action(
            "Close the Presets panel",
            "Shift+F5",
            C::ClosePanel(Pane::Presets),
        ),
        action(
            "Close the Tracks panel",
            "Shift+T",
            C::ClosePanel(Pane::Tracks),
        ),
        action(
            "Close the Curves panel",
            "Shift+U",
            C::ClosePanel(Pane::Curves),
        ),
        action(
            "Compare with the standard settings (A and B)",
            "",
            C::Compare(Some(PresetId::Standard)),
        ),
        action("End the comparison of A and B", "", C::Compare(None)),
        action("Take the settings of B", "", C::TakeOther),
        action("Curves or tracks", "U", C::ToggleCurves),
        action(
            "Show or hide the panels Faults, Map, Tune, Presets",
            "F6",
            C::ToggleSide,
        ),
        action("Show or hide play, tracks and curves", "F7", C::ToggleTime),
        action("Exchange the panels left and right", "", C::SwapSide),
        action("Undo the last change of the panels", "F8", C::UndoLayout),
        action(
            "Redo the last change of the panels",
            "Shift+F8",
            C::RedoLayout,
        ),
        action("Reset layout", "", C::ResetLayout),
        action("Everything larger", "Ctrl+Plus", C::Scale { larger: true }),
        action(
            "Everything smaller",
            "Ctrl+Minus",
            C::Scale { larger: false },
        ),
        action("Everything at its usual size", "Ctrl+0", C::ResetScale),
        action("Open a scene", "Ctrl+O", C::Ask(Dialog::OpenScene)),
        action("Open a take", "Ctrl+T", C::Ask(Dialog::OpenTake)),
        action("Open a character", "Ctrl+B", C::Ask(Dialog::OpenCharacter)),
        action("Save the scene", "Ctrl+S", C::Ask(Dialog::SaveScene)),
        action("Save under another name", "", C::Ask(Dialog::SaveSceneAs)),
        action("Export the clip", "Ctrl+E", C::ToggleExport),
        action("Undo", "Ctrl+Z", C::Undo),
        action("Redo", "Ctrl+Y", C::Redo),
        action(
            "Stop the work in the background, or choose no joint and no chain",
            "Esc",
            C::Leave,
        ),
        action("Carry the take over again", "F9", C::CarryOver),
        action("Dark or light", "", C::ToggleDark),
        action("First steps", "", C::ToggleGuide),
        action("List of actions", "F1", C::ToggleActions),
    ]
}

/// The key of a command, for hints; empty where it has none.
pub fn key_of(command: &Command) -> &'static str {
    let all = actions();
    let found = all.into_iter().find(|action| action.command == *command);
    found.map_or("", |action| action.key)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_key_does_one_thing() {
        let all = actions();
        let keys: Vec<&str> = all
            .iter()
            .map(|a| a.key)
            .filter(|key| !key.is_empty())
            .collect();
        assert_eq!(keys.iter().collect::<BTreeSet<_>>().len(), keys.len());
        assert_eq!(key_of(&Command::TogglePlay), "Space");
    }
}
