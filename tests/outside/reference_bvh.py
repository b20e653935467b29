"""BVH to world joint positions with the PyPI reader `bvh` and scipy rotations.

Usage: python tests/outside/reference_bvh.py FILE.bvh OUT.json [UNITS_PER_METRE]

The reader supplies the tree of lines (hierarchy, offsets, channels) and the rows of
numbers; its by-name helpers are not used, since they cut a name at the first space.
Rotation channels apply intrinsically in the order written; a joint's position channels
replace its OFFSET when they are read as three (`absolute`, the default here and common
practice), or are added to it (`added`, as three's BVHLoader does); the two agree when
the OFFSET of a joint with position channels is zero.
End sites are joints named "<joint> end".
"""

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from bvh import Bvh, BvhNode
from scipy.spatial.transform import Rotation


@dataclass
class ReferenceClip:
    """A parsed BVH. `parents` holds -1 for roots; `channels` is empty for end sites."""

    names: list[str]
    parents: list[int]
    offsets: np.ndarray
    channels: list[list[str]]
    values: list[np.ndarray]
    frame_time_secs: float

    @property
    def frames(self) -> int:
        return len(self.values[0])

    def local_rotation(self, joint: int) -> Rotation:
        """Rotations (one per frame) of the joint relative to its parent."""
        columns = [k for k, channel in enumerate(self.channels[joint]) if channel.endswith("rotation")]
        if not columns:
            return Rotation.from_quat(np.tile([0.0, 0.0, 0.0, 1.0], (self.frames, 1)))
        # Upper-case letters are scipy's intrinsic axes. A joint may repeat no axis.
        order = "".join(self.channels[joint][k][0].upper() for k in columns)
        return Rotation.from_euler(order, self.values[joint][:, columns], degrees=True)

    def local_translation(self, joint: int, rule: str = "absolute") -> np.ndarray:
        """Translations (frames, 3) of the joint in its parent's frame, in file units."""
        translation = np.tile(self.offsets[joint], (self.frames, 1))
        for k, channel in enumerate(self.channels[joint]):
            if channel.endswith("position"):
                axis = "XYZ".index(channel[0].upper())
                start = self.offsets[joint][axis] if rule == "added" else 0.0
                translation[:, axis] = start + self.values[joint][:, k]
        return translation

    def positions(self, rule: str = "absolute", root_rule: str | None = None) -> np.ndarray:
        """World positions (frames, joints, 3) in file units; `root_rule` goes before at roots."""
        positions = np.zeros((self.frames, len(self.names), 3))
        world: list[Rotation] = []
        for joint, parent in enumerate(self.parents):
            own_rule = root_rule if root_rule and parent < 0 else rule
            rotation, translation = self.local_rotation(joint), self.local_translation(joint, own_rule)
            if parent < 0:
                positions[:, joint] = translation
                world.append(rotation)
            else:
                positions[:, joint] = positions[:, parent] + world[parent].apply(translation)
                world.append(world[parent] * rotation)
        return positions


def read_bvh(path: Path | str) -> ReferenceClip:
    """Parses a BVH; every root of the file is read.

    Raises ValueError when the number of frames or of values differs from the header.
    """
    # The reader drops a last line that has no line feed.
    parsed = Bvh(Path(path).read_text(encoding="utf-8") + "\n")
    clip = ReferenceClip([], [], np.zeros((0, 3)), [], [], _frame_time_secs(parsed))
    offsets: list[list[float]] = []
    for root in parsed.root.filter("ROOT"):
        _add_joint(clip, offsets, root, -1)
    clip.offsets = np.array(offsets)
    rows = np.array([[float(word) for word in row] for row in parsed.frames])
    widths = [len(channels) for channels in clip.channels]
    if rows.shape != (parsed.nframes, sum(widths)):
        raise ValueError(f"{path}: values {rows.shape}, header says {(parsed.nframes, sum(widths))}")
    clip.values = np.split(rows, np.cumsum(widths)[:-1], axis=1)
    return clip


def _frame_time_secs(parsed: Bvh) -> float:
    return float(next(node for node in parsed.root if node.value[0] == "Frame").value[2])


def _add_joint(clip: ReferenceClip, offsets: list[list[float]], node: BvhNode, parent: int) -> None:
    is_end = node.value[0] == "End"
    clip.names.append(f"{clip.names[parent]} end" if is_end else " ".join(node.value[1:]))
    clip.parents.append(parent)
    offsets.append([float(word) for word in node["OFFSET"][:3]])
    clip.channels.append([] if is_end else list(node["CHANNELS"][1:]))
    index = len(clip.names) - 1
    for child in node:
        if child.value[0] in ("JOINT", "End"):
            _add_joint(clip, offsets, child, index)


def main(arguments: list[str]) -> int:
    if len(arguments) not in (2, 3):
        print(__doc__.strip(), file=sys.stderr)
        return 2
    clip = read_bvh(arguments[0])
    units_per_metre = float(arguments[2]) if len(arguments) == 3 else 100.0
    content = {
        "joints": clip.names,
        "frame_time_secs": clip.frame_time_secs,
        "positions_m": (clip.positions() / units_per_metre).tolist(),
    }
    Path(arguments[1]).write_text(json.dumps(content))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
