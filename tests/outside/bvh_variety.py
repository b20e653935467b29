"""BVH files of every kind that the format allows, made from random numbers.

Each variety is one tree with its motion, written twice: plainly for the reference reader, and
in its own spelling (tabs, CRLF, exponents, blank lines) for ours. Names are invented.
"""

from dataclasses import dataclass, field
from itertools import permutations

import numpy as np

ORDERS = ["".join(order) for order in permutations("XYZ")]


@dataclass
class Joint:
    name: str
    parent: int
    offset: np.ndarray
    channels: list[str]
    ends: list[np.ndarray] = field(default_factory=list)


@dataclass
class Spelling:
    """How numbers and lines are written."""

    indent: str = "  "
    newline: str = "\n"
    number: str = "{:.10f}"
    gap: str = " "
    blank_lines: bool = False
    last_newline: bool = True


@dataclass
class Variety:
    """`root_rule` and `joint_rule` say what position channels mean in it (reference_bvh)."""

    name: str
    joints: list[Joint]
    values: list[np.ndarray]
    spelling: Spelling = field(default_factory=Spelling)
    root_rule: str = "added"
    joint_rule: str = "absolute"
    frame_time_secs: float = 1.0 / 30.0

    def text(self, spelling: Spelling) -> str:
        lines = ["HIERARCHY"]
        for index, joint in enumerate(self.joints):
            if joint.parent < 0:
                lines += self._block(index, 0, spelling)
        rows = np.hstack(self.values)
        lines += ["MOTION", f"Frames: {len(rows)}", f"Frame Time: {self.frame_time_secs:.8f}"]
        lines += [spelling.gap.join(map(spelling.number.format, row)) for row in rows]
        if spelling.blank_lines:
            lines = [line for pair in zip(lines, [""] * len(lines)) for line in pair]
        return spelling.newline.join(lines) + (spelling.newline if spelling.last_newline else "")

    def plain(self) -> str:
        """The same numbers as in its own spelling: rounding must not make a difference."""
        return self.text(Spelling(number=self.spelling.number))

    def spelled(self) -> str:
        return self.text(self.spelling)

    def _block(self, index: int, depth: int, spelling: Spelling) -> list[str]:
        joint, pad, inner = self.joints[index], spelling.indent * depth, spelling.indent * (depth + 1)
        vector = lambda values: spelling.gap.join(map(spelling.number.format, values))  # noqa: E731
        kind = "ROOT" if joint.parent < 0 else "JOINT"
        lines = [f"{pad}{kind} {joint.name}", f"{pad}{{", f"{inner}OFFSET{spelling.gap}{vector(joint.offset)}"]
        lines.append(spelling.gap.join([f"{inner}CHANNELS", str(len(joint.channels)), *joint.channels]))
        for end in joint.ends:
            site = [f"{inner}End Site", f"{inner}{{", f"{inner}{spelling.indent}OFFSET {vector(end)}", f"{inner}}}"]
            lines += site
        for child, other in enumerate(self.joints):
            if other.parent == index:
                lines += self._block(child, depth + 1, spelling)
        return [*lines, f"{pad}}}"]


def rotations(order: str) -> list[str]:
    return [f"{letter}rotation" for letter in order]


def positions(order: str) -> list[str]:
    return [f"{letter}position" for letter in order]


PARENTS = [-1, 0, 1, 2, 0, 4, 5, 0, 7, 8]


def _tree(random: np.random.Generator, channels_of, parents=PARENTS, ends_per_leaf: int = 1) -> list[Joint]:
    joints = []
    for index, parent in enumerate(parents):
        is_leaf = index not in parents
        offset = np.zeros(3) if parent < 0 else random.uniform(-30.0, 30.0, 3)
        ends = [random.uniform(-10.0, 10.0, 3) for _ in range(ends_per_leaf)] if is_leaf else []
        joints.append(Joint(f"part{index}", parent, offset, channels_of(index, parent), ends))
    return joints


def _values(random: np.random.Generator, joints: list[Joint], frames: int, joint_rule: str) -> list[np.ndarray]:
    """Rotations up to a turn and a half; roots travel, other joints stay near their OFFSET."""
    values = []
    for joint in joints:
        columns = np.empty((frames, len(joint.channels)))
        for k, channel in enumerate(joint.channels):
            if channel.endswith("rotation"):
                columns[:, k] = random.uniform(-540.0, 540.0, frames)
            elif joint.parent < 0:
                columns[:, k] = random.uniform(-200.0, 200.0, frames)
            else:
                start = joint.offset["XYZ".index(channel[0])] if joint_rule == "absolute" else 0.0
                columns[:, k] = start + random.uniform(-1.0, 1.0, frames)
        values.append(columns)
    return values


def _variety(name: str, seed: int, channels_of, joint_rule="absolute", tree=None, frames=12, **facts) -> Variety:
    random = np.random.default_rng(seed)
    joints = _tree(random, channels_of, **(tree or {}))
    return Variety(name, joints, _values(random, joints, frames, joint_rule), joint_rule=joint_rule, **facts)


def _usual(order: str = "ZXY"):
    return lambda _, parent: [*positions("XYZ"), *rotations(order)] if parent < 0 else rotations(order)


def _orders() -> list[Variety]:
    return [_variety(f"order-{order}", k, _usual(order)) for k, order in enumerate(ORDERS)]


def _mixed_orders() -> Variety:
    """Every joint has another order, as nothing in the format forbids."""
    channels = lambda index, parent: (positions("XYZ") if parent < 0 else []) + rotations(ORDERS[index % 6])  # noqa: E731
    return _variety("orders-differ-by-joint", 10, channels)


def _six_channels() -> list[Variety]:
    first = lambda index, _: positions(ORDERS[index % 6]) + rotations(ORDERS[(index + 2) % 6])  # noqa: E731
    last = lambda index, _: rotations(ORDERS[index % 6]) + positions(ORDERS[(index + 1) % 6])  # noqa: E731
    woven = lambda _, parent: ["Xposition", "Zrotation", "Yposition", "Xrotation", "Zposition", "Yrotation"]  # noqa: E731
    return [
        _variety("six-positions-first", 20, first),
        _variety("six-positions-last", 21, last),
        _variety("six-woven", 22, woven),
        _variety("six-added-to-offset", 23, first, joint_rule="added"),
    ]


def _few_channels() -> Variety:
    def channels(index: int, parent: int) -> list[str]:
        few = [rotations("Y"), rotations("ZX"), ["Xposition", "Zrotation"], []]
        return [*positions("ZXY"), *rotations("YXZ")] if parent < 0 else few[index % 4]

    return _variety("zero-to-two-channels", 30, channels)


def _ends() -> Variety:
    return _variety("several-end-sites", 40, _usual(), tree={"ends_per_leaf": 3})


def _roots() -> Variety:
    return _variety("several-roots", 41, _usual("YXZ"), tree={"parents": [-1, 0, 1, -1, 3, 4, -1]})


def _root_offset() -> Variety:
    variety = _variety("root-with-offset", 42, _usual("XYZ"))
    variety.joints[0].offset = np.array([3.0, -7.0, 11.0])
    return variety


def _one_frame() -> Variety:
    return _variety("one-frame", 43, _usual(), frames=1)


def _spellings() -> list[Variety]:
    tabs = Spelling(indent="\t", gap="\t")
    crlf = Spelling(newline="\r\n")
    exponents = Spelling(number="{:.9e}")
    gappy = Spelling(blank_lines=True, gap="   ")
    unended = Spelling(last_newline=False)
    named = {"tabs": tabs, "crlf": crlf, "exponents": exponents, "blank-lines": gappy, "no-last-newline": unended}
    return [_variety(name, 50 + k, _usual(), spelling=spelling) for k, (name, spelling) in enumerate(named.items())]


def _names() -> Variety:
    variety = _variety("names", 60, _usual())
    names = ["lantern pole", "stall:roof", "Fühler links", "鰻", "a.b-c_d", "7", "rope (wet)", "Ω", "x" * 200, "wheel end cap"]
    for joint, name in zip(variety.joints, names, strict=True):
        joint.name = name
    return variety


def varieties() -> list[Variety]:
    single = [_mixed_orders(), _few_channels(), _ends(), _roots(), _root_offset(), _one_frame(), _names()]
    return [*_orders(), *_six_channels(), *single, *_spellings()]
