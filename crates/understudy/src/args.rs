//! The command line as types, and the text of `--help`.

use std::path::{Path, PathBuf};

use clap::builder::{PossibleValuesParser, TypedValueParser};
use clap::{Args, Parser, Subcommand, ValueEnum};
use understudy_bodies::RestPose;
use understudy_motion::LengthUnit;
use understudy_solver::{Settings, Together, Travel};

use understudy_scene::Frames;
use understudy_scene::export::OutFormat;
use understudy_scene::frames::frame_time_of;
use understudy_scene::load::LoadOptions;

const EXIT_CODES: &str = "\
Exit codes:
  0  done
  1  done, but faults are above the limits (with --strict), or what must hold of a scene does not
  2  the command line makes no sense
  3  a file cannot be read, or a mapping, contacts or settings file does not fit
  4  no body can be made out, or nothing can be solved
  5  a file cannot be written
With several takes, the highest of all of them.

Results go to stdout, everything else to stderr. A file is written whole or not at all.
Lengths are metres unless said otherwise, frames count from 0, rates are frames per second.";

/// Carries captured motion onto a character with another body, feet planted, and measures the
/// result.
#[derive(Debug, Parser)]
#[command(name = "understudy", bin_name = "understudy", version, after_help = EXIT_CODES, propagate_version = true)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Say what is in a file: joints, roles, rest pose, unit, rate, floor, contacts, faults
    Inspect(InspectArgs),
    /// Carry takes onto a character, plant its feet, and report what is still wrong
    Retarget(RetargetArgs),
    /// Run scenes: carry each take over and check what must hold of the result
    Run(RunArgs),
    /// Measure a clip on its own, or against the take it was made from
    Measure(MeasureArgs),
    /// Turn a motion file into another format, rate or unit
    Convert(ConvertArgs),
    /// Make a body or the demo take to try things with
    Make(MakeArgs),
}

/// A frame rate as a person says it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rate {
    /// Time from frame to frame, seconds.
    pub frame_time_secs: f64,
}

fn parse_rate(text: &str) -> Result<Rate, String> {
    frame_time_of(text).map(|frame_time_secs| Rate { frame_time_secs })
}

fn parse_travel(text: &str) -> Result<Travel, String> {
    match text.trim() {
        "leg-length" => Ok(Travel::LegLength),
        "kept" => Ok(Travel::Kept),
        other => match other.parse::<f64>() {
            Ok(factor) if (0.0..=1000.0).contains(&factor) => Ok(Travel::Factor(factor)),
            _ => Err("use leg-length, kept, or a factor from 0 to 1000, such as 0.8".to_owned()),
        },
    }
}

fn parse_metres(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(metres) if metres.is_finite() => Ok(metres),
        _ => Err("not a number of metres".to_owned()),
    }
}

fn parse_frame(text: &str) -> Result<usize, String> {
    text.trim()
        .parse()
        .map_err(|_| "not the number of a frame; they count from 0".to_owned())
}

fn parse_name(text: &str) -> Result<String, String> {
    match text.trim().is_empty() {
        true => Err("a clip needs a name that can be seen".to_owned()),
        false => Ok(text.to_owned()),
    }
}

/// The formats of written files, by their extensions.
fn formats() -> impl TypedValueParser<Value = OutFormat> {
    PossibleValuesParser::new(OutFormat::ALL.map(OutFormat::extension)).map(|extension| {
        let found = OutFormat::ALL
            .into_iter()
            .find(|f| f.extension() == extension);
        found.unwrap_or(OutFormat::Glb)
    })
}

/// How a single file is read.
#[derive(Clone, Debug, Default, Args)]
#[command(next_help_heading = "Reading")]
pub struct ReadArgs {
    /// Unit of lengths in the file: mm, cm, dm, in, ft, m, or metres in one unit [default:
    /// guessed from the body's height; metres for glTF]
    #[arg(long, value_name = "UNIT", allow_negative_numbers = true)]
    pub unit: Option<LengthUnit>,
    /// Skeleton of an AMC file [default: the ASF file in the same folder that bears
    /// its name, or the only one there]
    #[arg(long, value_name = "FILE.asf")]
    pub asf: Option<PathBuf>,
    /// Which animation of a glTF file: its name, or its number counted from 1 [default: the first]
    #[arg(long, value_name = "NAME|N", allow_negative_numbers = true)]
    pub clip: Option<String>,
}

impl ReadArgs {
    /// The same as options of the reader; `rate` where the format leaves the rate open, `mapping`
    /// where roles matter.
    pub fn load_options(&self, rate: Option<Rate>, mapping: Option<&Path>) -> LoadOptions {
        LoadOptions {
            unit: self.unit,
            asf: self.asf.clone(),
            frame_time_secs: rate.map(|rate| rate.frame_time_secs),
            animation: self.clip.clone(),
            mapping: mapping.map(Path::to_owned),
        }
    }
}

/// How to read one file whose joints have roles.
#[derive(Debug, Args)]
pub struct BodyArgs {
    /// How to read it.
    #[command(flatten)]
    pub read: ReadArgs,
    /// Corrected roles of the file's joints, as `inspect --mapping-out` writes them
    #[arg(long, value_name = "FILE.ron", help_heading = "Reading")]
    pub mapping: Option<PathBuf>,
    /// Frame rate of an AMC file [default: as it says, or else 120], or of the frames made from
    /// the keys of a glTF animation [default: found from the keys]
    #[arg(long, value_name = "FPS", value_parser = parse_rate, allow_negative_numbers = true, help_heading = "Reading")]
    pub rate: Option<Rate>,
}

impl BodyArgs {
    /// The same as options of the reader.
    pub fn load_options(&self) -> LoadOptions {
        self.read.load_options(self.rate, self.mapping.as_deref())
    }
}

/// `understudy inspect`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  understudy inspect heron-walk.bvh
  understudy inspect heron-walk.bvh --json | less
  understudy inspect keeper.glb --mapping-out keeper.ron     correct it, then
  understudy inspect keeper.glb --mapping keeper.ron")]
pub struct InspectArgs {
    /// A .bvh, .amc, .asf, .glb or .gltf file
    pub file: PathBuf,
    /// Height of the floor along the file's up axis, metres [default: estimated]
    #[arg(long, value_name = "METRES", value_parser = parse_metres, allow_negative_numbers = true)]
    pub floor: Option<f64>,
    /// Write the roles found as a mapping file, to be corrected by hand
    #[arg(long, value_name = "FILE.ron")]
    pub mapping_out: Option<PathBuf>,
    /// Write the contacts found, to be corrected by hand and given to `retarget --contacts`
    #[arg(long, value_name = "FILE.ron")]
    pub contacts_out: Option<PathBuf>,
    /// Write world positions of all joints in every frame, metres, in the axes of the file
    #[arg(long, value_name = "FILE.json")]
    pub positions: Option<PathBuf>,
    /// Print JSON for programs instead of text for people
    #[arg(long)]
    pub json: bool,
    /// How to read it as a body.
    #[command(flatten)]
    pub body: BodyArgs,
}

/// `understudy retarget`.
#[derive(Debug, Args)]
#[command(
    override_usage = "understudy retarget [OPTIONS] -o <OUT> <TAKE>... <CHARACTER>",
    after_help = "\
With .glb, the clip is added to the character's own file and everything else in it is kept; a
character from a BVH or ASF file becomes bones without a skin. With .bvh, the character's skeleton
is written, with its own channels where it came from a BVH file. Several takes, or an output that
ends in /, make a folder: one file and one report per take, one line on stdout each; a take that
fails does not stop the others.

Examples:
  understudy retarget heron-walk.bvh keeper.glb -o out/keeper-walk.glb
  understudy retarget heron-walk.bvh keeper.glb -o out/keeper-walk.bvh --rate 30
  understudy retarget heron-walk.bvh keeper.glb -o out/keeper-step.glb --frames 100..250
  understudy retarget takes/*.bvh keeper.glb -o out/ --strict --json

Limits of --strict: slide within a plant 0.5 mm, sinking 1 mm, knee peaks 1.2 times the take's,
timing shift 0 frames, some contact with the floor, and no role of a confidence of 0.6 or less that
no mapping file settles."
)]
pub struct RetargetArgs {
    /// One take or more (.bvh, .amc, .glb, .gltf), and last the character (.glb, .gltf, .bvh, .asf)
    #[arg(value_name = "FILES", num_args = 1.., required = true)]
    pub files: Vec<PathBuf>,
    /// File to write, .glb or .bvh; or a folder, ending in /
    #[arg(short, long, value_name = "OUT")]
    pub output: PathBuf,
    /// Format of files in an output folder
    #[arg(long, value_name = "FORMAT", value_parser = formats(), default_value = "glb")]
    pub format: OutFormat,
    /// Name of the clip in a .glb file [default: name of the take's file]
    #[arg(long, value_name = "NAME", value_parser = parse_name)]
    pub name: Option<String>,
    /// Where to write the report [default: beside OUT, as its name with .report.json]
    #[arg(long, value_name = "FILE.json")]
    pub report: Option<PathBuf>,
    /// Write the clip alone, without a report
    #[arg(long, conflicts_with = "report")]
    pub no_report: bool,
    /// Write only these frames of the result, first and last, both in it, counted from 0 at the rate
    /// of the result. The whole take is carried over all the same, so that the frames are what they
    /// are in the whole clip; the report is about them alone
    #[arg(long, value_name = "FIRST..LAST")]
    pub frames: Option<Frames>,
    /// Print the report as JSON (one line per take with an output folder)
    #[arg(long)]
    pub json: bool,
    /// End with exit code 1 where faults are above the limits below
    #[arg(long)]
    pub strict: bool,
    /// How the files are read.
    #[command(flatten)]
    pub reading: PairReadArgs,
    /// How the take is carried over.
    #[command(flatten)]
    pub solving: SolveArgs,
}

/// How take and character are read.
#[derive(Clone, Debug, Default, Args)]
#[command(next_help_heading = "Reading")]
pub struct PairReadArgs {
    /// Corrected roles of the take's joints, as `inspect --mapping-out` writes them
    #[arg(long, value_name = "FILE.ron")]
    pub mapping_take: Option<PathBuf>,
    /// Corrected roles of the character's joints
    #[arg(long, value_name = "FILE.ron")]
    pub mapping_character: Option<PathBuf>,
    /// Unit of the take: mm, cm, dm, in, ft, m, or metres in one unit [default: guessed from the
    /// body's height; metres for glTF]
    #[arg(long, value_name = "UNIT", allow_negative_numbers = true)]
    pub unit_take: Option<LengthUnit>,
    /// Unit of the character, likewise
    #[arg(long, value_name = "UNIT", allow_negative_numbers = true)]
    pub unit_character: Option<LengthUnit>,
    /// Skeleton of AMC takes [default: the ASF file in the same folder that bears the name,
    /// or the only one there]
    #[arg(long, value_name = "FILE.asf")]
    pub asf_take: Option<PathBuf>,
    /// Frame rate of AMC takes, which do not say [default: 120], or of the frames made from glTF
    /// keys [default: found from the keys]
    #[arg(long, value_name = "FPS", value_parser = parse_rate, allow_negative_numbers = true)]
    pub rate_take: Option<Rate>,
    /// Which animation of a glTF take: its name, or its number counted from 1 [default: the first]
    #[arg(long, value_name = "NAME|N", allow_negative_numbers = true)]
    pub clip_take: Option<String>,
}

impl PairReadArgs {
    /// Options for reading takes.
    pub fn take(&self) -> LoadOptions {
        LoadOptions {
            unit: self.unit_take,
            asf: self.asf_take.clone(),
            frame_time_secs: self.rate_take.map(|rate| rate.frame_time_secs),
            animation: self.clip_take.clone(),
            mapping: self.mapping_take.clone(),
        }
    }

    /// Options for reading the character.
    pub fn character(&self) -> LoadOptions {
        LoadOptions {
            unit: self.unit_character,
            mapping: self.mapping_character.clone(),
            ..LoadOptions::default()
        }
    }
}

/// How a take is carried over.
#[derive(Clone, Debug, Default, Args)]
#[command(next_help_heading = "Solving")]
pub struct SolveArgs {
    /// Settings of the solver, as `make settings` writes them; the options below override them
    #[arg(long, value_name = "FILE.ron")]
    pub settings: Option<PathBuf>,
    /// Contacts to plant by, as `inspect --contacts-out` writes them [default: found from the take]
    #[arg(long, value_name = "FILE.ron")]
    pub contacts: Option<PathBuf>,
    /// Frame of the take whose pose corresponds to the character's rest pose [default: the take's
    /// own rest pose]
    #[arg(long, value_name = "N", value_parser = parse_frame, allow_negative_numbers = true)]
    pub reference_frame: Option<usize>,
    /// Horizontal travel: leg-length (scaled by the ratio of legs), kept, or a factor [default:
    /// leg-length]
    #[arg(long, value_name = "HOW", value_parser = parse_travel, allow_negative_numbers = true)]
    pub travel: Option<Travel>,
    /// Height of the take's floor along its up axis, metres [default: estimated]
    #[arg(long, value_name = "METRES", value_parser = parse_metres, allow_negative_numbers = true)]
    pub floor: Option<f64>,
    /// Leave the feet as plain transfer puts them
    #[arg(long)]
    pub no_plants: bool,
    /// How the clip is solved.
    #[command(flatten)]
    pub how: How,
    /// Frame rate of the result [default: that of the take]
    #[arg(long, value_name = "FPS", value_parser = parse_rate, allow_negative_numbers = true)]
    pub rate: Option<Rate>,
}

/// How a clip is solved, over what its settings say.
#[derive(Clone, Debug, Default, Args)]
pub struct How {
    /// Solve every frame by itself instead of the whole clip at once, to compare with
    #[arg(long)]
    per_frame: bool,
    /// Keep parts of the body out of each other where the performer's are apart; takes longer
    #[arg(long)]
    keep_apart: bool,
    /// Keep the centre of mass over the feet as it is in the take, by shifting the pelvis; feet stay
    #[arg(long)]
    balance: bool,
}

impl How {
    /// Lays the options over settings.
    pub fn apply(&self, settings: &mut Settings) {
        if self.per_frame {
            settings.together = Together::Frame;
        }
        settings.touches.keep_out |= self.keep_apart;
        settings.balance.enabled |= self.balance;
    }
}

/// `understudy run`.
#[derive(Debug, Args)]
#[command(after_help = "\
A scene is a RON file: take, character, settings, contacts, and what must hold of the result. Paths in
it are relative to its folder. Every scene is run, whatever becomes of the others.

Examples:
  understudy run demo-scenes/pedlar-clap.scene.ron
  understudy run demo-scenes/*.scene.ron -o delivered/ --format bvh")]
pub struct RunArgs {
    /// Scene files, .ron
    #[arg(value_name = "SCENE.ron", num_args = 1.., required = true)]
    pub scenes: Vec<PathBuf>,
    /// Folder to write clips and reports to [default: nothing is written]
    #[arg(short, long, value_name = "FOLDER")]
    pub output: Option<PathBuf>,
    /// Format of the clips
    #[arg(long, value_name = "FORMAT", value_parser = formats(), default_value = "glb")]
    pub format: OutFormat,
    /// How the clip is solved.
    #[command(flatten)]
    pub how: How,
    /// Print one line of JSON per scene instead of text for people
    #[arg(long)]
    pub json: bool,
}

/// `understudy measure`.
#[derive(Debug, Args)]
#[command(after_help = "\
On its own, a clip is measured by the contacts and the floor found in it. Against a take, it is
measured by the take's contacts and floor, beside the take itself and plain transfer; both must
start together, and the clip is brought to the take's frame rate.

Examples:
  understudy measure keeper-walk.glb
  understudy measure keeper-walk.glb --against heron-walk.bvh --strict")]
pub struct MeasureArgs {
    /// The clip: a .bvh, .amc, .glb or .gltf file
    pub file: PathBuf,
    /// The take that the clip was made from
    #[arg(long, value_name = "TAKE")]
    pub against: Option<PathBuf>,
    /// Corrected roles of the take's joints
    #[arg(long, value_name = "FILE.ron", requires = "against")]
    pub mapping_take: Option<PathBuf>,
    /// Unit of the take [default: guessed]
    #[arg(
        long,
        value_name = "UNIT",
        requires = "against",
        allow_negative_numbers = true
    )]
    pub unit_take: Option<LengthUnit>,
    /// Contacts of the take to measure by [default: found from the take]
    #[arg(long, value_name = "FILE.ron", requires = "against")]
    pub contacts: Option<PathBuf>,
    /// Height of the floor along the up axis, metres [default: estimated]
    #[arg(long, value_name = "METRES", value_parser = parse_metres, allow_negative_numbers = true)]
    pub floor: Option<f64>,
    /// Write the report to a file as well
    #[arg(long, value_name = "FILE.json")]
    pub report: Option<PathBuf>,
    /// Keep values frame by frame in the JSON
    #[arg(long)]
    pub series: bool,
    /// Print JSON for programs instead of text for people
    #[arg(long)]
    pub json: bool,
    /// End with exit code 1 where slide within a plant is above 0.5 mm, sinking above 1 mm, knee
    /// peaks above 1.2 times the take's, or timing shift above 0 frames
    #[arg(long)]
    pub strict: bool,
    /// How to read it as a body.
    #[command(flatten)]
    pub body: BodyArgs,
}

/// `understudy convert`.
#[derive(Debug, Args)]
#[command(after_help = "\
BVH to BVH keeps every channel as it was. A glTF file becomes a .glb with its animation made of
frames, everything else kept; other files become bones without a skin.

Examples:
  understudy convert lamp-walk.amc walk.bvh --rate-in 120
  understudy convert walk.bvh walk.glb
  understudy convert walk.bvh walk-30.bvh --rate 30 --unit-out m")]
pub struct ConvertArgs {
    /// File to read: .bvh, .amc, .asf, .glb or .gltf
    pub input: PathBuf,
    /// File to write: .bvh or .glb
    pub output: PathBuf,
    /// Frame rate to write [default: as read]; resampling never shifts time
    #[arg(long, value_name = "FPS", value_parser = parse_rate, allow_negative_numbers = true)]
    pub rate: Option<Rate>,
    /// Unit to write in a BVH file [default: that of a BVH file that was read, or else cm]
    #[arg(long, value_name = "UNIT", allow_negative_numbers = true)]
    pub unit_out: Option<LengthUnit>,
    /// Name of the clip in a .glb file [default: the clip's own, or that of the file]
    #[arg(long, value_name = "NAME", value_parser = parse_name)]
    pub name: Option<String>,
    /// How to read it.
    #[command(flatten)]
    pub read: ReadArgs,
    /// Frame rate of an AMC file [default: as it says, or else 120], or of the frames made from
    /// the keys of a glTF animation [default: found from the keys]
    #[arg(long, value_name = "FPS", value_parser = parse_rate, allow_negative_numbers = true, help_heading = "Reading")]
    pub rate_in: Option<Rate>,
}

/// `understudy make`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  understudy make demo-take -o stall-walk.bvh
  understudy make clap -o clap.bvh
  understudy make clap --fault noise -o clap-noise.bvh
  understudy make takes -o takes/
  understudy make performer -o performer.glb --stature 1.68 --rest a
  understudy make assets/bodies/weaver.ron -o weaver.glb
  understudy make settings -o settings.ron

Takes of the performer: walk, stealth, clap, prayer, chin, brow, hips, folded, lift, sit, jump, dance,
crawl, wave; and demo-take, a walk that is longer.
Faults that captures have: noise, foot-wobble, pelvis-tilt, swapped-axis, dropout, long-arms.")]
pub struct MakeArgs {
    /// What to make: `performer` (a human body of published proportions), a take of the performer
    /// (listed below), `takes` (all of them with all faults, in a folder), `settings` (all settings of `retarget`, as they are without a file), or a
    /// body from its description, .ron
    #[arg(value_name = "performer|TAKE|takes|settings|BODY.ron")]
    pub what: String,
    /// File to write: .glb with skin, or .bvh with bones only; .ron for settings
    #[arg(short, long, value_name = "OUT")]
    pub output: PathBuf,
    /// Height of the performer, metres [default: 1.75]
    #[arg(long, value_name = "METRES", value_parser = parse_metres, allow_negative_numbers = true)]
    pub stature: Option<f64>,
    /// A fault of the capture to put into a take
    #[arg(long, value_name = "FAULT")]
    pub fault: Option<String>,
    /// Rest pose of the performer [default: t]
    #[arg(long, value_enum)]
    pub rest: Option<RestChoice>,
}

/// Rest poses of the performer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum RestChoice {
    /// Arms level.
    T,
    /// Arms halfway down.
    A,
    /// Arms hanging.
    Down,
}

impl From<RestChoice> for RestPose {
    fn from(choice: RestChoice) -> Self {
        match choice {
            RestChoice::T => Self::T,
            RestChoice::A => Self::A,
            RestChoice::Down => Self::ArmsDown,
        }
    }
}
