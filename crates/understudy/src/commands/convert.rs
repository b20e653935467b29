//! `understudy convert`: another format, rate or unit.

use understudy_interchange::Source;
use understudy_interchange::bvh::write_bvh;
use understudy_interchange::file::write_atomically;
use understudy_motion::rate::spoken_rate;

use crate::args::ConvertArgs;
use crate::output::{print, unit_text, warn};
use understudy_scene::export::{
    OutFormat, animation_name, bvh_of, glb_of, out_format, spare_files,
};
use understudy_scene::load::{Loaded, Purpose, resampled};
use understudy_scene::report::counted;
use understudy_scene::{Exit, Failure};

/// Converts a file.
///
/// # Errors
/// Input that cannot be read, a format that cannot be written, output that cannot be written.
pub fn run(args: &ConvertArgs) -> Result<Exit, Failure> {
    let format = out_format(&args.output)?;
    let inputs = [Some(args.input.as_path()), args.read.asf.as_deref()];
    spare_files([args.output.as_path()], inputs.into_iter().flatten())?;
    if format == OutFormat::Glb && args.unit_out.is_some() {
        return Err(Failure::usage(
            "--unit-out is for .bvh only; glTF is always in metres",
        ));
    }
    let options = args.read.load_options(args.rate_in, None);
    let mut loaded = Loaded::read(&args.input, &options, Purpose::Motion)?;
    let mut warnings = std::mem::take(&mut loaded.warnings);
    if let Some(rate) = args.rate {
        loaded.clip = resampled(&loaded.clip, rate.frame_time_secs)
            .map_err(|problem| Failure::input_at(&args.input, problem))?;
    }
    let bytes = bytes_of(&loaded, args, format, &mut warnings)?;
    write_atomically(&args.output, &bytes).map_err(|error| Failure::output(&error))?;
    warn(&args.input, &warnings);
    let clip = &loaded.clip;
    print(&format!(
        "{}: {}, {} at {} per second, {:.2} s; read in {} ({})\n",
        args.output.display(),
        counted(clip.skeleton.len(), "joint"),
        counted(clip.frame_count(), "frame"),
        spoken_rate(clip.frame_time_secs),
        clip.duration_secs(),
        unit_text(loaded.unit.unit),
        loaded.unit.how,
    ))
}

/// The file as bytes of the other format.
fn bytes_of(
    loaded: &Loaded,
    args: &ConvertArgs,
    format: OutFormat,
    warnings: &mut Vec<String>,
) -> Result<Vec<u8>, Failure> {
    match (format, &loaded.source) {
        (OutFormat::Bvh, Source::Bvh { document, .. })
            if args.rate.is_none() && args.unit_out.is_none() =>
        {
            Ok(write_bvh(document).into_bytes())
        }
        (OutFormat::Bvh, _) => bvh_of(loaded, &loaded.clip, args.unit_out, &args.output, warnings),
        (OutFormat::Glb, source) => {
            if let Source::Gltf(character) = source
                && character.clips.is_empty()
            {
                return Err(Failure::unsolvable(
                    &args.input,
                    "the file has no animation that moves its joints, so there is nothing to convert",
                ));
            }
            let name = match &args.name {
                Some(name) => name.clone(),
                None => animation_name(&loaded.clip, &args.input),
            };
            glb_of(loaded, &loaded.clip, &name, true, &args.output)
        }
    }
}
