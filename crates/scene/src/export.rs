//! Clips and reports as files.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use understudy_interchange::Source;
use understudy_interchange::bvh::{BvhLayout, BvhOptions, clip_to_bvh, write_bvh};
use understudy_interchange::gltf_file::{AnimationOptions, build_from_clip};
use understudy_motion::{Clip, LengthUnit};
use understudy_solver::Retargeted;

use crate::failure::Failure;
use crate::load::{Loaded, extension, stem};
use crate::report::Note;

/// Formats that can be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutFormat {
    /// Binary glTF 2.0.
    Glb,
    /// BVH.
    Bvh,
}

impl OutFormat {
    /// All of them.
    pub const ALL: [Self; 2] = [Self::Glb, Self::Bvh];

    /// The extension of its files.
    pub fn extension(self) -> &'static str {
        match self {
            Self::Glb => "glb",
            Self::Bvh => "bvh",
        }
    }
}

/// The result as the bytes of the output file, and what a person should know about it.
pub(crate) fn clip_bytes(
    character: &Loaded,
    retargeted: &Retargeted,
    name: &str,
    output: &Path,
) -> Result<(Vec<u8>, Vec<Note>), Failure> {
    let clip = retargeted.in_file_axes(&retargeted.solved);
    match out_format(output)? {
        OutFormat::Glb => {
            let notes = same_name_note(character, name).into_iter().collect();
            Ok((glb_of(character, &clip, name, false, output)?, notes))
        }
        OutFormat::Bvh => {
            let mut warnings = Vec::new();
            let bytes = bvh_of(character, &clip, None, output, &mut warnings)?;
            let notes = warnings.into_iter().map(|w| (output.to_owned(), w));
            Ok((bytes, notes.collect()))
        }
    }
}

/// How large a clip becomes as a file, bytes, by its number of frames.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FileSize {
    /// What it needs however short it is: the character itself, in a GLB.
    pub fixed: f64,
    /// What each frame adds.
    pub per_frame: f64,
}

impl FileSize {
    /// The size of a clip of a result, found from a few of its frames: near for BVH, whose numbers
    /// differ in length, and nearer for GLB.
    ///
    /// # Errors
    /// A result that the format cannot hold.
    pub fn of(
        character: &Loaded,
        retargeted: &Retargeted,
        format: OutFormat,
    ) -> Result<Self, Failure> {
        /// Frames that are looked at, spread over the clip.
        const SAMPLES: usize = 8;
        let output = PathBuf::from("clip").with_extension(format.extension());
        let clip = &retargeted.solved;
        let last = clip.frame_count() - 1;
        let size = |samples: usize| {
            let frames = (0..samples).map(|sample| sample * last / SAMPLES);
            let locals = frames.flat_map(|frame| clip.frame(frame).iter().copied());
            let few = Clip::new(
                Arc::clone(&clip.skeleton),
                clip.frame_time_secs,
                locals.collect(),
            );
            let few = few.map_err(|problem| Failure::output_at(&output, problem))?;
            let few = retargeted.in_file_axes(&few);
            let bytes = match format {
                OutFormat::Glb => glb_of(character, &few, "clip", false, &output),
                OutFormat::Bvh => bvh_of(character, &few, None, &output, &mut Vec::new()),
            };
            Ok(bytes?.len() as f64)
        };
        // Twice as many frames of the same motion: what they add is what frames need.
        let (few, many) = (size(SAMPLES / 2 + 1)?, size(SAMPLES + 1)?);
        let per_frame = (many - few) / (SAMPLES / 2) as f64;
        Ok(Self {
            fixed: many - (SAMPLES + 1) as f64 * per_frame,
            per_frame,
        })
    }

    /// The size of so many frames, bytes.
    pub fn bytes(self, frames: usize) -> f64 {
        self.fixed + frames as f64 * self.per_frame
    }
}

/// Where the report of an output goes: beside it, as its name with `.report.json`.
pub fn report_beside(output: &Path) -> PathBuf {
    output.with_file_name(format!("{}.report.json", stem(output)))
}

/// Refuses outputs that would replace a file that is read, or each other.
///
/// # Errors
/// An output is one of the inputs or another output.
pub fn spare_files<'a>(
    outputs: impl IntoIterator<Item = &'a Path>,
    inputs: impl IntoIterator<Item = &'a Path>,
) -> Result<(), Failure> {
    let read: BTreeMap<PathBuf, &Path> = inputs
        .into_iter()
        .map(|input| (place_of(input), input))
        .collect();
    let mut written = BTreeSet::new();
    for output in outputs {
        let place = place_of(output);
        if let Some(input) = read.get(&place) {
            return Err(Failure::usage(format!(
                "{}: this would replace {}, which is read; write to another file",
                output.display(),
                input.display()
            )));
        }
        if !written.insert(place) {
            return Err(Failure::usage(format!(
                "{}: two results would be written to this file; give each its own",
                output.display()
            )));
        }
    }
    Ok(())
}

/// Refuses sources that would be written to one file. `written` has what tells the files apart, and
/// the source.
///
/// # Errors
/// The first two sources of one file.
pub fn one_file_each<'a, K: Ord>(
    written: impl IntoIterator<Item = (K, &'a Path)>,
) -> Result<(), Failure> {
    let mut sources: BTreeMap<K, &Path> = BTreeMap::new();
    for (file, source) in written {
        if let Some(other) = sources.insert(file, source) {
            return Err(Failure::usage(format!(
                "{} and {} would be written to one file; rename one or use two folders",
                other.display(),
                source.display()
            )));
        }
    }
    Ok(())
}

/// Where a file lies, links followed; a file that is not there yet by the folder it will lie in.
fn place_of(path: &Path) -> PathBuf {
    if let Ok(place) = path.canonicalize() {
        return place;
    }
    let full = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    match (full.parent().map(Path::canonicalize), full.file_name()) {
        (Some(Ok(folder)), Some(name)) => folder.join(name),
        _ => full,
    }
}

/// The format of a file to be written, by its extension.
///
/// # Errors
/// Any other extension.
pub fn out_format(path: &Path) -> Result<OutFormat, Failure> {
    match extension(path).as_str() {
        "glb" => Ok(OutFormat::Glb),
        "bvh" => Ok(OutFormat::Bvh),
        _ => Err(Failure::usage(format!(
            "{}: the format to write is not known; name the file .glb or .bvh",
            path.display()
        ))),
    }
}

/// Name of a clip in a GLB file: its own, or else that of the file it came from.
pub fn animation_name(clip: &Clip, path: &Path) -> String {
    match clip.name.is_empty() {
        true => stem(path),
        false => clip.name.clone(),
    }
}

/// A clip of a file's skeleton as GLB: added to the file itself where it is glTF, else as bones.
///
/// # Errors
/// A clip that glTF cannot hold.
pub fn glb_of(
    file: &Loaded,
    clip: &Clip,
    name: &str,
    replace_same_name: bool,
    output: &Path,
) -> Result<Vec<u8>, Failure> {
    let made = match &file.source {
        Source::Gltf(character) => {
            let options = AnimationOptions {
                replace_same_name,
                ..AnimationOptions::default()
            };
            let nodes = &character.node_of_joint;
            character
                .document
                .with_animation(clip, name, nodes, &options)
        }
        _ => build_from_clip(clip, name),
    };
    made.map_err(|error| Failure::output_at(output, error))
}

/// A clip of a file's skeleton as BVH, with the channels of the file where it is BVH too.
///
/// # Errors
/// A clip that BVH cannot hold.
pub fn bvh_of(
    file: &Loaded,
    clip: &Clip,
    unit: Option<LengthUnit>,
    output: &Path,
    warnings: &mut Vec<String>,
) -> Result<Vec<u8>, Failure> {
    let layout = match &file.source {
        Source::Bvh { document, reading } => Some(BvhLayout {
            document,
            reading: *reading,
        }),
        _ => None,
    };
    let made = clip_to_bvh(clip, &BvhOptions { layout, unit })
        .map_err(|error| Failure::output_at(output, error))?;
    warnings.extend(made.warnings);
    Ok(write_bvh(&made.document).into_bytes())
}

fn same_name_note(character: &Loaded, name: &str) -> Option<Note> {
    let Source::Gltf(file) = &character.source else {
        return None;
    };
    let is_taken = file.document.animation_names().contains(&name);
    is_taken.then(|| {
        let note = format!(
            "the character's file has an animation \"{name}\" already; the new one stands beside it, give it another --name"
        );
        (character.path.clone(), note)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reports_lie_beside_the_output() {
        assert_eq!(
            report_beside(Path::new("out/keeper-walk.glb")),
            Path::new("out/keeper-walk.report.json")
        );
    }
}
