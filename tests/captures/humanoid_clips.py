"""The captured clips of the PyPI package pybullet and the skeleton beside them.

Source: `pybullet_data/data/motions/humanoid3d_*.txt` and, in the same layout, the five
walks in `pybullet_data/data/motions/walker/`; skeleton `pybullet_data/humanoid/humanoid.urdf`.

Layout of a frame, as the package's own reader takes it apart
(`pybullet_envs/deep_mimic/env/humanoid_pose_interpolator.py`, method `Slerp`):

    0       duration until the next frame, seconds
    1..3    root position, metres
    4..7    root rotation, quaternion (w, x, y, z), world
    8..11   chest      12..15  neck
    16..19  right hip  20      right knee, radians about Z   21..24  right ankle
    25..28  right shoulder     29  right elbow, radians about Z
    30..33  left hip   34      left knee   35..38  left ankle
    39..42  left shoulder      43  left elbow

`humanoid_stable_pd.py` in the same folder loads the URDF with `globalScaling=0.25`, so
metres are the URDF's numbers times 0.25. The frame is Y up, the body faces +X and its
right side is +Z; it is kept. At rest the body stands with its arms down.

Durations. The last frame's duration has no frame after it (most files say 0) and is not
used. One file holds a single gap of about two frame times; that gap gets one frame,
interpolated, and counts as exactly two, which moves the frames after it by under 1 ms.
Anything less regular is an error. Quaternions are stored rounded, some far from unit
length; they are normalised, and the largest deviation is in the manifest.
"""

import json
import xml.etree.ElementTree as ElementTree
from importlib.resources import files
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

from .asf_amc import FREE, Style
from .tree import Capture, Joint

METRES_PER_URDF_UNIT = 0.25
LOOP_CYCLES = 4
# A duration may be off a whole number of frame times by this share (see "Durations").
DURATION_SLACK = 0.05

# URDF joint: (our name, first column of its rotation, number of values).
JOINT_COLUMNS = {
    "root": ("pelvis", 4, 4),
    "chest": ("chest", 8, 4),
    "neck": ("neck", 12, 4),
    "right_hip": ("right hip", 16, 4),
    "right_knee": ("right knee", 20, 1),
    "right_ankle": ("right ankle", 21, 4),
    "right_shoulder": ("right shoulder", 25, 4),
    "right_elbow": ("right elbow", 29, 1),
    "left_hip": ("left hip", 30, 4),
    "left_knee": ("left knee", 34, 1),
    "left_ankle": ("left ankle", 35, 4),
    "left_shoulder": ("left shoulder", 39, 4),
    "left_elbow": ("left elbow", 43, 1),
}

KINDS = {
    "backflip": "flip",
    "cartwheel": "cartwheel",
    "crawl": "crawl",
    "dance_a": "dance",
    "dance_b": "dance",
    "getup_facedown": "get up",
    "getup_faceup": "get up",
    "jump": "jump",
    "kick": "kick",
    "punch": "punch",
    "roll": "roll",
    "run": "run",
    "spin": "spin",
    "spinkick": "kick",
    "walk": "walk",
    "0walk_forward": "walk",
    "turn_left0": "walk",
    "turn_left1": "walk",
    "turn_right0": "walk",
    "turn_right1": "walk",
}
# One cycle each: a looped version is written beside the raw one.
CYCLES = ("walk", "run", "0walk_forward")


def data_root() -> Path:
    """The folder of the package's data files."""
    return Path(str(files("pybullet_data")))


def urdf_path() -> Path:
    return data_root() / "humanoid" / "humanoid.urdf"


def urdf_text() -> str:
    """The URDF without the zero byte that ends the file as packaged."""
    return urdf_path().read_text(encoding="utf-8").rstrip("\0")


def clip_paths() -> list[Path]:
    motions = data_root() / "data" / "motions"
    return sorted(motions.glob("humanoid3d_*.txt")) + sorted((motions / "walker").glob("*.txt"))


def read_skeleton() -> list[Joint]:
    """The URDF's joints in depth-first order, in metres, with end sites from its geometry."""
    robot = ElementTree.fromstring(urdf_text())
    links = {link.get("name"): link for link in robot.findall("link")}
    joints: list[Joint] = []
    _add_joint(robot, links, "root", None, joints)
    return joints


def sole_corners_m() -> np.ndarray:
    """Corners (4, 3) of the foot box's underside in the ankle's frame: the sole."""
    center, size = _foot_box(ElementTree.fromstring(urdf_text()))
    corners = [(x, -0.5, z) for x in (-0.5, 0.5) for z in (-0.5, 0.5)]
    return (center + np.array(corners) * size) * METRES_PER_URDF_UNIT


def _add_joint(robot, links, urdf_name: str, parent: int | None, joints: list[Joint]) -> None:
    element = next(j for j in robot.findall("joint") if j.get("name") == urdf_name)
    offset_m = _vector(element.find("origin").get("xyz")) * METRES_PER_URDF_UNIT
    index = len(joints)
    joint = Joint(JOINT_COLUMNS[urdf_name][0], parent, offset_m, _end_site_m(robot, links, urdf_name))
    joints.append(joint)
    for child in robot.findall("joint"):
        if child.find("parent").get("link") == urdf_name and child.get("name") in JOINT_COLUMNS:
            _add_joint(robot, links, child.get("name"), index, joints)


def _end_site_m(robot, links, urdf_name: str) -> np.ndarray | None:
    """Toe: front middle of the foot box's sole. Head: its sphere's top. Hand: the wrist."""
    if urdf_name.endswith("ankle"):
        center, size = _foot_box(robot)
        return (center + size * (0.5, -0.5, 0.0)) * METRES_PER_URDF_UNIT
    if urdf_name == "neck":
        collision = links["neck"].find("collision")
        radius = float(collision.find("geometry/sphere").get("radius"))
        center = _vector(collision.find("origin").get("xyz"))
        return (center + (0.0, radius, 0.0)) * METRES_PER_URDF_UNIT
    if urdf_name.endswith("elbow"):
        wrist_name = urdf_name.replace("elbow", "wrist")
        wrist = next(j for j in robot.findall("joint") if j.get("name") == wrist_name)
        return _vector(wrist.find("origin").get("xyz")) * METRES_PER_URDF_UNIT
    return None


def _foot_box(robot) -> tuple[np.ndarray, np.ndarray]:
    """Center and full size of the foot box, in URDF units; both feet are the same."""
    collision = next(k for k in robot.findall("link") if k.get("name") == "right_ankle").find("collision")
    return _vector(collision.find("origin").get("xyz")), _vector(collision.find("geometry/box").get("size"))


def _vector(text: str) -> np.ndarray:
    return np.array([float(word) for word in text.split()])


def read_frames(path: Path) -> tuple[np.ndarray, dict]:
    """Frames (n, 44) at a constant rate and facts about how they came to be."""
    content = json.loads(path.read_text())
    rows = np.array(content["Frames"], dtype=float)
    if rows.ndim != 2 or rows.shape[1] != 44:
        raise ValueError(f"{path}: frames of {rows.shape[-1]} values, 44 expected")
    frame_time_secs = float(np.median(rows[:-1, 0]))
    filled = [rows[0]]
    interpolated = 0
    for before, after in zip(rows[:-1], rows[1:]):
        steps = max(1, round(before[0] / frame_time_secs))
        if abs(before[0] / frame_time_secs - steps) > DURATION_SLACK:
            raise ValueError(f"{path}: a duration of {before[0]} s among ones of {frame_time_secs} s")
        filled += [_between(before, after, step / steps) for step in range(1, steps)] + [after]
        interpolated += steps - 1
    facts = {
        "frame_time_secs": frame_time_secs,
        "interpolated_frames": interpolated,
        "quaternion_norm_error_max": round(_norm_error_max(rows), 9),
        "source_loop_flag": content.get("Loop", ""),
    }
    return np.array(filled), facts


def _between(before: np.ndarray, after: np.ndarray, share: float) -> np.ndarray:
    row = before + share * (after - before)
    for _, start, count in JOINT_COLUMNS.values():
        if count == 4:
            ends = Rotation.from_quat([_xyzw(before, start), _xyzw(after, start)])
            x, y, z, w = Slerp([0.0, 1.0], ends)(share).as_quat()
            row[start : start + 4] = w, x, y, z
    return row


def _xyzw(rows: np.ndarray, start: int) -> np.ndarray:
    return rows[..., [start + 1, start + 2, start + 3, start]]


def _norm_error_max(rows: np.ndarray) -> float:
    norms = [np.linalg.norm(rows[:, s : s + 4], axis=1) for _, s, n in JOINT_COLUMNS.values() if n == 4]
    return float(np.abs(np.array(norms) - 1.0).max())


def _local_rotations(rows: np.ndarray, joints: list[Joint]) -> np.ndarray:
    by_name = {name: (start, count) for name, start, count in JOINT_COLUMNS.values()}
    rotations = np.empty((len(rows), len(joints), 4))
    for index, joint in enumerate(joints):
        start, count = by_name[joint.name]
        if count == 4:
            rotation = Rotation.from_quat(_xyzw(rows, start))
        else:
            rotation = Rotation.from_euler("Z", rows[:, [start]])
        rotations[:, index] = rotation.as_quat()
    return rotations


def read_clip(path: Path) -> Capture:
    rows, facts = read_frames(path)
    joints = read_skeleton()
    short_name = path.stem.removeprefix("humanoid3d_")
    return Capture(
        name=path.stem if path.parent.name == "motions" else f"{path.parent.name}_{path.stem}",
        kind=KINDS.get(short_name, "other"),
        joints=joints,
        root_positions_m=rows[:, 1:4],
        local_rotations_xyzw=_local_rotations(rows, joints),
        frame_time_secs=facts.pop("frame_time_secs"),
        source=str(path.relative_to(data_root().parent)),
        details=facts,
    )


def loop(cycle: Capture, cycles: int = LOOP_CYCLES) -> Capture:
    """Repeats one cycle: travel adds up, heading and height are kept.

    As in the package's own player (`motion_capture_data.py`: `getCycleTime`,
    `computeCycleOffset`) the last frame stands for the first frame of the next cycle. The
    captures do not close exactly there (several degrees), so the closing error of every
    joint is spread evenly over the cycle, half of it towards either end; the looped file is
    therefore edited motion, and its feet slide more than the raw cycle's.
    """
    shares = np.linspace(-0.5, 0.5, cycle.frames)
    closed = np.empty_like(cycle.local_rotations_xyzw)
    for index in range(len(cycle.joints)):
        rotation = Rotation.from_quat(cycle.local_rotations_xyzw[:, index])
        closing = (rotation[-1].inv() * rotation[0]).as_rotvec()
        closed[:, index] = (rotation * Rotation.from_rotvec(shares[:, None] * closing)).as_quat()
    gap_m = cycle.root_positions_m[-1] - cycle.root_positions_m[0]
    travel_m = gap_m * (1.0, 0.0, 1.0)
    height_error_m = gap_m * (0.0, 1.0, 0.0)
    positions_m = cycle.root_positions_m - shares[:, None] * height_error_m
    step = cycle.frames - 1
    frame_of = np.arange(cycles * step + 1)
    count, frame = np.divmod(frame_of, step)
    return Capture(
        name=f"{cycle.name}_loop",
        kind=cycle.kind,
        joints=cycle.joints,
        root_positions_m=positions_m[frame] + count[:, None] * travel_m,
        local_rotations_xyzw=closed[frame],
        frame_time_secs=cycle.frame_time_secs,
        source=cycle.source,
        looped=True,
        details={**cycle.details, "cycles": cycles, "closing_error_degrees_max": round(_closing_error_degrees(cycle), 3)},
    )


def _closing_error_degrees(cycle: Capture) -> float:
    first = Rotation.from_quat(cycle.local_rotations_xyzw[0])
    last = Rotation.from_quat(cycle.local_rotations_xyzw[-1])
    return float(np.degrees((last.inv() * first).magnitude()).max())


def captures() -> list[Capture]:
    """All clips, each cycle followed by its looped version."""
    result = []
    for path in clip_paths():
        clip = read_clip(path)
        result.append(clip)
        if path.stem.removeprefix("humanoid3d_") in CYCLES:
            result.append(loop(clip))
    return result


def asf_style() -> Style:
    """Bone axes for the reconstructed ASF of this body.

    The layout's hinges turn about the bone's own x, ours about Z: every bone's axes are
    turned by -90 degrees about Y, which carries x to Z. Thighs are turned a further 20
    degrees about their own z, as the academic skeletons' thighs are, so that a reader
    that ignores `axis` fails.
    """
    hinge = Rotation.from_euler("y", -90.0, degrees=True)
    axes = {name: hinge for name, _, _ in JOINT_COLUMNS.values()}
    for side, sign in (("left", 1.0), ("right", -1.0)):
        axes[f"{side} hip"] = hinge * Rotation.from_euler("z", sign * 20.0, degrees=True)
    freedoms = {name: FREE if count == 4 else {"rx": FREE["rx"]} for name, _, count in JOINT_COLUMNS.values()}
    return Style(axes, freedoms)
