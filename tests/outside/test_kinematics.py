"""World joint positions as `inspect --positions` writes them, against independent readers.

BVH: the PyPI reader `bvh` with scipy rotations, MuJoCo's kinematics, and three's BVHLoader.
AMC: MuJoCo on a tree built from the ASF. GLB: MuJoCo on the node tree, and three's GLTFLoader.
All within 0.01 mm. Position channels of roots are added to the OFFSET (Meredith & Maddock,
"Motion Capture File Formats Explained", CS-01-11); those of other joints are read as the data
tells, which the made files know.
"""

import numpy as np
import pytest

from outside import mujoco_tree
from outside.bvh_variety import varieties
from outside.reference_bvh import read_bvh
from outside.test_references import three_positions
from outside.tiny_glb import write_tiny_glb
from outside.understudy import BODIES, CAPTURES, Positions, attempt, inspect_positions, manifest

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
    assert_same_positions(ours, reader.names, expected_m)


@pytest.mark.parametrize("entry", AMC_ENTRIES, ids=lambda entry: entry["file"])
def test_amc(entry, tmp_path):
    path, skeleton = CAPTURES / entry["file"], CAPTURES / entry["skeleton"]
    ours = inspect_positions(path, tmp_path / "ours.json", "--asf", skeleton, "--rate", entry["rate_hz"])
    tree = mujoco_tree.from_asf(skeleton, path, entry["rate_hz"])
    assert_same_positions(ours, tree.names, tree.positions_m)


def assert_same_joints(ours: Positions, names: list[str], positions_m) -> None:
    """As `assert_same_positions`, for node trees: nodes that are no joints of ours do not count."""
    joints = [k for k, name in enumerate(names) if name in ours.joints]
    assert len(joints) == len(ours.joints) == len(set(ours.joints))
    assert_same_positions(ours, [names[k] for k in joints], np.asarray(positions_m)[:, joints])


@pytest.mark.parametrize("rate", ["20", "60", "29.97"])
def test_glb_with_all_that_readers_get_wrong(rate, tmp_path):
    path = tmp_path / "tiny.glb"
    write_tiny_glb(path)
    ours = inspect_positions(path, tmp_path / "ours.json", "--rate", rate)
    # The clip starts at the animation's first key.
    times = 0.25 + ours.frame_time_secs * np.arange(len(ours.positions_m))
    tree = mujoco_tree.from_glb(path, times_secs=times)
    assert_same_joints(ours, tree.names, tree.positions_m)
    three = three_positions(path, tmp_path / "three.json", "--times", ",".join(map(repr, times.tolist())))
    assert_same_joints(ours, three["joints"], three["positions_m"])


@pytest.mark.parametrize("body", BODIES)
def test_made_character_at_rest(body, bodies, tmp_path):
    ours = inspect_positions(bodies[body], tmp_path / "ours.json")
    tree = mujoco_tree.from_glb(bodies[body])
    assert_same_joints(ours, tree.names, tree.positions_m)


def test_a_file_that_disagrees_with_its_header_is_refused(tmp_path):
    """As the PyPI reader's clip would be; the message names the file and a line."""
    path = tmp_path / "short.bvh"
    text = (CAPTURES / BVH_FILES[0]).read_text()
    frames = read_bvh(CAPTURES / BVH_FILES[0]).frames
    path.write_text(text.replace(f"Frames: {frames}", f"Frames: {frames + 1}"))
    done = attempt("inspect", path)
    assert done.returncode == 3
    assert "short.bvh" in done.stderr and "line" in done.stderr
