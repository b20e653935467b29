"""The fixtures' files against the world positions that the package recorded with each frame."""

import mujoco
import numpy as np
import pytest

from captures import asf_amc, humanoid_clips, walker_fixtures
from captures.tree import write_bvh
from outside import mujoco_tree
from outside.reference_bvh import read_bvh

TOLERANCE_M = 1e-5  # 0.01 mm


def recorded_positions_m(path) -> np.ndarray:
    """(frames, 30, 3) positions of all bodies but the root, turned to Y up."""
    steps = walker_fixtures.read_trajectory(path).timesteps
    z_up = np.array([np.reshape(step.walkers[0].body_positions, (-1, 3)) for step in steps])
    turned = walker_fixtures.Y_UP_FROM_Z_UP.apply(z_up.reshape(-1, 3))
    return turned.reshape(z_up.shape)


@pytest.mark.parametrize("path", walker_fixtures.trajectory_paths(), ids=lambda path: path.stem)
def test_bvh_agrees_with_recorded_positions(path, tmp_path):
    write_bvh(walker_fixtures.read_fixture(path), tmp_path / "fall.bvh")
    clip = read_bvh(tmp_path / "fall.bvh")
    joints = [k for k, name in enumerate(clip.names) if not name.endswith(" end")]
    found_m = clip.positions()[:, joints[1:]] / 100.0
    assert np.abs(found_m - recorded_positions_m(path)).max() < TOLERANCE_M


@pytest.mark.parametrize("path", walker_fixtures.trajectory_paths(), ids=lambda path: path.stem)
def test_asf_and_amc_agree_with_recorded_positions(path, tmp_path):
    fall, style = walker_fixtures.read_fixture(path), walker_fixtures.asf_style(walker_fixtures.body_model())
    asf_amc.write_asf(fall, style, tmp_path / "fall.asf")
    asf_amc.write_amc(fall, style, tmp_path / "fall.amc")
    result = mujoco_tree.from_asf(tmp_path / "fall.asf", tmp_path / "fall.amc", rate_hz=20.0)
    recorded_m = recorded_positions_m(path)
    for index, joint in enumerate(fall.joints[1:]):
        found_m = result.positions_m[:, result.names.index(joint.name)]
        assert np.abs(found_m - recorded_m[:, index]).max() < TOLERANCE_M, joint.name


@pytest.mark.parametrize("path", humanoid_clips.clip_paths(), ids=lambda path: path.stem)
def test_asf_and_amc_of_a_clip_agree_with_its_bvh(path, tmp_path):
    clip, style = humanoid_clips.read_clip(path), humanoid_clips.asf_style()
    asf_amc.write_asf(clip, style, tmp_path / "clip.asf")
    asf_amc.write_amc(clip, style, tmp_path / "clip.amc")
    write_bvh(clip, tmp_path / "clip.bvh")
    result = mujoco_tree.from_asf(tmp_path / "clip.asf", tmp_path / "clip.amc", rate_hz=30.0)
    bvh = read_bvh(tmp_path / "clip.bvh")
    bvh_m = bvh.positions() / 100.0
    for index, name in enumerate(bvh.names[1:], start=1):
        found_m = result.positions_m[:, result.names.index(name.replace(" ", "_").replace("_end", " end"))]
        assert np.abs(found_m - bvh_m[:, index]).max() < TOLERANCE_M, name


def test_falls_move_every_degree_of_freedom():
    freedoms = walker_fixtures.degrees_of_freedom(walker_fixtures.body_model())
    assert sum(len(axes) for axes in freedoms.values()) == 56
    assert freedoms["ltibia"]["rx"] == pytest.approx((0.573, 170.0), abs=0.01)


def test_the_packages_own_amc_fits_the_reconstructed_skeleton(tmp_path):
    model = walker_fixtures.suite_model()
    asf_amc.write_asf(walker_fixtures.rest_capture(), walker_fixtures.asf_style(model), tmp_path / "zeros.asf")
    result = mujoco_tree.from_asf(tmp_path / "zeros.asf", walker_fixtures.zeros_path(), rate_hz=120.0)
    data = mujoco.MjData(model)
    data.qpos[:] = 0.0
    data.qpos[3] = 1.0
    mujoco.mj_kinematics(model, data)
    for body in range(1, model.nbody):
        name = model.body(body).name
        found_m = result.positions_m[-1, result.names.index(name)]
        assert np.abs(found_m - data.xpos[body]).max() < TOLERANCE_M, name
