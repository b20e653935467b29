"""`convert` as independent readers see it: channels within 1e-6, positions within 0.01 mm.

Readers: the PyPI reader `bvh`, MuJoCo's kinematics, the Khronos validator.
"""

import json

import numpy as np
import pytest

from outside import mujoco_tree
from outside.bvh_variety import varieties
from outside.reference_bvh import read_bvh
from outside.test_references import run_node
from outside.understudy import CAPTURES, capture_entries, inspect_positions, manifest, understudy

TOLERANCE_M = 1e-5  # 0.01 mm
CHANNEL_TOLERANCE = 1e-6
CAPTURED = [entry["file"] for entry in capture_entries()]
AMC_ENTRIES = [entry for entry in manifest()["files"] if entry["file"].endswith(".amc")]


def assert_same_channels(before, after) -> None:
    assert (after.names, after.parents, after.channels) == (before.names, before.parents, before.channels)
    assert np.abs(after.offsets - before.offsets).max() <= CHANNEL_TOLERANCE
    assert after.frames == before.frames
    assert after.frame_time_secs == pytest.approx(before.frame_time_secs, abs=1e-9)
    for ours, theirs in zip(after.values, before.values, strict=True):
        assert np.abs(ours - theirs).max(initial=0.0) <= CHANNEL_TOLERANCE


@pytest.mark.parametrize("file", CAPTURED)
def test_captured_bvh_comes_back(file, tmp_path):
    out = tmp_path / "again.bvh"
    understudy("convert", CAPTURES / file, out)
    assert_same_channels(read_bvh(CAPTURES / file), read_bvh(out))


@pytest.mark.parametrize("variety", varieties(), ids=lambda variety: variety.name)
def test_bvh_of_every_kind_comes_back(variety, tmp_path):
    plain, spelled, out = tmp_path / "plain.bvh", tmp_path / "spelled.bvh", tmp_path / "again.bvh"
    plain.write_bytes(variety.plain().encode())
    spelled.write_bytes(variety.spelled().encode())
    understudy("convert", spelled, out, "--unit", "cm")
    assert_same_channels(read_bvh(plain), read_bvh(out))


@pytest.mark.parametrize("entry", AMC_ENTRIES, ids=lambda entry: entry["file"])
def test_amc_becomes_bvh(entry, tmp_path):
    path, skeleton, out = CAPTURES / entry["file"], CAPTURES / entry["skeleton"], tmp_path / "clip.bvh"
    understudy("convert", path, out, "--asf", skeleton, "--rate-in", entry["rate_hz"])
    tree = mujoco_tree.from_asf(skeleton, path, entry["rate_hz"])
    clip = read_bvh(out)
    positions_m = clip.positions("absolute", "added") / 100.0
    for joint in (name for name in tree.names if not name.endswith(" end")):
        theirs_m = tree.positions_m[:, tree.names.index(joint)]
        assert np.abs(positions_m[:, clip.names.index(joint)] - theirs_m).max() < TOLERANCE_M, joint


@pytest.mark.parametrize("file", ["humanoid3d_spinkick.bvh", "walker_turn_right0.bvh"])
def test_bvh_becomes_glb(file, tmp_path):
    out = tmp_path / "clip.glb"
    understudy("convert", CAPTURES / file, out)
    done = run_node("validate.mjs", out)
    assert done.returncode == 0, json.loads(done.stdout)
    clip, tree = read_bvh(CAPTURES / file), mujoco_tree.from_glb(out)
    positions_m = clip.positions() / 100.0
    for joint in (name for name in clip.names if not name.endswith(" end")):
        ours_m = tree.positions_m[:, tree.names.index(joint)]
        assert np.abs(ours_m - positions_m[:, clip.names.index(joint)]).max() < TOLERANCE_M, joint


@pytest.mark.parametrize("rate", [120, 90])
def test_a_finer_rate_keeps_the_frames_that_were_there(rate, tmp_path):
    """Resampling never shifts time: frames that coincide are the same."""
    source = CAPTURES / "walker_turn_right0.bvh"
    out = tmp_path / "finer.bvh"
    understudy("convert", source, out, "--rate", rate)
    coarse, fine = inspect_positions(source, tmp_path / "a.json"), inspect_positions(out, tmp_path / "b.json")
    factor = round(coarse.frame_time_secs / fine.frame_time_secs)
    assert factor == rate // 30
    assert len(fine.positions_m) == factor * (len(coarse.positions_m) - 1) + 1
    assert np.abs(fine.positions_m[::factor] - coarse.positions_m).max() < TOLERANCE_M
