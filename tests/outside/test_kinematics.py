"""World joint positions as `inspect --positions` writes them, against independent readers.

BVH: the PyPI reader `bvh` with scipy rotations, MuJoCo's kinematics, and three's BVHLoader.
AMC: MuJoCo on a tree built from the ASF. GLB: MuJoCo on the node tree, and three's GLTFLoader.
All within 0.01 mm. Position channels of roots are added to the OFFSET (Meredith & Maddock,
"Motion Capture File Formats Explained", CS-01-11); those of other joints are read as the data
tells, which the made files know.
"""

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

from outside import mujoco_tree
from outside.bvh_variety import varieties
from outside.reference_bvh import read_bvh
from outside.test_references import three_positions
from outside.tiny_glb import write_tiny_glb
from outside.understudy import BODIES, CAPTURES, Positions, inspect_positions, manifest

TOLERANCE_M = 1e-5  # 0.01 mm
BVH_FILES = [entry["file"] for entry in manifest()["files"] if entry["file"].endswith(".bvh")]
AMC_ENTRIES = [entry for entry in manifest()["files"] if entry["file"].endswith(".amc")]


def assert_same_positions(ours: Positions, names: list[str], positions_m) -> None:
    """Compares joints by name; ours must hold all joints of the reference that are no end sites."""
    positions_m = np.asarray(positions_m)
    expected = [name for name in names if not name.endswith(" end")]
    missing = [name for name in expected if name not in ours.joints]
    assert not missing
    assert len(ours.positions_m) == len(positions_m)
    differences = {name: np.abs(ours.of(name) - positions_m[:, names.index(name)]).max() for name in expected}
    worst = max(differences, key=differences.get)
    assert differences[worst] < TOLERANCE_M, (worst, differences[worst])


@pytest.mark.parametrize("file", BVH_FILES)
def test_captured_bvh(file, tmp_path):
    path = CAPTURES / file
    ours = inspect_positions(path, tmp_path / "ours.json")
    reader = read_bvh(path)
    assert ours.frame_time_secs == pytest.approx(reader.frame_time_secs, abs=1e-12)
    assert_same_positions(ours, reader.names, reader.positions() / 100.0)
    tree = mujoco_tree.from_bvh(path, units_per_metre=100.0)
    assert_same_positions(ours, tree.names, tree.positions_m)
    three = three_positions(path, tmp_path / "three.json")
    assert_same_positions(ours, three["joints"], three["positions_m"])


@pytest.mark.parametrize("variety", varieties(), ids=lambda variety: variety.name)
def test_bvh_of_every_kind(variety, tmp_path):
    plain, spelled = tmp_path / "plain.bvh", tmp_path / "spelled.bvh"
    plain.write_bytes(variety.plain().encode())
    spelled.write_bytes(variety.spelled().encode())
    ours = inspect_positions(spelled, tmp_path / "ours.json", "--unit", "cm")
    reader = read_bvh(plain)
    expected_m = reader.positions(variety.joint_rule, variety.root_rule) / 100.0
    names = [name if parent < 0 or reader.channels[k] or k in reader.parents else f"{name} end"
             for k, (name, parent) in enumerate(zip(reader.names, reader.parents))]
    assert_same_positions(ours, names, expected_m)


@pytest.mark.parametrize("entry", AMC_ENTRIES, ids=lambda entry: entry["file"])
def test_amc(entry, tmp_path):
    path, skeleton = CAPTURES / entry["file"], CAPTURES / entry["skeleton"]
    ours = inspect_positions(path, tmp_path / "ours.json", "--asf", skeleton, "--rate", entry["rate_hz"])
    tree = mujoco_tree.from_asf(skeleton, path, entry["rate_hz"])
    assert_same_positions(ours, tree.names, tree.positions_m)


def test_glb_with_all_that_readers_get_wrong(tmp_path):
    path = tmp_path / "tiny.glb"
    write_tiny_glb(path)
    ours = inspect_positions(path, tmp_path / "ours.json", "--rate", "20")
    # The clip starts at the animation's first key.
    times = 0.25 + ours.frame_time_secs * np.arange(len(ours.positions_m))
    tree = mujoco_tree.from_glb(path, times_secs=times)
    assert_same_positions(ours, tree.names[:-1], tree.positions_m)
    three = three_positions(path, tmp_path / "three.json", "--times", ",".join(map(repr, times.tolist())))
    joints = [k for k, name in enumerate(three["joints"]) if name in ours.joints]
    assert len(joints) == len(ours.joints)
    assert_same_positions(ours, [three["joints"][k] for k in joints], np.array(three["positions_m"])[:, joints])


@pytest.mark.parametrize("body", BODIES)
def test_made_character_at_rest(body, bodies, tmp_path):
    ours = inspect_positions(bodies[body], tmp_path / "ours.json")
    tree = mujoco_tree.from_glb(bodies[body])
    joints = [k for k, name in enumerate(tree.names) if name in ours.joints]
    assert len(joints) == len(ours.joints) == len(set(ours.joints))
    assert_same_positions(ours, [tree.names[k] for k in joints], tree.positions_m[:, joints])
