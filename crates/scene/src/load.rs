//! From a file to a body that moves: clip, skin, roles, and everything a person should know.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use understudy_anatomy::{Assembly, Body, Mapping, Recognition, recognise};
use understudy_interchange::gltf_file::GltfCharacter;
use understudy_interchange::ron_file::load_ron;
use understudy_interchange::{ReadOptions, Source, UnitFinding, load_take};
use understudy_motion::clip::Interpolation;
use understudy_motion::{Clip, LengthUnit, Skeleton, Surface};

use crate::failure::Failure;

/// What the user says about a file instead of letting it be found out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LoadOptions {
    /// Unit of lengths in the file.
    pub unit: Option<LengthUnit>,
    /// The skeleton of an AMC file.
    pub asf: Option<PathBuf>,
    /// Frame time of an AMC file, or of the frames made from glTF keys, seconds.
    pub frame_time_secs: Option<f64>,
    /// Name of an animation in a glTF file, or its number counted from 1.
    pub animation: Option<String>,
    /// A mapping file with corrections of the roles.
    pub mapping: Option<PathBuf>,
}

/// What a file is wanted for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// Its motion.
    Motion,
    /// Its skeleton and skin; whether it moves does not matter.
    Character,
}

/// A file that was read, with the roles of its joints.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// The file.
    pub path: PathBuf,
    /// Its motion, metres, in the axes of the file. One frame at rest where it has none.
    pub clip: Clip,
    /// The mapping file whose corrections are in its roles.
    pub mapping: Option<PathBuf>,
    /// Its unit of length.
    pub unit: UnitFinding,
    /// The file as data.
    pub source: Source,
    /// Roles of its joints, corrections applied.
    pub recognition: Recognition,
    /// The body that the roles describe, or why they describe none.
    pub assembly: Result<Assembly, String>,
    /// What was mended or decided while reading.
    pub warnings: Vec<String>,
}

impl Loaded {
    /// Reads a file and finds the roles of its joints.
    ///
    /// # Errors
    /// A file or mapping that cannot be read, or a mapping that does not fit the skeleton.
    pub fn read(path: &Path, options: &LoadOptions, purpose: Purpose) -> Result<Self, Failure> {
        let wanted = ReadOptions {
            unit: options.unit,
            asf: options.asf.clone(),
            frame_rate: options.frame_time_secs.map(|secs| 1.0 / secs),
            ..ReadOptions::default()
        };
        let mut take = load_take(path, &wanted).map_err(|error| Failure::input(&error))?;
        if let Source::Gltf(character) = &take.source {
            if options.animation.is_some() || purpose == Purpose::Character {
                forget_choice(character, &mut take.warnings);
            }
            if let Some(wanted) = &options.animation {
                take.clip = pick_animation(character, wanted)
                    .map_err(|problem| Failure::input_at(path, problem))?;
            }
        }
        take.warnings.extend(unused(&take.source, options));
        check_frame_time(&take.clip).map_err(|problem| Failure::input_at(path, problem))?;
        let surface = surface_of(&take.source);
        let recognition = recognised(&take.clip.skeleton, surface, options.mapping.as_deref())?;
        let assembly = recognition
            .assemble(&take.clip.skeleton, surface)
            .map_err(|error| error.to_string());
        Ok(Self {
            path: path.to_owned(),
            clip: take.clip,
            mapping: options.mapping.clone(),
            unit: take.unit,
            source: take.source,
            recognition,
            assembly,
            warnings: take.warnings,
        })
    }

    /// The joints.
    pub fn skeleton(&self) -> &Arc<Skeleton> {
        &self.clip.skeleton
    }

    /// The skin, where the file has one.
    pub fn surface(&self) -> Option<&Surface> {
        surface_of(&self.source)
    }

    /// All that can be drawn of the body: the skin, and what hangs on joints.
    pub fn drawn(&self) -> Option<&Surface> {
        match &self.source {
            Source::Gltf(character) => Some(&character.surface),
            _ => None,
        }
    }

    /// The body, where it has legs or a spine to work with.
    ///
    /// # Errors
    /// Roles that make no body, or one without legs and spine.
    pub fn body(&self) -> Result<&Body, Failure> {
        match &self.assembly {
            Err(problem) => Err(self.no_body(&format!("the joints make no body: {problem}"))),
            Ok(assembly) if assembly.body.legs.is_empty() && assembly.body.spine.is_empty() => {
                Err(self.no_body("neither legs nor a spine were found"))
            }
            Ok(assembly) => Ok(&assembly.body),
        }
    }

    /// The error of roles that make no body, naming the mapping file where they are from one.
    fn no_body(&self, problem: &str) -> Failure {
        let see = "see what was found with `understudy inspect`, and correct it in";
        match &self.mapping {
            None => Failure::unsolvable(
                &self.path,
                format!("{problem}; {see} a mapping file (`inspect --mapping-out`)"),
            ),
            Some(mapping) => Failure::unsolvable(
                mapping,
                format!(
                    "with these roles for {}, {problem}; {see} this file",
                    self.path.display()
                ),
            ),
        }
    }

    /// Roles that a person should look at, with their reasons.
    pub fn doubtful(&self) -> Vec<String> {
        let found = self.recognition.roles.iter();
        found
            .filter(|(_, found)| found.confidence <= DOUBTFUL)
            .map(|(joint, found)| {
                let name = self.skeleton().name(joint);
                format!(
                    "{name} as {} ({:.2}): {}",
                    found.role, found.confidence, found.reason
                )
            })
            .collect()
    }

    /// The ASF file that an AMC file was read with.
    pub fn asf(&self) -> Option<&Path> {
        match &self.source {
            Source::AsfAmc {
                asf,
                motion: Some(_),
                ..
            } => Some(asf),
            _ => None,
        }
    }

    /// What recognition and assembly have to say.
    pub fn notes(&self) -> Vec<String> {
        let assembled = self.assembly.as_ref().map(|assembly| &assembly.notes);
        let mut notes = self.recognition.notes.clone();
        notes.extend(assembled.into_iter().flatten().cloned());
        notes
    }

    /// Name of the format, for people.
    pub fn format(&self) -> &'static str {
        match &self.source {
            Source::Bvh { .. } => "BVH",
            Source::AsfAmc {
                motion: Some(_), ..
            } => "AMC",
            Source::AsfAmc { motion: None, .. } => "ASF",
            Source::Gltf(_) => "glTF",
        }
    }

    /// Name of the file without folder and extension.
    pub fn stem(&self) -> String {
        stem(&self.path)
    }
}

/// A role of this confidence or less is to be looked at: another reading does nearly as well.
const DOUBTFUL: f64 = 0.6;

/// Shortest time from frame to frame that is taken for motion of a body, seconds.
const SHORTEST_FRAME_SECS: f64 = 1e-5;
/// Longest such time, seconds.
const LONGEST_FRAME_SECS: f64 = 10.0;
/// More frames than that are not made from fewer: it would be hours of motion.
const MOST_FRAMES: f64 = 1e6;

fn check_frame_time(clip: &Clip) -> Result<(), String> {
    let secs = clip.frame_time_secs;
    match (SHORTEST_FRAME_SECS..=LONGEST_FRAME_SECS).contains(&secs) {
        true => Ok(()),
        false => Err(format!(
            "a frame time of {secs} s is not that of a moving body; it must be from \
             {SHORTEST_FRAME_SECS} to {LONGEST_FRAME_SECS} s, correct it in the file"
        )),
    }
}

/// A clip at another frame rate.
///
/// # Errors
/// A rate that would make too many frames.
pub fn resampled(clip: &Clip, frame_time_secs: f64) -> Result<Clip, String> {
    let frames = clip.duration_secs() / frame_time_secs + 1.0;
    if frames > MOST_FRAMES {
        return Err(format!(
            "{:.0} s at a frame time of {frame_time_secs} s would be {frames:.0} frames; \
             choose a lower rate",
            clip.duration_secs()
        ));
    }
    clip.resampled(frame_time_secs, Interpolation::Hermite)
        .map_err(|problem| problem.to_string())
}

/// Name of a file without folder and extension.
pub fn stem(path: &Path) -> String {
    path.file_stem()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned()
}

/// Extension of a file, in small letters, without the dot.
pub fn extension(path: &Path) -> String {
    path.extension()
        .unwrap_or_default()
        .to_string_lossy()
        .to_ascii_lowercase()
}

fn surface_of(source: &Source) -> Option<&Surface> {
    match source {
        Source::Gltf(character) if !character.surface.meshes.is_empty() => Some(&character.surface),
        _ => None,
    }
}

/// Takes back the reader's last warning, which tells how it chose among no or several animations.
fn forget_choice(character: &GltfCharacter, warnings: &mut Vec<String>) {
    if character.clips.len() != 1 {
        warnings.pop();
    }
}

/// Options for reading that mean nothing for the format of a file.
fn unused(source: &Source, options: &LoadOptions) -> Vec<String> {
    let is_bvh = matches!(source, Source::Bvh { .. });
    let is_gltf = matches!(source, Source::Gltf(_));
    let notes = [
        (
            is_bvh && options.frame_time_secs.is_some(),
            "a BVH file says its own frame rate; the one given for reading is not used",
        ),
        (
            !is_gltf && options.animation.is_some(),
            "only a glTF file has several animations; the choice of one is not used",
        ),
        (
            (is_bvh || is_gltf) && options.asf.is_some(),
            "only an AMC file needs an ASF file; the one given is not used",
        ),
    ];
    let unused = notes.into_iter().filter(|(is_unused, _)| *is_unused);
    unused.map(|(_, note)| note.to_owned()).collect()
}

fn pick_animation(character: &GltfCharacter, wanted: &str) -> Result<Clip, String> {
    let clips = &character.clips;
    let by_name = clips.iter().find(|clip| clip.name == wanted);
    let by_number = || {
        let number: usize = wanted.parse().ok()?;
        clips.get(number.checked_sub(1)?)
    };
    by_name.or_else(by_number).cloned().ok_or_else(|| {
        let names: Vec<String> = clips
            .iter()
            .enumerate()
            .map(|(index, clip)| format!("{} \"{}\"", index + 1, clip.name))
            .collect();
        let choice = match names.is_empty() {
            true => "it has none".to_owned(),
            false => format!("choose one of {}", names.join(", ")),
        };
        format!("there is no animation \"{wanted}\" in the file; {choice}")
    })
}

fn recognised(
    skeleton: &Skeleton,
    surface: Option<&Surface>,
    mapping: Option<&Path>,
) -> Result<Recognition, Failure> {
    let found = recognise(skeleton, surface);
    let Some(path) = mapping else {
        return Ok(found);
    };
    let mapping: Mapping = load_ron(path).map_err(|error| Failure::input(&error))?;
    mapping
        .apply(skeleton, &found)
        .map_err(|problem| Failure::input_at(path, problem))
}
