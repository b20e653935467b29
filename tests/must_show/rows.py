"""The rows of the table: what is carried over, by four methods, and what was measured of each.

A row is a scene of demo-scenes or a captured clip on a character. Each is solved three times: as a whole clip,
every frame by itself, and as a whole clip with parts kept apart; plain transfer is measured beside each.
"""

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from outside.understudy import BODIES, CAPTURES, ROOT, attempt, capture_entries

METHODS = ["plain transfer", "per frame", "whole clip", "kept apart"]
SCENES = sorted(path.name.removesuffix(".scene.ron") for path in (ROOT / "demo-scenes").glob("*.scene.ron"))
CHARACTERS = ROOT / "assets" / "characters"


@dataclass(frozen=True)
class Row:
    """A clip on a character; `clip` is the name of a scene where `character` is empty."""

    clip: str
    character: str = ""

    @property
    def name(self) -> str:
        return f"{self.clip} on {self.character}" if self.character else self.clip


def clips() -> list[str]:
    return sorted(entry["file"].removesuffix(".bvh") for entry in capture_entries())


def all_rows() -> list[Row]:
    return [Row(scene) for scene in SCENES] + [Row(clip, body) for body in BODIES for clip in clips()]


def run(arguments: list) -> None:
    """Exit code 1 is that of scenes in which something does not hold: they are measured all the same."""
    done = attempt(*arguments, timeout_secs=900)
    assert done.returncode in (0, 1), f"understudy {' '.join(map(str, arguments))}\n{done.stderr}"


def solve(rows: list[Row], folder: Path, option: list[str]) -> None:
    """Writes the report of every row to the folder, the captured clips of a character together."""
    scenes = [row.clip for row in rows if not row.character]
    if scenes:
        run(["run", *option, *(ROOT / "demo-scenes" / f"{scene}.scene.ron" for scene in scenes), "-o", folder / "scenes"])
    for body in sorted({row.character for row in rows if row.character}):
        takes = [CAPTURES / f"{row.clip}.bvh" for row in rows if row.character == body]
        run(["retarget", *option, *takes, CHARACTERS / f"{body}.glb", "-o", f"{folder / body}/"])


def report_path(row: Row, folder: Path) -> Path:
    return folder / (row.character or "scenes") / f"{row.clip}.report.json"


def measured(rows: list[Row], folder: Path) -> dict[Row, dict[str, dict]]:
    """Measures of every row by method."""
    options = {"whole": [], "each": ["--per-frame"], "apart": ["--keep-apart"]}
    with ThreadPoolExecutor(2) as pool:
        jobs = [pool.submit(solve, rows, folder / name, option) for name, option in options.items()]
        for job in jobs:
            job.result()
    found = {}
    for row in rows:
        whole, each, apart = (json.loads(report_path(row, folder / name).read_text())["measures"] for name in options)
        reports = [whole["plain"], each["solved"], whole["solved"], apart["solved"]]
        found[row] = dict(zip(METHODS, reports))
    return found
