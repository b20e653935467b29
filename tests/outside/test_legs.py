"""Solved legs against an independent inverse-kinematics library: mink (PyPI) on a MuJoCo model.

For 50 random frames of exported clips a leg of two bones is built with the lengths that the
character has at rest, its hip put where our solved hip is, and mink is asked to bring its ankle to
where our solved ankle is. It must arrive within 0.01 mm, and bend the knee by the same angle within
0.01 degree: by the law of cosines (Euclid, Elements, II.12 and II.13) there is only one.
"""

from dataclasses import dataclass
from pathlib import Path

import mink
import mujoco
import numpy as np
import pytest

from outside import mujoco_tree
from outside.understudy import BODIES, anatomy, inspect, inspect_positions

TOLERANCE_M = 1e-5  # 0.01 mm
TOLERANCE_DEG = 0.01
CLIPS = ["humanoid3d_walk", "humanoid3d_run", "walker_turn_right1"]
LEGS = 50
STEPS = 200


@dataclass
class SolvedLeg:
    """One leg in one frame of an exported clip; lengths are those at rest."""

    name: str
    thigh_m: float
    shank_m: float
    hip_m: np.ndarray
    knee_m: np.ndarray
    ankle_m: np.ndarray

    @property
    def bend_deg(self) -> float:
        thigh, shank = self.knee_m - self.hip_m, self.ankle_m - self.knee_m
        return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(thigh, shank)), thigh @ shank)))


@pytest.fixture(scope="module")
def solved_legs(bodies, retargeted, tmp_path_factory) -> list[SolvedLeg]:
    folder, random = tmp_path_factory.mktemp("legs"), np.random.default_rng(11)
    legs = []
    for number in range(LEGS):
        clip, body = CLIPS[number % len(CLIPS)], BODIES[number % len(BODIES)]
        path, _ = retargeted(f"{clip}.bvh", body)
        ours = inspect_positions(path, folder / "positions.json")
        rest = mujoco_tree.from_glb(Path(bodies[body]))
        leg = anatomy(inspect(bodies[body])).legs[random.integers(2)]
        frame = int(random.integers(len(ours.positions_m)))
        at_rest = {joint: rest.positions_m[0, rest.names.index(joint)] for joint in (leg.hip, leg.knee, leg.ankle)}
        legs.append(
            SolvedLeg(
                f"{clip} on {body}, {leg.side}, frame {frame}",
                float(np.linalg.norm(at_rest[leg.knee] - at_rest[leg.hip])),
                float(np.linalg.norm(at_rest[leg.ankle] - at_rest[leg.knee])),
                *(ours.of(joint)[frame] for joint in (leg.hip, leg.knee, leg.ankle)),
            )
        )
    return legs


def leg_model(leg: SolvedLeg) -> mujoco.MjModel:
    """A ball at the hip, a hinge at the knee, a site at the ankle."""
    spec = mujoco.MjSpec()
    inertia = {"mass": 1.0, "inertia": [1.0, 1.0, 1.0], "explicitinertial": True}
    thigh = spec.worldbody.add_body(name="thigh", pos=leg.hip_m, **inertia)
    thigh.add_joint(name="hip", type=mujoco.mjtJoint.mjJNT_BALL)
    shank = thigh.add_body(name="shank", pos=[0.0, 0.0, -leg.thigh_m], **inertia)
    shank.add_joint(name="knee", type=mujoco.mjtJoint.mjJNT_HINGE, axis=[0.0, 1.0, 0.0])
    shank.add_site(name="ankle", pos=[0.0, 0.0, -leg.shank_m])
    return spec.compile()


def solve(leg: SolvedLeg) -> tuple[np.ndarray, float]:
    """Where mink's ankle ends, and its knee's bend in degrees."""
    configuration = mink.Configuration(leg_model(leg))
    start = configuration.q.copy()
    start[4] = 1.0  # a bent knee: a straight one has no way to go
    configuration.update(start)
    task = mink.FrameTask("ankle", "site", position_cost=1.0, orientation_cost=0.0)
    task.set_target(mink.SE3.from_translation(leg.ankle_m))
    for _ in range(STEPS):
        velocity = mink.solve_ik(configuration, [task], dt=1.0, solver="daqp", damping=1e-9)
        # Half steps do not overshoot where the leg is nearly straight.
        configuration.integrate_inplace(0.5 * velocity, 1.0)
    ankle_m = configuration.data.site("ankle").xpos.copy()
    # A hinge without limits may bend the other way or wind up; its angle within half a turn counts.
    return ankle_m, float(np.degrees(abs(np.angle(np.exp(1j * configuration.q[4])))))


def test_bones_keep_their_lengths(solved_legs):
    for leg in solved_legs:
        assert abs(np.linalg.norm(leg.knee_m - leg.hip_m) - leg.thigh_m) < TOLERANCE_M, leg.name
        assert abs(np.linalg.norm(leg.ankle_m - leg.knee_m) - leg.shank_m) < TOLERANCE_M, leg.name


def test_another_solver_finds_the_same_legs(solved_legs):
    for leg in solved_legs:
        ankle_m, bend_deg = solve(leg)
        assert np.linalg.norm(ankle_m - leg.ankle_m) < TOLERANCE_M, leg.name
        assert bend_deg == pytest.approx(leg.bend_deg, abs=TOLERANCE_DEG), leg.name


def test_the_law_of_cosines_holds(solved_legs):
    for leg in solved_legs:
        a, b, reach = leg.thigh_m, leg.shank_m, np.linalg.norm(leg.ankle_m - leg.hip_m)
        bend_deg = 180.0 - np.degrees(np.arccos((a * a + b * b - reach * reach) / (2.0 * a * b)))
        assert bend_deg == pytest.approx(leg.bend_deg, abs=TOLERANCE_DEG), leg.name
