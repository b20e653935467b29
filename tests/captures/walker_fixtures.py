"""The two trajectories bundled in the PyPI package dm_control, and the body they move.

Source: `dm_control/locomotion/mocap/test_001.textproto` and `test_002.textproto`
(`test_trajectories.h5` beside them holds the same two); body
`dm_control/locomotion/walkers/assets/humanoid_CMU_V2019.xml`, whose bones carry the names
and axis order of the open academic captures.

These are NOT captured motion. They are the package's own test data: ten frames at 20 Hz of
a limp body that falls beside a box, from a simulation. The package holds no other motion
of this body (its captures are a download, and `suite/demos/zeros.amc` is all zeros). They are
converted because they exercise all 56 degrees of freedom at once, and because each frame also
records the world positions of all 30 bodies, computed by others.

Layout of a frame (`mocap_pb2.WalkerPose`): `position` (metres, Z up), `quaternion`
(w, x, y, z), `joints` (radians, in the order of `_CMU_MOCAP_JOINTS` in
`walkers/cmu_humanoid.py`, which is the order of the XML), `body_positions` (30 x 3, in the
XML's order without the root). Z up becomes Y up by a turn of -90 degrees about X.
"""

from importlib.resources import files
from pathlib import Path

import mujoco
import numpy as np
from dm_control.locomotion.mocap import mocap_pb2
from google.protobuf import text_format
from scipy.spatial.transform import Rotation

from .asf_amc import Style
from .tree import Capture, Joint

Y_UP_FROM_Z_UP = Rotation.from_euler("x", -90.0, degrees=True)


def package_root() -> Path:
    return Path(str(files("dm_control")))


def body_model() -> mujoco.MjModel:
    """The 2019 body with a free joint at its root, as the package's walker has."""
    path = package_root() / "locomotion" / "walkers" / "assets" / "humanoid_CMU_V2019.xml"
    spec = mujoco.MjSpec.from_file(str(path))
    # The file states its ranges in radians but leaves that out of its compiler settings.
    spec.compiler.degree = False
    spec.body("root").add_freejoint()
    return spec.compile()


def trajectory_paths() -> list[Path]:
    return sorted((package_root() / "locomotion" / "mocap").glob("test_*.textproto"))


def read_trajectory(path: Path) -> mocap_pb2.FittedTrajectory:
    return text_format.Parse(path.read_text(), mocap_pb2.FittedTrajectory())


def rest_rotations(model: mujoco.MjModel) -> list[Rotation]:
    """Per body (index 0 is the world): its frame at rest, in the root's frame."""
    rest = [Rotation.identity()] * model.nbody
    for body in range(2, model.nbody):
        fixed = Rotation.from_quat(model.body_quat[body], scalar_first=True)
        rest[body] = rest[model.body_parentid[body]] * fixed
    return rest


def read_joints(model: mujoco.MjModel) -> list[Joint]:
    """The bodies as joints that rest parallel to the root; leaves end at twice the center of their shapes."""
    rest = rest_rotations(model)
    parents = set(model.body_parentid[2:])
    joints = []
    for body in range(1, model.nbody):
        parent_body = model.body_parentid[body]
        parent = None if body == 1 else parent_body - 1
        end_site_m = None
        if body not in parents:
            shapes = model.geom_pos[model.geom_bodyid == body]
            end_site_m = rest[body].apply(2.0 * shapes.mean(axis=0))
        offset_m = rest[parent_body].apply(model.body_pos[body])
        joints.append(Joint(model.body(body).name, parent, offset_m, end_site_m))
    return joints


def _pose(model: mujoco.MjModel, data: mujoco.MjData, step) -> None:
    walker = step.walkers[0]
    data.qpos[:] = [*walker.position, *walker.quaternion, *walker.joints]
    mujoco.mj_kinematics(model, data)


def read_fixture(path: Path) -> Capture:
    """One trajectory; rotations are relative to the rest pose, as in `tree.Joint`."""
    model = body_model()
    data = mujoco.MjData(model)
    rest = rest_rotations(model)
    trajectory = read_trajectory(path)
    positions, rotations = [], []
    for step in trajectory.timesteps:
        _pose(model, data, step)
        world = [Rotation.from_quat(q, scalar_first=True) for q in data.xquat]
        turned = [w * r.inv() for w, r in zip(world, rest)]
        frame = [(Y_UP_FROM_Z_UP * turned[1]).as_quat()]
        frame += [
            (turned[model.body_parentid[body]].inv() * turned[body]).as_quat() for body in range(2, model.nbody)
        ]
        positions.append(Y_UP_FROM_Z_UP.apply(data.xpos[1]))
        rotations.append(frame)
    return Capture(
        name=f"simulated_fall_{path.stem.removeprefix('test_')}",
        kind="simulated fall",
        joints=read_joints(model),
        root_positions_m=np.array(positions),
        local_rotations_xyzw=np.array(rotations),
        frame_time_secs=trajectory.dt,
        source=str(path.relative_to(package_root().parent)),
        details={"captured": False, "note": "simulated test data of the package, not a capture"},
    )


def degrees_of_freedom(model: mujoco.MjModel) -> dict[str, dict[str, tuple[float, float]]]:
    """Per body: its rotation axes in the order rx, ry, rz, each with its range in degrees."""
    result: dict[str, dict[str, tuple[float, float]]] = {}
    for body in range(2, model.nbody):
        name = model.body(body).name
        axes = {}
        for joint in range(model.njnt):
            if model.jnt_bodyid[joint] == body:
                low, high = np.degrees(model.jnt_range[joint])
                axes[model.joint(joint).name.removeprefix(name)] = (float(low), float(high))
        result[name] = dict(sorted(axes.items()))
    return result


def suite_model() -> mujoco.MjModel:
    """The older body of the same tree, which `suite/demos/zeros.amc` belongs to."""
    return mujoco.MjModel.from_xml_path(str(package_root() / "suite" / "humanoid_CMU.xml"))


def zeros_path() -> Path:
    """The one AMC in the package: a dummy, every angle zero."""
    return package_root() / "suite" / "demos" / "zeros.amc"


def rest_capture() -> Capture:
    """One frame of the older body at rest: the skeleton for `zeros.amc`."""
    joints = read_joints(suite_model())
    rotations = np.tile([0.0, 0.0, 0.0, 1.0], (1, len(joints), 1))
    source = str(zeros_path().relative_to(package_root().parent))
    return Capture("zeros", "rest pose", joints, np.zeros((1, 3)), rotations, 1.0 / 120.0, source)


def asf_style(model: mujoco.MjModel) -> Style:
    """A body's own axis frames and ranges."""
    rest = rest_rotations(model)
    return Style({model.body(body).name: rest[body] for body in range(2, model.nbody)}, degrees_of_freedom(model))


def captures() -> list[Capture]:
    return [read_fixture(path) for path in trajectory_paths()]
