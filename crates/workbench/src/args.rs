//! The command line of the window.

use std::path::PathBuf;

use clap::{Parser, ValueEnum};

use crate::state::camera::Angle;
use crate::state::panes::Pane;
use crate::state::stage::Who;
use crate::state::view::Show;

/// Opens the workbench: performer and character side by side, with what is wrong and where.
///
/// Started with nothing it opens a demo scene.
#[derive(Clone, Debug, Parser)]
#[command(name = "understudy-workbench", version, after_help = EXITS)]
pub struct Args {
    /// A scene (.ron), a take, a character (.glb), or a take and a character.
    pub files: Vec<PathBuf>,

    /// Draw one picture to this PNG file without a person, and end.
    #[arg(long, value_name = "OUT.png")]
    pub screenshot: Option<PathBuf>,

    /// The frame to show, counted from 0.
    #[arg(long, default_value_t = 0)]
    pub frame: usize,

    /// Where to look from.
    #[arg(long, value_enum, default_value = "three-quarter")]
    pub view: ViewArg,

    /// Size of window and picture [default: as it was, 1440x900 at first].
    #[arg(long, value_name = "WxH", value_parser = parse_size)]
    pub size: Option<[u32; 2]>,

    /// Scale of everything in the window, per cent, 75 to 250 [default: as it was, 100 at first].
    #[arg(long, value_name = "PERCENT", value_parser = clap::value_parser!(u32).range(75..=250))]
    pub scale: Option<u32>,

    /// What to draw of the bodies.
    #[arg(long, value_enum, default_value = "surface")]
    pub show: ShowArg,

    /// Show one body alone.
    #[arg(long, value_enum)]
    pub only: Option<OnlyArg>,

    /// The whole window, or the bodies without panels.
    #[arg(long, value_enum, default_value = "full")]
    pub layout: LayoutArg,

    /// How the bodies share the space.
    #[arg(long, value_enum)]
    pub arrange: Option<ArrangeArg>,

    /// Show curves instead of the tracks.
    #[arg(long)]
    pub curves: bool,

    /// Compare with these settings, as `understudy retarget --settings` reads them.
    #[arg(long, value_name = "SETTINGS.ron")]
    pub against: Option<PathBuf>,

    /// Bring a panel to the front of its group [default: as it was, faults and tracks at first].
    #[arg(long, value_enum)]
    pub panel: Option<PanelArg>,

    /// How the panels stand: the `panes` of the kept preferences, in a file of their own [default: as it
    /// was].
    #[arg(long, value_name = "PANELS.ron")]
    pub panels: Option<PathBuf>,

    /// Choose a joint by its name or its role: of the character, or else of the performer.
    #[arg(long, value_name = "NAME")]
    pub joint: Option<String>,

    /// Choose a chain of the character by its words, such as "left arm" or "spine".
    #[arg(long, value_name = "WORDS")]
    pub chain: Option<String>,

    /// Show the character at rest instead of moving.
    #[arg(long)]
    pub rest: bool,

    /// Show plain transfer, before feet are planted.
    #[arg(long)]
    pub before: bool,

    /// Go to a fault of the list, counted from 1.
    #[arg(long, value_name = "NUMBER")]
    pub fault: Option<usize>,

    /// A light window instead of a dark one.
    #[arg(long)]
    pub light: bool,

    /// Draw to memory instead of a screen; with --screenshot or --time-frames.
    #[arg(long)]
    pub offscreen: bool,

    /// Play the steps of this file in the window as if a person did them, and end: a list of
    /// Key("Ctrl+E"), Click("words"), ClickNth("words", 2), Fill("field", "text"), Type("text"),
    /// See("words"), Wait and Close.
    #[arg(long, value_name = "STEPS.ron", conflicts_with_all = ["screenshot", "time_frames"])]
    pub play_input: Option<PathBuf>,

    /// Play for some seconds, say how long pictures took, and end.
    #[arg(long, value_name = "SECS", conflicts_with = "screenshot")]
    pub time_frames: Option<f64>,
}

const EXITS: &str = "Exit codes: 0 done, 1 a step of --play-input cannot be done, 2 wrong arguments, 3 a file cannot be read, 4 it cannot be \
solved, 5 a file cannot be written, 6 there is no screen or no graphics adapter (the command line, \
`understudy`, works without).";

macro_rules! words {
    ($(#[$doc:meta])* $name:ident => $target:ty { $($(#[$each:meta])* $variant:ident => $value:expr),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
        pub enum $name { $($(#[$each])* $variant),* }

        impl From<$name> for $target {
            fn from(word: $name) -> Self {
                match word { $($name::$variant => $value),* }
            }
        }
    };
}

words! {
    /// Where to look from.
    ViewArg => Angle {
        /// From the front, a little from above and the side.
        ThreeQuarter => Angle::ThreeQuarter,
        /// Into the face.
        Front => Angle::Front,
        /// From the body's left.
        Side => Angle::Side,
        /// From behind.
        Back => Angle::Back,
        /// From above.
        Top => Angle::Top,
    }
}

words! {
    /// What to draw of the bodies.
    ShowArg => Show {
        /// The bones alone.
        Bones => Show::Bones,
        /// The skin alone.
        Surface => Show::Surface,
        /// The skin with the bones drawn over it.
        Both => Show::Both,
        /// Bones in a skin of glass.
        XRay => Show::XRay,
    }
}

words! {
    /// One body alone.
    OnlyArg => Who {
        /// The body that is to move.
        Character => Who::Character,
        /// The body that was captured.
        Performer => Who::Performer,
    }
}

words! {
    /// How the bodies share the space.
    ArrangeArg => crate::state::view::Arrangement {
        /// Each in a view of its own.
        SideBySide => crate::state::view::Arrangement::SideBySide,
        /// One over the other.
        Overlay => crate::state::view::Arrangement::Overlay,
        /// With where the character was and will be.
        Onion => crate::state::view::Arrangement::Onion,
        /// The character twice: with its settings, and with others (--against, or the standard ones).
        Compare => crate::state::view::Arrangement::Compare,
    }
}

words! {
    /// A panel that can be in front.
    PanelArg => Pane {
        /// What is wrong, worst first.
        Faults => Pane::Faults,
        /// Which joint is what.
        Map => Pane::Map,
        /// What can be set.
        Tune => Pane::Tune,
        /// Settings that are kept by name, and compared.
        Presets => Pane::Presets,
        /// Faults, contacts and measures over time.
        Tracks => Pane::Tracks,
        /// Curves of a joint over time.
        Curves => Pane::Curves,
    }
}

/// The whole window, or the bodies without panels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum LayoutArg {
    /// The whole window.
    Full,
    /// The bodies alone.
    View,
}

fn parse_size(text: &str) -> Result<[u32; 2], String> {
    let sizes = text.split_once(['x', 'X']).and_then(|(width, height)| {
        let side = |text: &str| text.parse().ok().filter(|side| (64..=8192).contains(side));
        Some([side(width)?, side(height)?])
    });
    sizes.ok_or_else(|| "write width and height in pixels, 64 to 8192: 1440x900".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_makes_sense() {
        use clap::CommandFactory;
        Args::command().debug_assert();
        assert_eq!(parse_size("640x400"), Ok([640, 400]));
        for wrong in ["640", "0x0", "640x99999", "axb"] {
            assert!(parse_size(wrong).is_err(), "{wrong}");
        }
    }
}
