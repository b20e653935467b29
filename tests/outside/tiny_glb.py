"""A small GLB made from numbers, to try the references on: a skinned chain, moving.

Its nodes cover what readers get wrong: a parent with a uniform scale, a parent given by a
matrix, STEP and CUBICSPLINE samplers, a sparse accessor, normalised integers, node names
with spaces, and times that start late and are not evenly spaced.
"""

import json
import math
import struct
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

FLOAT, SHORT, BYTE, USHORT = 5126, 5122, 5121, 5123
TYPES = {1: "SCALAR", 3: "VEC3", 4: "VEC4", 16: "MAT4"}


class Builder:
    """Collects accessors into one buffer."""

    def __init__(self):
        self.binary = b""
        self.views: list[dict] = []
        self.accessors: list[dict] = []

    def view(self, values: np.ndarray, **facts) -> int:
        content = np.ascontiguousarray(values).tobytes()
        self.binary += b"\0" * (-len(self.binary) % 4)
        self.views.append({"buffer": 0, "byteOffset": len(self.binary), "byteLength": len(content), **facts})
        self.binary += content
        return len(self.views) - 1

    def accessor(self, values: np.ndarray, component: int, view: dict | None = None, **facts) -> int:
        values = np.atleast_2d(values.T).T
        accessor = {
            "bufferView": self.view(values, **(view or {})),
            "componentType": component,
            "count": len(values),
            "type": TYPES[values.shape[1]],
            **facts,
        }
        self.accessors.append(accessor)
        return len(self.accessors) - 1

    def floats(self, values: np.ndarray, bounds: bool = False, view: dict | None = None) -> int:
        values = np.atleast_2d(np.asarray(values, dtype="<f4").T).T
        limits = {"min": values.min(axis=0).tolist(), "max": values.max(axis=0).tolist()} if bounds else {}
        return self.accessor(values, FLOAT, view, **limits)

    def sparse_floats(self, values: np.ndarray, changed: dict[int, np.ndarray]) -> int:
        """An accessor whose stored rows are `values`, with some rows replaced."""
        index = self.floats(values)
        rows = np.array(sorted(changed), dtype="<u2")
        self.accessors[index]["sparse"] = {
            "count": len(rows),
            "indices": {"bufferView": self.view(rows), "componentType": USHORT},
            "values": {"bufferView": self.view(np.array([changed[row] for row in rows], dtype="<f4"))},
        }
        return index


def write_tiny_glb(path: Path, seed: int = 7) -> None:
    random = np.random.default_rng(seed)
    builder = Builder()
    nodes = _nodes(random)
    document = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0, 6]}],
        "nodes": nodes,
        "meshes": [_mesh(builder)],
        "skins": [_skin(builder)],
        "animations": [_animation(builder, random)],
    }
    document["accessors"] = builder.accessors
    document["bufferViews"] = builder.views
    builder.binary += b"\0" * (-len(builder.binary) % 4)
    document["buffers"] = [{"byteLength": len(builder.binary)}]
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    size = 12 + 8 + len(text) + 8 + len(builder.binary)
    content = struct.pack("<4sII", b"glTF", 2, size) + struct.pack("<I4s", len(text), b"JSON") + text
    path.write_bytes(content + struct.pack("<I4s", len(builder.binary), b"BIN\0") + builder.binary)


def _nodes(random: np.random.Generator) -> list[dict]:
    matrix = np.eye(4)
    matrix[:3, :3] = 0.5 * Rotation.random(rng=random).as_matrix()
    matrix[:3, 3] = random.uniform(-1.0, 1.0, 3)
    turn = Rotation.random(rng=random).as_quat().tolist()
    return [
        {"name": "armature", "scale": [2.0, 2.0, 2.0], "rotation": turn, "children": [1]},
        {"name": "turned", "matrix": matrix.T.ravel().tolist(), "children": [2]},
        {"name": "hip root", "translation": [0.0, 1.0, 0.0], "children": [3]},
        {"name": "spine:1", "translation": [0.0, 0.4, 0.1], "children": [4, 5]},
        {"name": "arm.L", "translation": [0.3, 0.2, 0.0]},
        {"name": "arm.R", "translation": [-0.3, 0.2, 0.0]},
        {"name": "skin", "mesh": 0, "skin": 0},
    ]


def _mesh(builder: Builder) -> dict:
    vertices = {"target": 34962}
    corners = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    joints = np.array([[0, 1, 0, 0], [1, 2, 0, 0], [2, 3, 0, 0]], dtype="u1")
    weights = np.tile([0.5, 0.5, 0.0, 0.0], (3, 1))
    attributes = {
        "POSITION": builder.floats(corners, bounds=True, view=vertices),
        "JOINTS_0": builder.accessor(joints, BYTE, vertices),
        "WEIGHTS_0": builder.floats(weights, view=vertices),
    }
    return {"primitives": [{"attributes": attributes}]}


def _skin(builder: Builder) -> dict:
    identities = np.tile(np.eye(4).ravel(), (4, 1))
    return {"joints": [2, 3, 4, 5], "inverseBindMatrices": builder.floats(identities)}


def _unit_shorts(random: np.random.Generator) -> np.ndarray:
    """A quaternion of 16-bit integers whose length is 32767 exactly.

    Readers differ in whether they normalise, so rounding errors would show as differences.
    The square of an integer quaternion of squared length n has the length n.
    """
    while True:
        x, y, z = random.integers(1, 105, 3).tolist()
        rest = 32767 - x * x - y * y - z * z
        w = math.isqrt(max(rest, 0))
        if rest > 0 and w * w == rest:
            return np.array([2 * w * x, 2 * w * y, 2 * w * z, w * w - x * x - y * y - z * z])


def _animation(builder: Builder, random: np.random.Generator) -> dict:
    even = builder.floats(np.array([0.25, 0.5, 0.75, 1.0]), bounds=True)
    uneven = builder.floats(np.array([0.25, 0.4, 1.1]), bounds=True)
    shorts = np.array([_unit_shorts(random) for _ in range(4)], dtype="<i2")
    places = random.uniform(-1.0, 1.0, (3, 3))
    spline = random.uniform(-1.0, 1.0, (9, 4))
    spline[1::3] = Rotation.random(3, rng=random).as_quat()
    samplers = [
        {"input": even, "output": builder.accessor(shorts, SHORT, normalized=True)},
        {"input": uneven, "output": builder.sparse_floats(places, {1: random.uniform(-1.0, 1.0, 3)})},
        {"input": uneven, "output": builder.floats(spline), "interpolation": "CUBICSPLINE"},
        {"input": even, "output": builder.floats(Rotation.random(4, rng=random).as_quat()), "interpolation": "STEP"},
        {"input": uneven, "output": builder.floats(random.uniform(0.5, 1.5, (3, 1)) * np.ones((1, 3)))},
    ]
    targets = [(2, "rotation"), (2, "translation"), (3, "rotation"), (4, "rotation"), (3, "scale")]
    channels = [{"sampler": k, "target": {"node": node, "path": path}} for k, (node, path) in enumerate(targets)]
    return {"name": "move", "samplers": samplers, "channels": channels}
