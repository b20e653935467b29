"""Runs what is checked: the command line and the example programs of the workspace.

UNDERSTUDY names the binary; by default it is target/release/understudy. Examples are built on
first use; `cargo test` has built them already.
"""

import functools
import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent.parent
TARGET = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
CAPTURES = ROOT / "target" / "outside" / "captures"
BODY_FILES = sorted((ROOT / "assets" / "bodies").glob("*.ron"))
BODIES = [path.stem for path in BODY_FILES]
TIMEOUT_SECS = 120


def binary() -> Path:
    path = Path(os.environ.get("UNDERSTUDY", TARGET / "release" / "understudy"))
    if not path.is_file():
        raise FileNotFoundError(f"{path} is missing: run `cargo build --release -p understudy` or set UNDERSTUDY")
    return path


def attempt(*arguments, timeout_secs: float = TIMEOUT_SECS) -> subprocess.CompletedProcess:
    """Runs the command line and returns how it ended, well or not."""
    command = [str(binary()), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=timeout_secs)


def understudy(*arguments) -> str:
    """Runs the command line and returns what it printed; it has to succeed."""
    done = attempt(*arguments)
    assert done.returncode == 0, f"understudy {' '.join(map(str, arguments))}\n{done.stderr}"
    return done.stdout


@functools.cache
def cargo_example(package: str, name: str) -> Path:
    """Builds an example program and returns its path."""
    command = ["cargo", "build", "--quiet", "--package", package, "--example", name]
    subprocess.run(command, cwd=ROOT, check=True)
    return TARGET / "debug" / "examples" / name


@functools.cache
def manifest() -> dict:
    path = CAPTURES / "manifest.json"
    if not path.is_file():
        raise FileNotFoundError(f"{path} is missing: run tests/captures/make.py {CAPTURES}")
    return json.loads(path.read_text())


def capture_entries(*kinds: str) -> list[dict]:
    """Entries of captured BVH clips, all or of some kinds, loops included."""
    wanted = [entry for entry in manifest()["files"] if entry["captured"] and entry["file"].endswith(".bvh")]
    return [entry for entry in wanted if not kinds or entry["kind"] in kinds]


@dataclass(frozen=True)
class Positions:
    """What `inspect --positions` writes: world positions (frames, joints, 3) in metres."""

    joints: list[str]
    frame_time_secs: float
    positions_m: np.ndarray

    def of(self, joint: str) -> np.ndarray:
        assert self.joints.count(joint) == 1, joint
        return self.positions_m[:, self.joints.index(joint)]


def inspect_positions(path: Path, out: Path, *options) -> Positions:
    understudy("inspect", path, "--positions", out, *options)
    content = json.loads(out.read_text())
    return Positions(content["joints"], content["frame_time_secs"], np.array(content["positions_m"]))


def inspect(path: Path, *options) -> dict:
    return json.loads(understudy("inspect", path, "--json", *options))


def write_by_command_line(doc: str, write: Callable[[Path], None], default: Path, arguments: list[str]) -> int:
    """The command of a report: writes it to the path that was given, or to its own."""
    if len(arguments) > 1 or any(argument.startswith("-") for argument in arguments):
        print(doc.strip(), file=sys.stderr)
        return 2
    write(Path(arguments[0]) if arguments else default)
    return 0


def make_bodies(folder: Path) -> dict[str, Path]:
    """Makes every character of assets/bodies as GLB, by name."""
    folder.mkdir(parents=True, exist_ok=True)
    made = {path.stem: folder / f"{path.stem}.glb" for path in BODY_FILES}
    for path in BODY_FILES:
        understudy("make", path, "-o", made[path.stem])
    return made


@dataclass(frozen=True)
class Leg:
    """Names of a leg's joints; `ball` is None where the foot is one piece."""

    side: str
    hip: str
    knee: str
    ankle: str
    ball: str | None
    digitigrade: bool

    @property
    def end(self) -> str:
        """What moves as the ankle of a person does: the ball where the hock is held high."""
        return self.ball if self.digitigrade else self.ankle


@dataclass(frozen=True)
class Anatomy:
    """What `inspect --json` says about a body, by names of joints."""

    up: np.ndarray
    roles: dict[str, str]
    legs: list[Leg]


def anatomy(inspected: dict) -> Anatomy:
    """Reads roles named after ISO/IEC 19774-1: talocrural is the ankle, the middle
    metatarsophalangeal joint the ball."""
    roles = {joint["role"]: joint["name"] for joint in inspected["joints"] if joint["role"]}
    legs = [
        Leg(
            side,
            roles[f"{letter}_hip"],
            roles[f"{letter}_knee"],
            roles[f"{letter}_talocrural"],
            roles.get(f"{letter}_metatarsophalangeal_2"),
            inspected["body"]["digitigrade"],
        )
        for letter, side in (("l", "left"), ("r", "right"))
    ]
    return Anatomy(np.array(inspected["axes"]["up"]), roles, legs)
