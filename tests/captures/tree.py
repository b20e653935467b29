"""A capture in memory (a tree of joints and their motion) and its BVH writer.

Frames and units everywhere in this package: Y up, right-handed, metres, quaternions
as (x, y, z, w). A joint's rest rotation is the identity: its local frame at rest is
parallel to the world. Files are written in centimetres, the common unit of BVH.
"""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

CM_PER_M = 100.0
# Intrinsic Z, then X, then Y: a hinge about Z is then a single channel.
BVH_ORDER = "ZXY"


@dataclass
class Joint:
    """One joint: `parent` is an index or None, `offset_m` is from the parent at rest."""

    name: str
    parent: int | None
    offset_m: np.ndarray
    end_site_m: np.ndarray | None = None


@dataclass
class Capture:
    """A clip.

    `root_positions_m` is (frames, 3) in the world; `local_rotations_xyzw` is
    (frames, joints, 4), each relative to the parent. Joints are in depth-first
    order, the root first. `details` goes into the manifest.
    """

    name: str
    kind: str
    joints: list[Joint]
    root_positions_m: np.ndarray
    local_rotations_xyzw: np.ndarray
    frame_time_secs: float
    source: str
    looped: bool = False
    details: dict = field(default_factory=dict)

    @property
    def frames(self) -> int:
        return len(self.root_positions_m)

    def positions_m(self) -> np.ndarray:
        """World positions (frames, joints, 3), by plain forward kinematics."""
        positions = np.zeros((self.frames, len(self.joints), 3))
        world: list[Rotation] = []
        for index, joint in enumerate(self.joints):
            local = Rotation.from_quat(self.local_rotations_xyzw[:, index])
            if joint.parent is None:
                positions[:, index] = self.root_positions_m
                world.append(local)
                continue
            parent_rotation = world[joint.parent]
            positions[:, index] = positions[:, joint.parent] + parent_rotation.apply(joint.offset_m)
            world.append(parent_rotation * local)
        return positions

    def end_positions_m(self) -> dict[str, np.ndarray]:
        """World positions (frames, 3) of the end sites, by the joint's name."""
        positions = self.positions_m()
        world: list[Rotation] = []
        ends = {}
        for index, joint in enumerate(self.joints):
            local = Rotation.from_quat(self.local_rotations_xyzw[:, index])
            world.append(local if joint.parent is None else world[joint.parent] * local)
            if joint.end_site_m is not None:
                ends[joint.name] = positions[:, index] + world[index].apply(joint.end_site_m)
        return ends


def write_bvh(capture: Capture, path: Path) -> None:
    """Writes the capture as BVH, in centimetres.

    The root's OFFSET is zero, so readers that add position channels to the offset
    and readers that replace it agree.
    """
    lines = ["HIERARCHY"]
    roots = [i for i, joint in enumerate(capture.joints) if joint.parent is None]
    for root in roots:
        lines += _hierarchy_lines(capture.joints, root, depth=0)
    lines += ["MOTION", f"Frames: {capture.frames}", f"Frame Time: {capture.frame_time_secs:.9g}"]
    lines += [" ".join(f"{value:.6f}" for value in row) for row in _channel_rows(capture)]
    path.write_text("\n".join(lines).replace("-0.000000", "0.000000") + "\n", encoding="utf-8")


def _hierarchy_lines(joints: list[Joint], index: int, depth: int) -> list[str]:
    joint = joints[index]
    pad = "\t" * depth
    rotations = " ".join(f"{axis}rotation" for axis in BVH_ORDER)
    is_root = joint.parent is None
    channels = f"6 Xposition Yposition Zposition {rotations}" if is_root else f"3 {rotations}"
    offset_m = np.zeros(3) if is_root else joint.offset_m
    lines = [f"{pad}{'ROOT' if is_root else 'JOINT'} {joint.name}", pad + "{"]
    lines += [f"{pad}\tOFFSET {_numbers(offset_m)}", f"{pad}\tCHANNELS {channels}"]
    for child, other in enumerate(joints):
        if other.parent == index:
            lines += _hierarchy_lines(joints, child, depth + 1)
    if joint.end_site_m is not None:
        lines += [f"{pad}\tEnd Site", pad + "\t{"]
        lines += [f"{pad}\t\tOFFSET {_numbers(joint.end_site_m)}", pad + "\t}"]
    return lines + [pad + "}"]


def _numbers(vector_m: np.ndarray) -> str:
    return " ".join(f"{value * CM_PER_M:.6f}" for value in vector_m)


def _channel_rows(capture: Capture) -> np.ndarray:
    columns = [capture.root_positions_m * CM_PER_M]
    for index in range(len(capture.joints)):
        rotation = Rotation.from_quat(capture.local_rotations_xyzw[:, index])
        columns.append(rotation.as_euler(BVH_ORDER, degrees=True, suppress_warnings=True))
    return np.concatenate(columns, axis=1)
