"""The independent references agree with one another, so a later difference is ours.

Sources: the PyPI reader `bvh` with scipy rotations; MuJoCo's kinematics; the loaders of the npm
package `three`; the Khronos validator. GLB interpolation: glTF 2.0 specification, appendix C.
"""

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

from captures import humanoid_clips, walker_fixtures
from captures.tree import write_bvh
from outside import mujoco_tree
from outside.reference_bvh import read_bvh
from outside.tiny_glb import write_tiny_glb

HERE = Path(__file__).resolve().parent
TOLERANCE_M = 1e-5  # 0.01 mm


def run_node(script: str, *arguments) -> subprocess.CompletedProcess:
    command = ["node", str(HERE / script), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


def three_positions(path: Path, out: Path, *options: str) -> dict:
    done = run_node("three_positions.mjs", path, out, *options)
    assert done.returncode == 0, done.stderr
    return json.loads(out.read_text())


def by_node(result_nodes: list[int], positions_m) -> np.ndarray:
    return np.asarray(positions_m)[:, np.argsort(result_nodes)]


@pytest.mark.parametrize(
    "capture", humanoid_clips.captures() + walker_fixtures.captures(), ids=lambda capture: capture.name
)
def test_three_readers_of_a_bvh_agree(capture, tmp_path):
    path = tmp_path / "clip.bvh"
    write_bvh(capture, path)
    reader = read_bvh(path)
    reader_m = reader.positions() / 100.0
    tree = mujoco_tree.from_bvh(path, units_per_metre=100.0)
    three = three_positions(path, tmp_path / "three.json")
    assert three["joints"] == tree.names == reader.names
    assert np.abs(tree.positions_m - reader_m).max() < TOLERANCE_M
    assert np.abs(np.array(three["positions_m"]) - reader_m).max() < TOLERANCE_M


def test_three_and_mujoco_agree_on_an_animated_glb(tmp_path):
    path = tmp_path / "tiny.glb"
    write_tiny_glb(path)
    three = three_positions(path, tmp_path / "three.json")
    tree = mujoco_tree.from_glb(path)
    assert np.abs(np.array(three["times_secs"]) - tree.times_secs).max() < 1e-9
    difference_m = by_node(three["nodes"], three["positions_m"]) - by_node(tree.nodes, tree.positions_m)
    assert np.abs(difference_m).max() < TOLERANCE_M


def test_three_and_mujoco_agree_between_keys(tmp_path):
    path = tmp_path / "tiny.glb"
    write_tiny_glb(path)
    times = np.linspace(0.0, 1.2, 50)
    three = three_positions(path, tmp_path / "three.json", "--times", ",".join(map(repr, times.tolist())))
    tree = mujoco_tree.from_glb(path, times_secs=times)
    difference_m = by_node(three["nodes"], three["positions_m"]) - by_node(tree.nodes, tree.positions_m)
    assert np.abs(difference_m).max() < TOLERANCE_M


def test_validator_passes_a_sound_file_and_fails_a_broken_one(tmp_path):
    sound, broken = tmp_path / "sound.glb", tmp_path / "broken.glb"
    write_tiny_glb(sound)
    broken.write_bytes(sound.read_bytes().replace(b'"version": "2.0"', b'"version": "2,0"'))
    passed, failed = run_node("validate.mjs", sound), run_node("validate.mjs", sound, broken)
    assert passed.returncode == 0, passed.stdout
    assert json.loads(passed.stdout)[0]["warnings"] == 0
    assert failed.returncode == 1
    assert json.loads(failed.stdout)[1]["errors"] > 0


def test_reader_rejects_values_that_disagree_with_the_header(tmp_path):
    path = tmp_path / "short.bvh"
    write_bvh(humanoid_clips.captures()[0], path)
    path.write_text(path.read_text().replace("Frames: 29", "Frames: 30"))
    with pytest.raises(ValueError, match="header"):
        read_bvh(path)
