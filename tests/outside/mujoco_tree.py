"""World joint positions from MuJoCo's kinematics on the tree that a file describes.

Usage: python tests/outside/mujoco_tree.py FILE.bvh|FILE.glb|FILE.asf OUT.json
           [--motion FILE.amc] [--units-per-metre N] [--rate HZ] [--animation INDEX] [--times T,T,...]

Each file becomes a model of bodies: MuJoCo composes the transforms, none of our code does.
- BVH: hierarchy and channels from `reference_bvh`; ball joints, slides where a joint has
  position channels.
- ASF/AMC: parsed here; per bone a body whose axes are the bone's `axis`, with hinges rz, ry, rx
  in that nesting (Rz Ry Rx). Bodies sit at bone starts; "<bone> end" closes a leaf.
- GLB: node trees from the JSON chunk, with the local transforms that the animation gives at
  its key times (LINEAR, STEP and CUBICSPLINE by the glTF 2.0 specification, appendix C).
  MuJoCo bodies have no scale, so scale is carried into the offsets of the children:
  the uniform scale above a node multiplies its translation. A non-uniform scale above a
  rotated node is refused, since no rigid tree can hold it.

The JSON has "joints", "parents", "frame_time_secs" (or "times_secs"), "positions_m".
"""

import argparse
import json
import struct
import sys
from dataclasses import dataclass
from pathlib import Path

import mujoco
import numpy as np
from scipy.spatial.transform import Rotation, Slerp

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from outside import reference_bvh  # noqa: E402

METRES_PER_INCH = 0.0254


@dataclass
class Result:
    """World positions (frames, joints, 3) in metres, joints in file order."""

    names: list[str]
    parents: list[int]
    times_secs: np.ndarray
    positions_m: np.ndarray
    nodes: list[int] | None = None  # of a GLB: the index of each joint's node
    rotations_xyzw: np.ndarray | None = None  # (frames, joints, 4) in the world; not of AMC

    def to_json(self) -> str:
        content = {
            "joints": self.names,
            "parents": self.parents,
            "times_secs": self.times_secs.tolist(),
            "positions_m": self.positions_m.tolist(),
        }
        if self.nodes is not None:
            content["nodes"] = self.nodes
        if len(self.times_secs) > 1:
            content["frame_time_secs"] = float(self.times_secs[1] - self.times_secs[0])
        return json.dumps(content)


# --- A tree of bodies that take any rigid local transform -------------------------------------


class RigidTree:
    """Bodies with three slides and a ball each; poses are local translations and rotations."""

    def __init__(self, parents: list[int]):
        spec = mujoco.MjSpec()
        bodies = []
        for index, parent in enumerate(parents):
            owner = spec.worldbody if parent < 0 else bodies[parent]
            body = owner.add_body(name=f"b{index}")
            body.mass, body.inertia, body.explicitinertial = 1.0, [1.0, 1.0, 1.0], True
            for axis in np.eye(3):
                body.add_joint(type=mujoco.mjtJoint.mjJNT_SLIDE, axis=axis)
            body.add_joint(type=mujoco.mjtJoint.mjJNT_BALL)
            bodies.append(body)
        self.model = spec.compile()
        self.data = mujoco.MjData(self.model)
        # MuJoCo may order bodies differently from the file.
        self.ids = [self.model.body(f"b{index}").id for index in range(len(parents))]
        first = self.model.jnt_qposadr[self.model.body_jntadr[self.ids]]
        self.columns = first[:, None] + np.arange(7)

    def world(self, translations: np.ndarray, quaternions_xyzw: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """World positions (frames, joints, 3) and rotations (frames, joints, 4), xyzw.

        Local translations are (frames, joints, 3), local rotations (frames, joints, 4), xyzw.
        """
        positions, rotations = np.empty_like(translations), np.empty_like(quaternions_xyzw)
        poses = np.concatenate([translations, np.roll(quaternions_xyzw, 1, axis=2)], axis=2)
        for frame, pose in enumerate(poses):
            self.data.qpos[self.columns] = pose
            mujoco.mj_kinematics(self.model, self.data)
            positions[frame] = self.data.xpos[self.ids]
            rotations[frame] = np.roll(self.data.xquat[self.ids], -1, axis=1)
        return positions, rotations


def from_bvh(path: Path, units_per_metre: float, rule: str = "absolute") -> Result:
    clip = reference_bvh.read_bvh(path)
    joints = range(len(clip.names))
    translations = np.stack([clip.local_translation(j, rule) for j in joints], axis=1)
    quaternions = np.stack([clip.local_rotation(j).as_quat() for j in joints], axis=1)
    positions, rotations = RigidTree(clip.parents).world(translations, quaternions)
    times_secs = np.arange(clip.frames) * clip.frame_time_secs
    return Result(clip.names, clip.parents, times_secs, positions / units_per_metre, rotations_xyzw=rotations)


# --- ASF and AMC ------------------------------------------------------------------------------


@dataclass
class AsfBone:
    name: str
    direction: np.ndarray
    length: float
    axis: Rotation
    freedom: list[str]


@dataclass
class Asf:
    """A parsed skeleton in file units; `parents` maps a bone to its parent's name."""

    metres_per_unit: float
    degrees: bool
    root_order: list[str]
    root_position: np.ndarray
    root_orientation: Rotation
    bones: dict[str, AsfBone]
    parents: dict[str, str]


def _sections(text: str) -> dict[str, list[list[str]]]:
    sections: dict[str, list[list[str]]] = {}
    current: list[list[str]] = []
    for line in text.splitlines():
        words = line.split("#")[0].replace("(", " ").replace(")", " ").split()
        if words and words[0].startswith(":"):
            current = sections.setdefault(words[0][1:].lower(), [])
            words = words[1:]
        if words:
            current.append(words)
    return sections


def _axis_rotation(values: list[str], order: str, degrees: bool) -> Rotation:
    # "XYZ" means: x first, about fixed axes, which is scipy's lower-case letters.
    return Rotation.from_euler(order.lower(), [float(v) for v in values], degrees=degrees)


def read_asf(path: Path) -> Asf:
    sections = _sections(Path(path).read_text(encoding="utf-8"))
    units = {words[0]: words[1] for words in sections["units"]}
    degrees = units["angle"].startswith("deg")
    root = {words[0].lower(): words[1:] for words in sections["root"]}
    axis_order = root["axis"][0]
    asf = Asf(
        metres_per_unit=METRES_PER_INCH / float(units["length"]),
        degrees=degrees,
        root_order=[word.lower() for word in root["order"]],
        root_position=np.array([float(v) for v in root["position"]]),
        # The root's `axis` names an order only; `orientation` is zero in the academic captures.
        root_orientation=_axis_rotation(root["orientation"], axis_order, degrees),
        bones={},
        parents={},
    )
    _read_bones(asf, sections["bonedata"])
    for words in sections["hierarchy"]:
        if words[0] not in ("begin", "end"):
            asf.parents.update({child: words[0] for child in words[1:]})
    return asf


def _read_bones(asf: Asf, lines: list[list[str]]) -> None:
    bone: dict[str, list[str]] = {}
    for words in lines:
        if words[0] == "begin":
            bone = {}
        elif words[0] == "end":
            name = bone["name"][0]
            direction = np.array([float(v) for v in bone["direction"]])
            axis = _axis_rotation(bone["axis"][:3], bone["axis"][3], asf.degrees)
            freedom = [word.lower() for word in bone.get("dof", [])]
            asf.bones[name] = AsfBone(name, direction, float(bone["length"][0]), axis, freedom)
        else:
            bone[words[0].lower()] = words[1:]


def read_amc(path: Path) -> list[dict[str, list[float]]]:
    """Per frame: the numbers of each bone."""
    frames: list[dict[str, list[float]]] = []
    for line in Path(path).read_text(encoding="utf-8").splitlines():
        words = line.split("#")[0].split()
        if not words or words[0].startswith(":"):
            continue
        if len(words) == 1 and words[0].isdigit():
            frames.append({})
        else:
            frames[-1][words[0]] = [float(v) for v in words[1:]]
    return frames


def _asf_model(asf: Asf) -> tuple[mujoco.MjModel, list[str], list[int]]:
    """The model, its joint names (root, bones, leaf ends) and their parents."""
    spec = mujoco.MjSpec()
    root = spec.worldbody.add_body(name="root")
    root.mass, root.inertia, root.explicitinertial = 1.0, [1.0, 1.0, 1.0], True
    root.add_freejoint(name="root")
    names, parents = ["root"], [-1]
    bodies, frames, ends = {"root": root}, {"root": Rotation.identity()}, {"root": np.zeros(3)}
    waiting = list(asf.parents)
    while waiting:
        name = next(n for n in waiting if asf.parents[n] in bodies)
        waiting.remove(name)
        parent, bone = asf.parents[name], asf.bones[name]
        body = _add_bone(spec, bodies[parent], frames[parent], ends[parent], bone.axis, name)
        for axis in ("rz", "ry", "rx"):
            if axis in bone.freedom:
                vector = [float(axis[1] == letter) for letter in "xyz"]
                body.add_joint(name=f"{name} {axis}", type=mujoco.mjtJoint.mjJNT_HINGE, axis=vector)
        bodies[name], frames[name], ends[name] = body, bone.axis, bone.direction * bone.length
        names.append(name)
        parents.append(names.index(parent))
    for name in names[1:]:
        if name not in asf.parents.values():
            _add_bone(spec, bodies[name], frames[name], ends[name], frames[name], f"{name} end")
            names.append(f"{name} end")
            parents.append(names.index(name))
    return spec.compile(), names, parents


def _add_bone(spec, parent_body, parent_frame: Rotation, parent_end: np.ndarray, frame: Rotation, name: str):
    """Adds a body at the parent's end; `frame` and `parent_end` are in the world at rest."""
    inverse = parent_frame.inv()
    x, y, z, w = (inverse * frame).as_quat()
    body = parent_body.add_body(name=name, pos=inverse.apply(parent_end), quat=[w, x, y, z])
    body.mass, body.inertia, body.explicitinertial = 1.0, [1.0, 1.0, 1.0], True
    return body


def from_asf(skeleton: Path, motion: Path, rate_hz: float) -> Result:
    asf, frames = read_asf(skeleton), read_amc(motion)
    model, names, parents = _asf_model(asf)
    data = mujoco.MjData(model)
    ids = [model.body(name).id for name in names]
    positions = np.empty((len(frames), len(names), 3))
    for index, frame in enumerate(frames):
        _set_root(asf, data, frame["root"])
        for name, bone in asf.bones.items():
            for axis, value in zip(bone.freedom, frame.get(name, []), strict=True):
                radians = np.radians(value) if asf.degrees else value
                data.qpos[model.joint(f"{name} {axis}").qposadr[0]] = radians
        mujoco.mj_kinematics(model, data)
        positions[index] = data.xpos[ids]
    return Result(names, parents, np.arange(len(frames)) / rate_hz, positions * asf.metres_per_unit)


def _set_root(asf: Asf, data: mujoco.MjData, values: list[float]) -> None:
    position, rotation = asf.root_position.copy(), Rotation.identity()
    for channel, value in zip(asf.root_order, values, strict=True):
        axis = "xyz".index(channel[1])
        if channel[0] == "t":
            position[axis] += value
        else:
            # RX RY RZ: x first about fixed axes, so later turns multiply from the left.
            rotation = Rotation.from_euler("xyz"[axis], value, degrees=asf.degrees) * rotation
    data.qpos[0:3] = position
    data.qpos[3:7] = np.roll((asf.root_orientation * rotation).as_quat(), 1)


# --- GLB ----------------------------------------------------------------------------------------

COMPONENTS = {5120: "i1", 5121: "u1", 5122: "i2", 5123: "u2", 5125: "u4", 5126: "f4"}
WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}
INTEGER_MAXIMA = {5120: 127.0, 5121: 255.0, 5122: 32767.0, 5123: 65535.0}


class Glb:
    """The JSON and the binary chunk of a GLB, and typed reads of its accessors."""

    def __init__(self, path: Path):
        content = Path(path).read_bytes()
        magic, _, length = struct.unpack_from("<4sII", content)
        if magic != b"glTF" or length != len(content):
            raise ValueError(f"{path}: not a GLB, or cut short")
        chunks, start = {}, 12
        while start < length:
            size, kind = struct.unpack_from("<I4s", content, start)
            chunks[kind] = content[start + 8 : start + 8 + size]
            start += 8 + size
        self.json = json.loads(chunks[b"JSON"])
        self.binary = chunks.get(b"BIN\0", b"")

    def accessor(self, index: int) -> np.ndarray:
        """Values (count, width) as floats; normalised integers as the specification says."""
        accessor = self.json["accessors"][index]
        width, kind, count = WIDTHS[accessor["type"]], accessor["componentType"], accessor["count"]
        values = np.zeros((count, width))
        if "bufferView" in accessor:
            values = self._view(accessor["bufferView"], accessor.get("byteOffset", 0), kind, count, width)
        if "sparse" in accessor:
            sparse = accessor["sparse"]
            where, what = sparse["indices"], sparse["values"]
            rows = self._view(where["bufferView"], where.get("byteOffset", 0), where["componentType"], sparse["count"], 1)
            values = values.copy()
            values[rows[:, 0].astype(int)] = self._view(
                what["bufferView"], what.get("byteOffset", 0), kind, sparse["count"], width
            )
        if accessor.get("normalized"):
            values = np.maximum(values / INTEGER_MAXIMA[kind], -1.0)
        return values

    def _view(self, view_index: int, offset: int, kind: int, count: int, width: int) -> np.ndarray:
        view = self.json["bufferViews"][view_index]
        item = np.dtype("<" + COMPONENTS[kind])
        stride = view.get("byteStride", item.itemsize * width)
        start = view.get("byteOffset", 0) + offset
        return np.ndarray((count, width), item, self.binary, start, (stride, item.itemsize)).astype(float)


def _interpolate(times: np.ndarray, values: np.ndarray, mode: str, wanted: np.ndarray, is_rotation: bool) -> np.ndarray:
    """glTF 2.0, appendix C. Outside the key times the nearest key holds."""
    wanted = np.clip(wanted, times[0], times[-1])
    before = np.clip(np.searchsorted(times, wanted, side="right") - 1, 0, max(len(times) - 2, 0))
    if mode == "STEP":
        return values[np.searchsorted(times, wanted, side="right") - 1]
    keys = values.reshape(len(times), 3, -1) if mode == "CUBICSPLINE" else values
    if len(times) == 1:
        return np.repeat(keys[:, 1] if mode == "CUBICSPLINE" else keys, len(wanted), axis=0)
    span = times[before + 1] - times[before]
    share = ((wanted - times[before]) / span)[:, None]
    if mode == "CUBICSPLINE":
        s2, s3, d = share**2, share**3, span[:, None]
        result = (2 * s3 - 3 * s2 + 1) * keys[before, 1] + d * (s3 - 2 * s2 + share) * keys[before, 2]
        result += (-2 * s3 + 3 * s2) * keys[before + 1, 1] + d * (s3 - s2) * keys[before + 1, 0]
        return result / np.linalg.norm(result, axis=1, keepdims=True) if is_rotation else result
    if is_rotation:
        return Slerp(times, Rotation.from_quat(keys))(wanted).as_quat()
    return keys[before] + share * (keys[before + 1] - keys[before])


def from_glb(path: Path, animation: int = 0, times_secs: np.ndarray | None = None) -> Result:
    glb = Glb(path)
    nodes = glb.json["nodes"]
    parent_of = {child: index for index, node in enumerate(nodes) for child in node.get("children", [])}
    tracks = _tracks(glb, animation)
    if times_secs is None:
        keys = [times for times, _, _ in tracks.values()]
        times_secs = np.unique(np.concatenate(keys)) if keys else np.zeros(1)
    local = [_local(node, index, tracks, times_secs) for index, node in enumerate(nodes)]
    order, parents, translations, quaternions = _flatten(nodes, parent_of, local)
    positions, rotations = RigidTree(parents).world(np.stack(translations, axis=1), np.stack(quaternions, axis=1))
    names = [nodes[index].get("name", f"node {index}") for index in order]
    return Result(names, parents, times_secs, positions, order, rotations)


def _tracks(glb: Glb, animation: int) -> dict[tuple[int, str], tuple[np.ndarray, np.ndarray, str]]:
    animations = glb.json.get("animations", [])
    if not animations:
        return {}
    tracks = {}
    for channel in animations[animation]["channels"]:
        target, sampler = channel["target"], animations[animation]["samplers"][channel["sampler"]]
        if target["path"] != "weights" and "node" in target:
            times = glb.accessor(sampler["input"])[:, 0]
            mode = sampler.get("interpolation", "LINEAR")
            tracks[target["node"], target["path"]] = (times, glb.accessor(sampler["output"]), mode)
    return tracks


def _local(node: dict, index: int, tracks: dict, times_secs: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Translation (frames, 3), rotation (frames, 4), scale (frames, 3) of a node."""
    rest = _rest(node)
    result = []
    for path, value in zip(("translation", "rotation", "scale"), rest):
        if (index, path) in tracks:
            times, values, mode = tracks[index, path]
            result.append(_interpolate(times, values, mode, times_secs, path == "rotation"))
        else:
            result.append(np.tile(value, (len(times_secs), 1)))
    return tuple(result)


def _rest(node: dict) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    if "matrix" not in node:
        return (
            np.array(node.get("translation", [0.0, 0.0, 0.0])),
            np.array(node.get("rotation", [0.0, 0.0, 0.0, 1.0])),
            np.array(node.get("scale", [1.0, 1.0, 1.0])),
        )
    matrix = np.array(node["matrix"]).reshape(4, 4).T
    scale = np.linalg.norm(matrix[:3, :3], axis=0)
    if np.linalg.det(matrix[:3, :3]) < 0:
        raise ValueError(f"node {node.get('name')}: a mirroring matrix has no rigid equivalent")
    return matrix[:3, 3], Rotation.from_matrix(matrix[:3, :3] / scale).as_quat(), scale


def _flatten(nodes: list[dict], parent_of: dict[int, int], local: list) -> tuple[list, list, list, list]:
    """Nodes parents first, their translations multiplied by the scale above them."""
    order: list[int] = []
    parents, translations, quaternions, scales = [], [], [], []
    waiting = [index for index in range(len(nodes)) if index not in parent_of]
    while waiting:
        index = waiting.pop(0)
        translation, quaternion, scale = local[index]
        parent = order.index(parent_of[index]) if index in parent_of else -1
        above = scales[parent] if parent >= 0 else np.ones_like(scale)
        turned = np.abs(quaternion[:, :3]).max() > 1e-9
        if turned and np.ptp(above, axis=1).max() > 1e-6 * np.abs(above).max():
            raise ValueError(f"node {index}: rotates under a non-uniform scale, which no rigid tree can hold")
        order.append(index)
        parents.append(parent)
        translations.append(translation * above)
        quaternions.append(quaternion)
        scales.append(above * scale)
        waiting += nodes[index].get("children", [])
    return order, parents, translations, quaternions


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--motion", type=Path, help="the AMC that belongs to an ASF")
    parser.add_argument("--units-per-metre", type=float, default=100.0, help="of a BVH (default 100)")
    parser.add_argument("--rate", type=float, default=120.0, help="frames per second of an AMC (default 120)")
    parser.add_argument("--animation", type=int, default=0, help="index of a GLB's animation")
    parser.add_argument("--times", help="comma-separated seconds at which to evaluate a GLB")
    options = parser.parse_args(arguments)
    suffix = options.file.suffix.lower()
    if suffix == ".bvh":
        result = from_bvh(options.file, options.units_per_metre)
    elif suffix == ".asf":
        if options.motion is None:
            parser.error("an ASF needs --motion FILE.amc")
        result = from_asf(options.file, options.motion, options.rate)
    elif suffix == ".glb":
        times = np.array([float(t) for t in options.times.split(",")]) if options.times else None
        result = from_glb(options.file, options.animation, times)
    else:
        parser.error(f"{options.file}: expected .bvh, .asf or .glb")
    options.out.write_text(result.to_json())
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
