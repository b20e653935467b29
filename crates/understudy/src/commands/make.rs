//! `understudy make`: bodies and a take to try things with.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use understudy_bodies::performer::STATURE_M;
use understudy_bodies::{
    BodyMesh, Character, Description, capture_faults, character, demo_take, faulty_take, take,
    take_names,
};
use understudy_interchange::bvh::{BvhOptions, clip_to_bvh, write_bvh};
use understudy_interchange::file::{read_text, write_atomically};
use understudy_interchange::gltf_file::{NewCharacter, NewMesh, build_character, build_from_clip};
use understudy_interchange::ron_file::save_ron;
use understudy_motion::Clip;
use understudy_solver::Settings;

use crate::args::MakeArgs;
use crate::output::print;
use understudy_scene::export::{OutFormat, out_format, spare_files};
use understudy_scene::load::extension;
use understudy_scene::report::counted;
use understudy_scene::{Exit, Failure};

/// Frame time of the one frame of a body at rest, seconds; any would do.
const REST_FRAME_TIME_SECS: f64 = 1.0 / 30.0;

/// Makes what is asked for.
///
/// # Errors
/// An unknown thing, a description that cannot be read or makes no body, an output that cannot
/// be written.
pub fn run(args: &MakeArgs) -> Result<Exit, Failure> {
    if args.what == "settings" {
        return make_settings(&args.output);
    }
    if args.what == "takes" {
        return make_takes(&args.output);
    }
    let format = out_format(&args.output)?;
    let for_performer = args.stature.is_some() || args.rest.is_some();
    if for_performer && args.what != "performer" {
        return Err(Failure::usage(
            "--stature and --rest are for `make performer`; a description has its own",
        ));
    }
    let is_take = take_names().contains(&args.what.as_str());
    if args.fault.is_some() && !is_take {
        return Err(Failure::usage(format!(
            "--fault is for a take of the performer: {}",
            take_names().join(", ")
        )));
    }
    let path = Path::new(&args.what);
    spare_files([args.output.as_path()], [path])?;
    let (bytes, said) = match args.what.as_str() {
        "demo-take" => made_demo_take(format, &args.output)?,
        name if is_take => made_take(name, args.fault.as_deref(), format, &args.output)?,
        "performer" => {
            let mut human = Description::human("performer", args.stature.unwrap_or(STATURE_M));
            if let Some(rest) = args.rest {
                human.rest = rest.into();
            }
            let body = character(&human)
                .map_err(|problem| Failure::usage(format!("performer: {problem}")))?;
            made_body(&body, format, &args.output)?
        }
        _ if path.extension().is_some_and(|extension| extension == "ron") => {
            let text = read_text(path).map_err(|error| Failure::input(&error))?;
            let body = understudy_bodies::character_from_ron(&text.text)
                .map_err(|problem| Failure::input_at(path, problem))?;
            made_body(&body, format, &args.output)?
        }
        other => {
            return Err(Failure::usage(format!(
                "\"{other}\" cannot be made; use performer, settings, a take ({}, demo-take) or a description that ends in .ron",
                take_names().join(", ")
            )));
        }
    };
    write_atomically(&args.output, &bytes).map_err(|error| Failure::output(&error))?;
    print(&format!("{}: {said}\n", args.output.display()))
}

fn make_settings(output: &Path) -> Result<Exit, Failure> {
    if extension(output) != "ron" {
        return Err(Failure::usage(format!(
            "{}: settings are RON; name the file .ron",
            output.display()
        )));
    }
    save_ron(output, &Settings::default()).map_err(|error| Failure::output(&error))?;
    print(&format!(
        "{}: settings of the solver, for `retarget --settings`\n",
        output.display()
    ))
}

/// Makes every take, and every take with every fault, in a folder.
fn make_takes(folder: &Path) -> Result<Exit, Failure> {
    let faults = || capture_faults().iter().map(|fault| Some(fault.name));
    let all: Vec<(&str, Option<&str>)> = take_names()
        .iter()
        .flat_map(|&name| {
            std::iter::once(None)
                .chain(faults())
                .map(move |f| (name, f))
        })
        .collect();
    let next = AtomicUsize::new(0);
    let work = || {
        while let Some(&(name, fault)) = all.get(next.fetch_add(1, Ordering::Relaxed)) {
            let path = match fault {
                Some(fault) => folder.join("faulty").join(format!("{name}-{fault}.bvh")),
                None => folder.join(format!("{name}.bvh")),
            };
            let (bytes, _) = made_take(name, fault, OutFormat::Bvh, &path)?;
            write_atomically(&path, &bytes).map_err(|error| Failure::output(&error))?;
        }
        Ok(())
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let results: Vec<Result<(), Failure>> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        let stopped = || Failure::unsolvable(folder, "making takes stopped; this is a bug");
        let ends = workers.into_iter().map(|worker| worker.join());
        ends.map(|end| end.unwrap_or_else(|_| Err(stopped())))
            .collect()
    });
    results.into_iter().collect::<Result<(), Failure>>()?;
    print(&format!(
        "{}: {}\n",
        folder.display(),
        counted(all.len(), "take")
    ))
}

/// Decimals of lengths (cm) and of angles (degrees) in takes: 0.01 mm, and as much at the end of an
/// arm, is less than a capture resolves.
const TAKE_DECIMALS: u8 = 3;

fn made_take(
    name: &str,
    fault: Option<&str>,
    format: OutFormat,
    output: &Path,
) -> Result<(Vec<u8>, String), Failure> {
    let made = match fault {
        Some(fault) => faulty_take(name, fault),
        None => take(name),
    };
    let made = made.map_err(|problem| Failure::usage(problem.to_string()))?;
    let clip = &made.clip;
    let fault = capture_faults()
        .iter()
        .find(|known| Some(known.name) == fault);
    let said = format!(
        "{}{} {}, {:.2} s",
        made.said,
        fault.map_or(String::new(), |fault| format!(" But {}.", fault.said)),
        counted(clip.frame_count(), "frame"),
        clip.duration_secs()
    );
    let bytes = match format {
        OutFormat::Bvh => clip_to_bvh(clip, &BvhOptions::default())
            .map(|made| made.document.rounded(TAKE_DECIMALS, TAKE_DECIMALS))
            .map(|document| write_bvh(&document).into_bytes()),
        OutFormat::Glb => build_from_clip(clip, &clip.name),
    };
    let bytes = bytes.map_err(|error| Failure::output_at(output, error))?;
    Ok((bytes, said))
}

fn made_demo_take(format: OutFormat, output: &Path) -> Result<(Vec<u8>, String), Failure> {
    let take = demo_take().map_err(|problem| Failure::unsolvable(output, problem))?;
    let clip = take.clip;
    let said = format!(
        "the performer walks, stops and waves; {}, {:.2} s",
        counted(clip.frame_count(), "frame"),
        clip.duration_secs()
    );
    let bytes = match format {
        OutFormat::Bvh => bvh_text(&clip, output)?,
        OutFormat::Glb => build_from_clip(&clip, "demo take")
            .map_err(|error| Failure::output_at(output, error))?,
    };
    Ok((bytes, said))
}

fn made_body(
    body: &Character,
    format: OutFormat,
    output: &Path,
) -> Result<(Vec<u8>, String), Failure> {
    let failed = |problem: String| Failure::output_at(output, problem);
    let (low_m, high_m) = body.height_range_m();
    let said = format!(
        "{}, {:.2} m tall, {}",
        body.name,
        high_m - low_m,
        counted(body.skeleton.len(), "joint")
    );
    let bytes = match format {
        OutFormat::Glb => {
            let new = NewCharacter {
                name: body.name.clone(),
                skeleton: body.skeleton.clone(),
                meshes: body.meshes.iter().map(new_mesh).collect(),
                extras: None,
            };
            build_character(&new).map_err(|error| failed(error.to_string()))?
        }
        OutFormat::Bvh => {
            let skeleton = Arc::new(body.skeleton.clone());
            let rest = skeleton.rest_locals();
            let clip = Clip::new(skeleton, REST_FRAME_TIME_SECS, rest)
                .map_err(|error| failed(error.to_string()))?;
            bvh_text(&clip, output)?
        }
    };
    Ok((bytes, said))
}

fn bvh_text(clip: &Clip, output: &Path) -> Result<Vec<u8>, Failure> {
    clip_to_bvh(clip, &BvhOptions::default())
        .map(|made| write_bvh(&made.document).into_bytes())
        .map_err(|error| Failure::output_at(output, error))
}

fn new_mesh(mesh: &BodyMesh) -> NewMesh {
    let single = |points: &[glam::DVec3]| -> Vec<[f32; 3]> {
        points.iter().map(|p| p.as_vec3().to_array()).collect()
    };
    NewMesh {
        name: mesh.name.clone(),
        positions: single(&mesh.positions),
        normals: single(&mesh.normals),
        colors: mesh.colours.clone(),
        joints: mesh.joints.clone(),
        weights: mesh.weights.clone(),
        triangles: mesh.triangles.clone(),
        // Vertices have the colours; the material leaves them as they are.
        base_color: [1.0; 4],
    }
}
