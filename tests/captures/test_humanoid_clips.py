"""The clips' BVH against MuJoCo on the package's own URDF, and facts the files must keep."""

import mujoco
import numpy as np
import pytest

from captures import humanoid_clips
from captures.tree import write_bvh
from outside.reference_bvh import read_bvh

TOLERANCE_M = 1e-5  # 0.01 mm
OUR_NAMES = {urdf: ours for urdf, (ours, _, _) in humanoid_clips.JOINT_COLUMNS.items()}


@pytest.fixture(scope="module")
def urdf_model() -> mujoco.MjModel:
    """The URDF as it is, its fixed links kept, with a free joint added at the base."""
    spec = mujoco.MjSpec.from_string(humanoid_clips.urdf_text())
    spec.compiler.fusestatic = False
    spec.body("base").add_freejoint()
    return spec.compile()


def urdf_positions_m(model: mujoco.MjModel, row: np.ndarray) -> dict[str, np.ndarray]:
    """World positions of the URDF's bodies for one source frame of 44 values, by our names."""
    data = mujoco.MjData(model)
    scale = humanoid_clips.METRES_PER_URDF_UNIT
    data.qpos[0:3] = row[1:4] / scale
    data.qpos[3:7] = row[4:8]
    for urdf_name, (_, start, count) in humanoid_clips.JOINT_COLUMNS.items():
        if urdf_name != "root":
            address = model.joint(urdf_name).qposadr[0]
            data.qpos[address : address + count] = row[start : start + count]
    mujoco.mj_kinematics(model, data)
    positions = {ours: data.body(urdf).xpos * scale for urdf, ours in OUR_NAMES.items()}
    positions |= {f"{side} elbow end": data.body(f"{side}_wrist").xpos * scale for side in ("right", "left")}
    return positions


@pytest.mark.parametrize("path", humanoid_clips.clip_paths(), ids=lambda path: path.stem)
def test_bvh_agrees_with_mujoco_on_the_urdf(path, urdf_model, tmp_path):
    rows, _ = humanoid_clips.read_frames(path)
    write_bvh(humanoid_clips.read_clip(path), tmp_path / "clip.bvh")
    clip = read_bvh(tmp_path / "clip.bvh")
    positions_m = clip.positions() / 100.0
    assert len(positions_m) == len(rows)
    for frame in range(0, len(rows), 5):
        expected = urdf_positions_m(urdf_model, rows[frame])
        for name, position_m in expected.items():
            found_m = positions_m[frame, clip.names.index(name)]
            assert np.abs(found_m - position_m).max() < TOLERANCE_M, (frame, name)


def test_every_clip_of_the_package_is_written():
    names = {path.stem.removeprefix("humanoid3d_") for path in humanoid_clips.clip_paths()}
    assert len(names) == 20
    assert names == set(humanoid_clips.KINDS)


def test_toe_end_is_at_sole_height_and_in_front():
    joints = {joint.name: joint for joint in humanoid_clips.read_skeleton()}
    sole_m = humanoid_clips.sole_corners_m()
    toe_m = joints["left ankle"].end_site_m
    assert toe_m[1] == pytest.approx(sole_m[:, 1].min())
    assert toe_m[0] == pytest.approx(sole_m[:, 0].max())


def test_one_gap_of_two_frames_is_filled_and_kept_frames_are_untouched():
    path = next(p for p in humanoid_clips.clip_paths() if p.stem == "humanoid3d_roll")
    rows, facts = humanoid_clips.read_frames(path)
    assert facts["interpolated_frames"] == 1
    assert len(rows) == 122


def test_loop_travels_four_times_as_far_and_closes():
    path = next(p for p in humanoid_clips.clip_paths() if p.stem == "humanoid3d_walk")
    cycle = humanoid_clips.read_clip(path)
    looped = humanoid_clips.loop(cycle)
    travel_m = np.ptp(cycle.root_positions_m[[0, -1], 0])
    assert np.ptp(looped.root_positions_m[[0, -1], 0]) == pytest.approx(4 * travel_m)
    step = cycle.frames - 1
    first, second = looped.local_rotations_xyzw[0], looped.local_rotations_xyzw[step]
    assert np.abs(first - second).max() < 1e-12
