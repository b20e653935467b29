"""Writes captured motion from packages as BVH and ASF/AMC, with a manifest and a summary.

Usage: python tests/captures/make.py OUT_DIR
"""

import json
import shutil
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from captures import humanoid_clips, walker_fixtures  # noqa: E402
from captures.asf_amc import Style, write_amc, write_asf  # noqa: E402
from captures.tree import Capture, write_bvh  # noqa: E402
from outside.mujoco_tree import read_amc  # noqa: E402

# Clips that are also written as ASF/AMC.
AS_ASF_TOO = ("humanoid3d_walk", "humanoid3d_run", "humanoid3d_cartwheel", "walker_turn_left1")


def manifest_entry(capture: Capture, file_name: str) -> dict:
    steps_m = np.diff(capture.root_positions_m[:, [0, 2]], axis=0)
    return {
        "file": file_name,
        "source": capture.source,
        "kind": capture.kind,
        "frames": capture.frames,
        "frame_time_secs": capture.frame_time_secs,
        "rate_hz": round(1.0 / capture.frame_time_secs, 3),
        "duration_secs": round((capture.frames - 1) * capture.frame_time_secs, 6),
        "root_travel_m": round(float(np.linalg.norm(steps_m.sum(axis=0))), 4),
        "root_path_m": round(float(np.linalg.norm(steps_m, axis=1).sum()), 4),
        "loop": capture.looped,
        "captured": True,
        **capture.details,
    }


def _write_bvh_entry(out_dir: Path, capture: Capture) -> dict:
    file_name = f"{capture.name}.bvh"
    write_bvh(capture, out_dir / file_name)
    return manifest_entry(capture, file_name)


def _write_asf_entry(out_dir: Path, capture: Capture, style: Style) -> dict:
    """Writes the reconstructed pair; the entry is the AMC's and names its skeleton."""
    write_asf(capture, style, out_dir / f"{capture.name}.asf")
    write_amc(capture, style, out_dir / f"{capture.name}.amc")
    entry = manifest_entry(capture, f"{capture.name}.amc")
    return {**entry, "skeleton": f"{capture.name}.asf", "reconstructed": True}


def _copy_zeros_entry(out_dir: Path) -> dict:
    """Copies the package's own AMC as it is; only its skeleton is reconstructed."""
    rest = walker_fixtures.rest_capture()
    write_asf(rest, walker_fixtures.asf_style(walker_fixtures.suite_model()), out_dir / "zeros.asf")
    shutil.copyfile(walker_fixtures.zeros_path(), out_dir / "zeros.amc")
    frames = len(read_amc(out_dir / "zeros.amc"))
    entry = manifest_entry(rest, "zeros.amc")
    duration_secs = round((frames - 1) * rest.frame_time_secs, 6)
    note = "a dummy of the package: every value is zero; copied unchanged, only the ASF is reconstructed"
    return {**entry, "frames": frames, "duration_secs": duration_secs, "skeleton": "zeros.asf", "captured": False, "note": note}


def write_all(out_dir: Path) -> list[dict]:
    """Writes every capture below `out_dir` and returns the manifest's entries."""
    out_dir.mkdir(parents=True, exist_ok=True)
    entries = []
    for capture in humanoid_clips.captures():
        entries.append(_write_bvh_entry(out_dir, capture))
        if capture.name in AS_ASF_TOO:
            entries.append(_write_asf_entry(out_dir, capture, humanoid_clips.asf_style()))
    style = walker_fixtures.asf_style(walker_fixtures.body_model())
    for capture in walker_fixtures.captures():
        entries.append(_write_bvh_entry(out_dir, capture))
        entries.append(_write_asf_entry(out_dir, capture, style))
    entries.append(_copy_zeros_entry(out_dir))
    manifest = {
        "units": "BVH: centimetres; ASF and AMC: units of 0.0254 / 0.45 metres",
        "frame": "Y up, right-handed; the clips' body rests facing +X, the simulated falls' body +Z",
        "sole_corners_in_ankle_m": humanoid_clips.sole_corners_m().tolist(),
        "files": entries,
    }
    (out_dir / "manifest.json").write_text(json.dumps(manifest, indent=1) + "\n")
    return entries


def summary(entries: list[dict]) -> str:
    head = f"{'file':40} {'kind':10} {'frames':>6} {'rate Hz':>8} {'secs':>7} {'travel m':>9} {'path m':>8}"
    rows = [
        f"{e['file']:40} {e['kind']:10} {e['frames']:6} {e['rate_hz']:8.3f} {e['duration_secs']:7.3f} "
        f"{e['root_travel_m']:9.3f} {e['root_path_m']:8.3f}"
        for e in entries
    ]
    return "\n".join([head, *rows])


def main(arguments: list[str]) -> int:
    if len(arguments) != 1:
        print(__doc__.strip(), file=sys.stderr)
        return 2
    print(summary(write_all(Path(arguments[0]))))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
