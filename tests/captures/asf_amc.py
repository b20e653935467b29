"""Writes a capture as ASF (skeleton) and AMC (motion), both RECONSTRUCTED.

The packages hold no ASF. The trees, lengths, axes and limits written here come from the
package's body model, so the pair says what the model says, in the layout of the open academic
captures; it is not a file that a capture studio made.

Convention, as in the package's reader `dm_control/suite/utils/parse_amc.py` (root order
TX TY TZ RX RY RZ; angles in degrees, x then y then z about fixed axes, "rotation order is zyx"
in `dm_control/mujoco/math.py`; `CONVERSION_LENGTH` 0.056444 m per unit = 0.0254 / 0.45):

- A bone starts at its parent's end and points along `direction` (world, at rest) for `length`.
- C = Rz Ry Rx of `axis`; M = Rz Ry Rx of the frame's angles; a bone turns its subtree by
  C M C^-1 relative to its parent (common practice; agrees with the body model's kinematics,
  which `test_walker_fixtures.py` checks).

A joint that does not start where its parent's bone ends gets a bone of no freedom,
"<name>_base", that leads there.
"""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from .tree import Capture, Joint

METRES_PER_UNIT = 0.0254 / 0.45
FREE = {"rx": (-180.0, 180.0), "ry": (-180.0, 180.0), "rz": (-180.0, 180.0)}
# An angle about an axis that the bone does not have must vanish to this many degrees.
LOST_DEGREES = 1e-5


@dataclass
class Style:
    """What a capture does not say: per joint the axis frame C and the axes with their ranges."""

    axes: dict[str, Rotation] = field(default_factory=dict)
    freedoms: dict[str, dict[str, tuple[float, float]]] = field(default_factory=dict)

    def axis(self, joint: Joint) -> Rotation:
        return self.axes.get(joint.name, Rotation.identity())

    def freedom(self, joint: Joint) -> dict[str, tuple[float, float]]:
        return self.freedoms.get(joint.name, FREE)


@dataclass
class Bone:
    name: str
    parent: str
    vector_m: np.ndarray
    axis: Rotation
    freedom: dict[str, tuple[float, float]]


def bone_name(joint: Joint) -> str:
    return joint.name.replace(" ", "_")


def bones(capture: Capture, style: Style) -> list[Bone]:
    """The capture's joints but the root as bones, bases included, parents first."""
    result: list[Bone] = []
    for joint in capture.joints[1:]:
        parent = capture.joints[joint.parent]
        parent_name = "root" if parent.parent is None else bone_name(parent)
        gap_m = joint.offset_m - _bone_vector_m(capture, joint.parent)
        if np.linalg.norm(gap_m) > 1e-9:
            base = Bone(f"{bone_name(joint)}_base", parent_name, gap_m, Rotation.identity(), {})
            result.append(base)
            parent_name = base.name
        vector_m = _bone_vector_m(capture, capture.joints.index(joint))
        result.append(Bone(bone_name(joint), parent_name, vector_m, style.axis(joint), style.freedom(joint)))
    return result


def _bone_vector_m(capture: Capture, index: int) -> np.ndarray:
    joint = capture.joints[index]
    if joint.parent is None:
        return np.zeros(3)
    children = [other for other in capture.joints if other.parent == index]
    return children[0].offset_m if children else joint.end_site_m


def write_asf(capture: Capture, style: Style, path: Path) -> None:
    tree = bones(capture, style)
    lines = [
        f"# Reconstructed from {capture.source} and its body model; not an original capture file.",
        ":version 1.10",
        f":name {capture.name}",
        ":units",
        "  mass 1.0",
        "  length 0.45",
        "  angle deg",
        ":documentation",
        "   Reconstructed from the body model beside the motion.",
        ":root",
        "   order TX TY TZ RX RY RZ",
        "   axis XYZ",
        "   position 0 0 0",
        "   orientation 0 0 0",
        ":bonedata",
    ]
    for number, bone in enumerate(tree, start=1):
        lines += _bone_lines(number, bone)
    lines += [":hierarchy", "  begin"]
    for parent in ["root", *(bone.name for bone in tree)]:
        children = [bone.name for bone in tree if bone.parent == parent]
        if children:
            lines.append(f"    {parent} {' '.join(children)}")
    path.write_text("\n".join([*lines, "  end", ""]), encoding="utf-8")


def _bone_lines(number: int, bone: Bone) -> list[str]:
    length_m = float(np.linalg.norm(bone.vector_m))
    lines = [
        "  begin",
        f"     id {number}",
        f"     name {bone.name}",
        f"     direction {_numbers(bone.vector_m / length_m)}",
        f"     length {length_m / METRES_PER_UNIT:.9f}",
        f"     axis {_numbers(_euler_degrees(bone.axis))} XYZ",
    ]
    if bone.freedom:
        limits = [f"({low:.4f} {high:.4f})" for low, high in bone.freedom.values()]
        lines.append(f"    dof {' '.join(bone.freedom)}")
        lines.append(f"    limits {limits[0]}")
        lines += [f"           {limit}" for limit in limits[1:]]
    return [*lines, "  end"]


def write_amc(capture: Capture, style: Style, path: Path) -> None:
    """Writes the motion. AMC states no rate: it is in the manifest."""
    lines = [
        f"# Reconstructed from {capture.source}; not an original capture file.",
        ":FULLY-SPECIFIED",
        ":DEGREES",
    ]
    columns = {bone_name(joint): _angles(capture, style, index) for index, joint in enumerate(capture.joints)}
    root_name = bone_name(capture.joints[0])
    for frame in range(capture.frames):
        position = capture.root_positions_m[frame] / METRES_PER_UNIT
        lines += [str(frame + 1), f"root {_numbers(position)} {_numbers(columns[root_name][frame])}"]
        for name, angles in columns.items():
            if name != root_name and angles.shape[1] > 0:
                lines.append(f"{name} {_numbers(angles[frame])}")
    path.write_text("\n".join([*lines, ""]), encoding="utf-8")


def _angles(capture: Capture, style: Style, index: int) -> np.ndarray:
    """Angles (frames, axes) in degrees of one joint, about the axes it has."""
    joint = capture.joints[index]
    local = Rotation.from_quat(capture.local_rotations_xyzw[:, index])
    if joint.parent is None:
        return _euler_degrees(local)
    axis = style.axis(joint)
    angles = _euler_degrees(axis.inv() * local * axis)
    has = [f"r{letter}" in style.freedom(joint) for letter in "xyz"]
    lost = angles[:, np.logical_not(has)]
    if lost.size and np.abs(lost).max() > LOST_DEGREES:
        raise ValueError(f"{joint.name}: turns {np.abs(lost).max()} degrees about an axis it does not have")
    return angles[:, has]


def _euler_degrees(rotation: Rotation) -> np.ndarray:
    """Angles x, y, z with rotation = Rz Ry Rx (fixed axes, x first).

    The warning of y = 90 degrees is off: the angles are right there too, just not unique.
    """
    return rotation.as_euler("xyz", degrees=True, suppress_warnings=True)


def _numbers(values: np.ndarray) -> str:
    return " ".join(f"{value:.9f}" for value in values)
