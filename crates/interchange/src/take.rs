//! One way to read a take, whatever its format.

use std::path::{Path, PathBuf};

use understudy_motion::{Clip, LengthUnit};

use crate::asf::{
    AmcMotion, AmcOptions, AmcTake, AsfSkeleton, JointLimits, amc_to_clip, asf_to_clip, parse_amc,
    parse_asf,
};
use crate::bvh::{
    BvhDocument, BvhReading, BvhToClipOptions, PositionReading, bvh_to_clip, parse_bvh,
};
use crate::error::FileError;
use crate::file::{decode, folder_of, read_bytes};
use crate::gltf_file::{GltfCharacter, GltfOptions, read_gltf};
use crate::unit::UnitFinding;

/// What is to be taken for granted instead of found out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReadOptions {
    /// Unit of lengths.
    pub unit: Option<LengthUnit>,
    /// Meaning of position channels of a BVH file.
    pub position_channels: Option<PositionReading>,
    /// The ASF file of an AMC file.
    pub asf: Option<PathBuf>,
    /// Frames per second: of an AMC file, which need not say it, and of the frames made from the keys
    /// of a glTF animation.
    pub frame_rate: Option<f64>,
    /// Name of the animation in a glTF file; the first where absent.
    pub animation: Option<String>,
}

/// The file a take came from, as data.
#[derive(Clone, Debug)]
pub enum Source {
    /// A BVH file.
    Bvh {
        /// The file; a layout for writing.
        document: BvhDocument,
        /// How its numbers were understood.
        reading: BvhReading,
    },
    /// An ASF file, with an AMC file unless the skeleton was read alone.
    AsfAmc {
        /// The ASF file that was used.
        asf: PathBuf,
        /// The skeleton.
        skeleton: AsfSkeleton,
        /// The motion.
        motion: Option<AmcMotion>,
        /// Rotation limits of the joints; see [`Source::joint_limits`].
        limits: Vec<JointLimits>,
    },
    /// A glTF file.
    Gltf(Box<GltfCharacter>),
}

impl Source {
    /// The rotation limits that the file states for joints of the clip's skeleton: those of an ASF
    /// file, radians; none for files of other formats. They are the file's own words: nothing in
    /// this crate holds the motion to them.
    pub fn joint_limits(&self) -> &[JointLimits] {
        match self {
            Self::AsfAmc { limits, .. } => limits,
            Self::Bvh { .. } | Self::Gltf(_) => &[],
        }
    }
}

/// A motion from a file.
#[derive(Clone, Debug)]
pub struct Take {
    /// The motion, in metres and the axes of the file.
    pub clip: Clip,
    /// The unit of the file and how it was found.
    pub unit: UnitFinding,
    /// What was mended or decided, for people.
    pub warnings: Vec<String>,
    /// The file itself.
    pub source: Source,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Format {
    Bvh,
    Asf,
    Amc,
    Gltf,
}

impl Format {
    fn of_extension(path: &Path) -> Option<Self> {
        match extension(path).as_str() {
            "bvh" => Some(Self::Bvh),
            "asf" => Some(Self::Asf),
            "amc" => Some(Self::Amc),
            "glb" | "gltf" => Some(Self::Gltf),
            _ => None,
        }
    }

    /// Judges a file by how it starts.
    fn of_content(bytes: &[u8]) -> Option<Self> {
        const ENOUGH: usize = 4096;
        if bytes.starts_with(b"glTF") {
            return Some(Self::Gltf);
        }
        let start = decode(&bytes[..bytes.len().min(ENOUGH)]).text;
        let first = start
            .lines()
            .map(str::trim)
            .find(|line| !line.is_empty() && !line.starts_with('#'))?
            .to_ascii_lowercase();
        let word = first.split_whitespace().next().unwrap_or_default();
        match word {
            "hierarchy" => Some(Self::Bvh),
            ":version" | ":name" | ":units" | ":documentation" | ":root" | ":bonedata" => {
                Some(Self::Asf)
            }
            ":fully-specified" | ":degrees" | ":radians" | ":samples-per-second" => Some(Self::Amc),
            _ if first.starts_with('{') => Some(Self::Gltf),
            _ if first.parse::<u64>().is_ok() => Some(Self::Amc),
            _ => None,
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Bvh => "BVH",
            Self::Asf => "ASF",
            Self::Amc => "AMC",
            Self::Gltf => "glTF",
        }
    }
}

fn extension(path: &Path) -> String {
    path.extension()
        .unwrap_or_default()
        .to_string_lossy()
        .to_ascii_lowercase()
}

/// Reads a take from a `.bvh`, `.amc`, `.asf`, `.glb` or `.gltf` file.
///
/// The content decides about the format where the name says something else. The skeleton of an
/// AMC file is the ASF file asked for, or the one of the same name in the same folder, or the one
/// the name starts with (`07.asf` for `07_walk.amc`), or the only one there. An ASF file alone and
/// a glTF file without animation give their rest pose as one frame, with a warning.
///
/// # Errors
/// A file that cannot be read, is of no known format, or damaged; an AMC file whose skeleton is
/// not there. The error names the file and, for text, the line.
pub fn load_take(path: &Path, options: &ReadOptions) -> Result<Take, FileError> {
    let bytes = read_bytes(path)?;
    let (format, surprise) = format_of(path, &bytes)?;
    let mut take = match format {
        Format::Bvh => load_bvh(path, &bytes, options),
        Format::Asf => load_asf(path, &bytes, options),
        Format::Amc => load_amc(path, &bytes, options),
        Format::Gltf => load_gltf(path, options),
    }?;
    take.warnings.splice(0..0, surprise);
    Ok(take)
}

fn format_of(path: &Path, bytes: &[u8]) -> Result<(Format, Option<String>), FileError> {
    match (Format::of_extension(path), Format::of_content(bytes)) {
        (Some(by_name), Some(by_content)) if by_name != by_content => {
            let surprise = format!(
                "the file is named .{}, but holds {}; it was read as that",
                extension(path),
                by_content.name()
            );
            Ok((by_content, Some(surprise)))
        }
        (_, Some(format)) | (Some(format), None) => Ok((format, None)),
        (None, None) => Err(FileError::new(
            "neither the name nor the content is that of a motion file; \
             use .bvh, .amc with .asf, .glb or .gltf",
        )
        .with_path(path)),
    }
}

/// Decodes a text file and gathers the warning that may come of it.
fn text_of(bytes: &[u8], warnings: &mut Vec<String>) -> String {
    let decoded = decode(bytes);
    warnings.extend(decoded.warning);
    decoded.text
}

fn load_bvh(path: &Path, bytes: &[u8], options: &ReadOptions) -> Result<Take, FileError> {
    let at_path = |error: FileError| error.with_path(path);
    let mut warnings = Vec::new();
    let parsed = parse_bvh(&text_of(bytes, &mut warnings)).map_err(at_path)?;
    warnings.extend(parsed.warnings);
    let wanted = BvhToClipOptions {
        unit: options.unit,
        positions: options.position_channels,
    };
    let take = bvh_to_clip(&parsed.document, &wanted).map_err(at_path)?;
    warnings.extend(take.warnings);
    Ok(Take {
        clip: take.clip,
        unit: take.unit,
        warnings,
        source: Source::Bvh {
            document: parsed.document,
            reading: take.reading,
        },
    })
}

fn skeleton_from(
    path: &Path,
    bytes: &[u8],
    warnings: &mut Vec<String>,
) -> Result<AsfSkeleton, FileError> {
    let parsed = parse_asf(&text_of(bytes, warnings)).map_err(|error| error.with_path(path))?;
    warnings.extend(parsed.warnings);
    Ok(parsed.skeleton)
}

fn load_asf(path: &Path, bytes: &[u8], options: &ReadOptions) -> Result<Take, FileError> {
    let mut warnings = Vec::new();
    let skeleton = skeleton_from(path, bytes, &mut warnings)?;
    let take = asf_to_clip(&skeleton, options.unit).map_err(|error| error.with_path(path))?;
    Ok(asf_take(path.to_owned(), skeleton, None, take, warnings))
}

fn load_amc(path: &Path, bytes: &[u8], options: &ReadOptions) -> Result<Take, FileError> {
    let (asf, bears_name) = match &options.asf {
        Some(asf) => (asf.clone(), true),
        None => skeleton_beside(path)?,
    };
    let mut asf_warnings = Vec::new();
    let skeleton = skeleton_from(&asf, &read_bytes(&asf)?, &mut asf_warnings)?;
    // Lines of two files must not be taken for each other.
    let mut warnings: Vec<String> = asf_warnings
        .into_iter()
        .map(|warning| format!("{}, {warning}", asf.display()))
        .collect();
    let parsed = parse_amc(&text_of(bytes, &mut warnings), &skeleton)
        .map_err(|error| error.with_path(path))?;
    warnings.extend(parsed.warnings);
    if !bears_name {
        warnings.push(format!(
            "no ASF file bears its name; the skeleton is {}, the only one in the folder",
            asf.display()
        ));
    }
    let wanted = AmcOptions {
        unit: options.unit,
        frame_rate: options.frame_rate,
    };
    let take =
        amc_to_clip(&skeleton, &parsed.motion, &wanted).map_err(|error| error.with_path(path))?;
    Ok(asf_take(asf, skeleton, Some(parsed.motion), take, warnings))
}

fn asf_take(
    asf: PathBuf,
    skeleton: AsfSkeleton,
    motion: Option<AmcMotion>,
    take: AmcTake,
    mut warnings: Vec<String>,
) -> Take {
    warnings.extend(take.warnings);
    Take {
        clip: take.clip,
        unit: take.unit,
        warnings,
        source: Source::AsfAmc {
            asf,
            skeleton,
            motion,
            limits: take.limits,
        },
    }
}

/// The ASF file that belongs to an AMC file in the same folder, and whether it bears its name.
fn skeleton_beside(amc: &Path) -> Result<(PathBuf, bool), FileError> {
    let folder = folder_of(amc);
    let entries = std::fs::read_dir(&folder).map_err(|error| {
        FileError::new(format!("the folder cannot be listed: {error}")).with_path(&folder)
    })?;
    let mut candidates: Vec<PathBuf> = entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| extension(path) == "asf")
        .collect();
    candidates.sort();
    let stem = stem_of(amc);
    let starts = |asf: &&PathBuf| {
        let rest = stem.strip_prefix(&stem_of(asf));
        rest.is_some_and(|rest| rest.starts_with(['_', '-', '.']))
    };
    let same = candidates.iter().find(|asf| stem_of(asf) == stem);
    let longest_start = || {
        let starting = candidates.iter().filter(starts);
        starting.max_by_key(|asf| stem_of(asf).len())
    };
    match (same.or_else(longest_start), candidates.as_slice()) {
        (Some(asf), _) => Ok((asf.clone(), true)),
        (None, [only]) => Ok((only.clone(), false)),
        (None, []) => Err(FileError::new(format!(
            "an AMC file needs its skeleton, and there is no ASF file in {}; \
             put it there or say which one it is",
            folder.display()
        ))
        .with_path(amc)),
        (None, several) => Err(FileError::new(format!(
            "an AMC file needs its skeleton, and none of the {} ASF files in {} bears its name; \
             say which one it is",
            several.len(),
            folder.display()
        ))
        .with_path(amc)),
    }
}

fn stem_of(path: &Path) -> String {
    path.file_stem()
        .unwrap_or_default()
        .to_string_lossy()
        .to_lowercase()
}

fn load_gltf(path: &Path, options: &ReadOptions) -> Result<Take, FileError> {
    let at_path = |message: String| FileError::new(message).with_path(path);
    let usual = GltfOptions::default();
    let unit = match options.unit {
        Some(unit) => UnitFinding::chosen(unit),
        None => UnitFinding::given(usual.unit, "the glTF 2.0 specification, section 3.4"),
    };
    let frame_time_secs = match options.frame_rate {
        Some(rate) if !(rate.is_finite() && rate > 0.0) => {
            return Err(at_path(format!(
                "a frame rate of {rate} makes no motion; it must be above 0"
            )));
        }
        rate => rate.map(|rate| 1.0 / rate),
    };
    let wanted = GltfOptions {
        unit: unit.unit,
        frame_time_secs,
    };
    let character = read_gltf(path, &wanted)?;
    let mut warnings = character.warnings.clone();
    let clip = choose_clip(&character, options.animation.as_deref(), &mut warnings)
        .map_err(|error| error.with_path(path))?;
    Ok(Take {
        clip,
        unit,
        warnings,
        source: Source::Gltf(Box::new(character)),
    })
}

fn choose_clip(
    character: &GltfCharacter,
    name: Option<&str>,
    warnings: &mut Vec<String>,
) -> Result<Clip, FileError> {
    let names = || {
        let clips = character.clips.iter();
        let names: Vec<String> = clips.map(|clip| format!("\"{}\"", clip.name)).collect();
        names.join(", ")
    };
    if let Some(name) = name {
        let found = character.clips.iter().find(|clip| clip.name == name);
        return found.cloned().ok_or_else(|| {
            FileError::new(format!(
                "there is no animation \"{name}\" in the file; it has {}",
                match character.clips.is_empty() {
                    true => "none".to_owned(),
                    false => names(),
                }
            ))
        });
    }
    let Some(first) = character.clips.first() else {
        warnings.push("the file has no animation; its rest pose is one frame".to_owned());
        let skeleton = character.skeleton.clone();
        let rest = skeleton.rest_locals();
        const USUAL_FRAME_TIME_SECS: f64 = 1.0 / 30.0;
        return Clip::new(skeleton, USUAL_FRAME_TIME_SECS, rest)
            .map_err(|error| FileError::new(error.to_string()));
    };
    if character.clips.len() > 1 {
        warnings.push(format!(
            "the file has several animations, {}; the first was read",
            names()
        ));
    }
    Ok(first.clone())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bvh::{BvhOptions, clip_to_bvh};
    use crate::file::write_atomically;
    use crate::gltf_file::build_from_clip;

    const BVH: &str = "HIERARCHY\nROOT a\n{\nOFFSET 0 0 0\nCHANNELS 1 Xrotation\nEnd Site\n{\n\
        OFFSET 0 170 0\n}\n}\nMOTION\nFrames: 1\nFrame Time: 0.1\n90\n";
    const ASF: &str = ":version 1.10\n:root\norder TX TY TZ RX RY RZ\n:bonedata\nbegin\nname neck\n\
        direction 0 1 0\nlength 1.7\naxis 0 0 0 XYZ\ndof rx\nend\n:hierarchy\nbegin\nroot neck\nend\n";
    const AMC: &str = ":FULLY-SPECIFIED\n:DEGREES\n1\nroot 0 0 0 0 0 0\nneck 90\n";

    fn folder_with(files: &[(&str, &str)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in files {
            write_atomically(&folder.path().join(name), text.as_bytes()).unwrap();
        }
        folder
    }

    fn load(folder: &tempfile::TempDir, name: &str) -> Result<Take, FileError> {
        load_take(&folder.path().join(name), &ReadOptions::default())
    }

    #[test]
    fn name_and_content_decide() {
        let check = |name: &str, text: &str, joints: usize, warning: &str| {
            let folder = folder_with(&[(name, text), ("other.asf", ASF)]);
            let take = load(&folder, name).unwrap();
            assert_eq!(take.clip.skeleton.len(), joints, "{name}");
            let warned = take.warnings.iter().any(|text| text.contains("but holds"));
            assert_eq!(warned, !warning.is_empty(), "{:?}", take.warnings);
            assert!(
                take.warnings.join("\n").contains(warning),
                "{:?}",
                take.warnings
            );
        };
        check("walk.bvh", BVH, 1, "");
        check("WALK.BVH", BVH, 1, "");
        check("walk.txt", BVH, 1, "");
        check("walk.amc", BVH, 1, "named .amc, but holds BVH");
        check("walk.bvh", AMC, 2, "named .bvh, but holds AMC");
        check("body.asf", ASF, 2, "");
        check("walk", AMC, 2, "");
    }

    #[test]
    fn unknown_and_broken_files_are_told_apart() {
        let check = |name: &str, text: &str, line: Option<usize>, expected: &str| {
            let folder = folder_with(&[(name, text)]);
            let error = load(&folder, name).unwrap_err();
            assert_eq!(error.line, line, "{error}");
            assert_eq!(error.path, Some(folder.path().join(name)));
            assert!(error.message.contains(expected), "{error}");
        };
        check(
            "walk.txt",
            "once upon a tide",
            None,
            "neither the name nor the content",
        );
        check(
            "walk.bvh",
            "once upon a tide",
            Some(1),
            "starts with \"HIERARCHY\"",
        );
        check(
            "walk.bvh",
            &BVH.replace("Frames: 1", "Frames: 2"),
            Some(14),
            "ends here",
        );
        check(
            "walk.bvh",
            &BVH.replace("Frames: 1", "Frames: 0").replace("\n90", ""),
            None,
            "no frames",
        );
        check("walk.amc", AMC, None, "no ASF file in");
        check(
            "walk.asf",
            ":version 1.10\n:root\n",
            Some(2),
            "the file ends without",
        );
    }

    #[test]
    fn the_skeleton_of_a_motion_is_found() {
        let check = |asf_files: &[&str], expected: Option<&str>| {
            let mut files = vec![("07_walk.amc", AMC)];
            files.extend(asf_files.iter().map(|name| (*name, ASF)));
            let folder = folder_with(&files);
            match (load(&folder, "07_walk.amc"), expected) {
                (Ok(take), Some(expected)) => {
                    let Source::AsfAmc { asf, .. } = take.source else {
                        panic!("no ASF/AMC source")
                    };
                    assert_eq!(asf, folder.path().join(expected));
                    let is_told = take.warnings.iter().any(|text| text.contains(expected));
                    assert_eq!(is_told, !expected.starts_with("07"), "{:?}", take.warnings);
                }
                (Err(error), None) => {
                    assert!(error.message.contains("say which one it is"), "{error}");
                }
                (result, _) => panic!("{asf_files:?}: {result:?}"),
            }
        };
        check(&["07_walk.asf", "07.asf", "08.asf"], Some("07_walk.asf"));
        check(&["07.asf", "08.asf", "0.asf"], Some("07.asf"));
        check(&["heron.ASF"], Some("heron.ASF"));
        check(&["heron.asf", "crab.asf"], None);
        check(&[], None);
    }

    #[test]
    fn a_gltf_take_is_read_and_goes_into_bvh() {
        let folder = folder_with(&[("walk.bvh", BVH)]);
        let walk = load(&folder, "walk.bvh").unwrap().clip;
        let path = folder.path().join("walk.glb");
        write_atomically(&path, &build_from_clip(&walk, "tide walk").unwrap()).unwrap();
        let take = load_take(&path, &ReadOptions::default()).unwrap();
        assert_eq!(take.unit.unit, LengthUnit::Metre);
        assert!(matches!(take.source, Source::Gltf(_)));
        let written = clip_to_bvh(&take.clip, &BvhOptions::default()).unwrap();
        assert_eq!(written.document.frame_count(), walk.frame_count());

        let options = ReadOptions {
            animation: Some("night walk".into()),
            ..Default::default()
        };
        let error = load_take(&path, &options).unwrap_err();
        assert!(error.message.contains("\"tide walk\""), "{error}");
        assert_eq!(error.path, Some(path));
    }

    #[test]
    fn a_chosen_skeleton_comes_first() {
        let folder = folder_with(&[("walk.amc", AMC), ("walk.asf", "broken"), ("good.asf", ASF)]);
        let options = ReadOptions {
            asf: Some(folder.path().join("good.asf")),
            frame_rate: Some(60.0),
            ..Default::default()
        };
        let take = load_take(&folder.path().join("walk.amc"), &options).unwrap();
        assert_eq!(take.clip.frame_time_secs, 1.0 / 60.0);
        let error = load(&folder, "walk.amc").unwrap_err();
        assert_eq!(error.path, Some(folder.path().join("walk.asf")));
        let missing = load(&folder, "none.amc").unwrap_err();
        assert!(missing.message.contains("cannot be read"));
    }
}
