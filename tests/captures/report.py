"""Retargets every captured clip onto every character and writes what was measured as a table.

Usage, from the top of the repository:
    cargo build --release -p understudy && tests/prepare
    target/outside/venv/bin/python tests/captures/make.py target/outside/captures
    target/outside/venv/bin/python tests/captures/report.py [OUT.md]

OUT.md is tests/captures/REPORT.md where it is not given. UNDERSTUDY names another binary.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from outside.gait import captured_walk, shares, stances, zeni_stances  # noqa: E402
from outside.understudy import (  # noqa: E402
    CAPTURES,
    binary,
    capture_entries,
    make_bodies,
    write_by_command_line,
)

REPORT = Path(__file__).resolve().parent / "REPORT.md"

HEAD = """\
# Captured clips on every character

Made by

    target/outside/venv/bin/python tests/captures/report.py

(what it needs first is at its head). A test makes some of the rows again and compares.

**Clips.** The 20 captured clips in the PyPI package `pybullet` 3.2.7 (`pybullet_data`, motions
`humanoid3d_*` and `walker/*`), put onto the skeleton of `humanoid.urdf` beside them by
`tests/captures/make.py`. `_loop` clips are four copies of one cycle: the error at which the cycle
does not close is spread over it, so their planted feet drift by some millimetres in the take
itself. The cycles of `humanoid3d_walk` and `humanoid3d_run` are one half and its mirror image,
with a jump between them; the "take's own knee peak" is that jump. The PyPI package `dm_control`
1.0.50 has readers for open academic captures but holds no capture itself: its two fixtures are
a simulated fall, so they are no part of this table (`tests/outside` reads them).

**Characters.** `assets/bodies/*.ron`, made by `understudy make`. {bodies}

**Columns.** *plain* is plain transfer of rotations with scaled travel, *solved* is the result; both
are measured over the same plants and against the same floor. Take's values are in the first row of
each clip. Of a character every value is the worst of both legs:

- plants: number of plants, counted for heel, ball and toe of each foot;
- slide: largest distance between any two positions of a planted part in one plant, mm;
- sink: greatest depth of a sole point below the floor in any frame, mm;
- float: greatest height of a planted part above the floor, mm;
- skate: foot skating ratio of Karunratanakul et al. 2023 at 20 Hz, the body scaled to human legs, %;
- knee: peak of a knee's angular acceleration over the take's own peak;
- tilt: worst angle of the pelvis against the take's, degrees;
- limbs: mean angle of limb directions against the take's, degrees;
- inside: greatest depth of the skin of one part of the body in another, without what lies inside at
  rest, mm (`crates/measure/src/mesh/penetration.rs`); a take has no skin, there it is that of capsules;
- volume: what parts of the body share of their volume, beyond that at rest, summed over pairs and over
  time, cm³ s;
- shift: shift of limb speeds against the take, frames.

"-" is a value that there is not: nothing planted, a still knee. Rows of walks and runs have to keep
slide <= 0.5, sink <= 1, knee <= 1.2 and shift 0; all other clips leave the floor as they like (they
roll, crawl, spin and fall), and are listed without a promise. Rows that break one of the four limits
are marked !.
"""

STANCE_HEAD = """\
**Stance.** Share of the gait cycle in % (published 60 to 62): from the first to the last frame that
our contacts call planted, and from heel strike to toe off by the method of Zeni et al. 2008 (see
`tests/outside/gait.py`). Ours is shorter where the take drags a foot that bears weight: there it is
not held, so these captured walks stay below the published band. The walk of the built-in take,
whose feet do not slip, lies within it (`tests/outside/test_gait.py`). Of `humanoid3d_run_loop` only
the right foot is ever planted: closing its cycle drags the left one over the floor.

| | planted, left | planted, right | Zeni, left | Zeni, right |
|---|---:|---:|---:|---:|"""

COLUMNS = ("plants", "slide", "sink", "float", "skate", "knee", "tilt", "limbs", "inside", "volume", "shift")
LIMITS = {"slide": 0.5, "sink": 1.0, "knee": 1.2, "shift": 0.0}
DIGITS = {"plants": 0, "slide": 2, "sink": 2, "float": 2, "skate": 1, "knee": 2, "tilt": 1, "limbs": 2, "inside": 1, "volume": 0, "shift": 0}


def measures(report: dict) -> dict[str, float | None]:
    """The columns' values of one clip's report."""
    volume_m3_s = report["penetration"].get("volume_time_m3_s")
    slide, contact = report["slide"], report["floor_contact"]
    ratios = [knee["ratio"] for knee in report["knees"] if knee["ratio"] is not None]
    planted = bool(slide["plants"])
    return {
        "plants": len(slide["plants"]),
        "slide": slide["worst_mm_per_plant"] if planted else None,
        "sink": contact["worst_sinking_mm"],
        "float": contact["worst_floating_mm"] if planted else None,
        "skate": 100.0 * report["skating"]["skating_ratio_scaled"],
        "knee": max(ratios) if ratios else None,
        "tilt": report["pelvis"] and report["pelvis"]["worst_tilt_deg"],
        "limbs": report["directions_from_take"] and report["directions_from_take"]["mean_deg"],
        "inside": report["penetration"]["worst_mm"],
        "volume": None if volume_m3_s is None else 1e6 * volume_m3_s,
        "shift": report["timing"] and report["timing"]["shift_frames"],
    }


def cell(column: str, value: float | None) -> str:
    if value is None:
        return "-"
    text = f"{value:.{DIGITS[column]}f}"
    # A rounded nothing has no sign.
    return text.lstrip("-") if float(text) == 0.0 else text


def is_within_limits(values: dict[str, float | None]) -> bool:
    return all(abs(values[column] or 0.0) <= limit for column, limit in LIMITS.items())


def take_row(comparison: dict) -> str:
    values = measures(comparison["take"])
    cells = [cell(column, values[column]) for column in COLUMNS]
    return f"| *take* | {' | '.join(cells)} |"


def body_row(body: str, comparison: dict) -> str:
    """One line: plain / solved for every column; the plants are the same."""
    plain, solved = measures(comparison["plain"]), measures(comparison["solved"])
    cells = [
        cell(column, solved[column]) if column == "plants" else f"{cell(column, plain[column])} / {cell(column, solved[column])}"
        for column in COLUMNS
    ]
    mark = "" if is_within_limits(solved) else " !"
    return f"| {body}{mark} | {' | '.join(cells)} |"


def comparisons(files: list[str], character: Path, folder: Path) -> dict[str, dict]:
    """Retargets clips onto a character; the measures of each by file."""
    command = [binary(), "retarget", *(CAPTURES / file for file in files), character, "-o", f"{folder}/", "--json"]
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True, timeout=600)
    if done.returncode != 0:
        raise RuntimeError(done.stderr)
    reports = [json.loads(line) for line in done.stdout.splitlines()]
    return {Path(report["take"]["file"]).name: report["measures"] for report in reports}


def sections(files: list[str], by_body: dict[str, dict[str, dict]]) -> list[str]:
    """One table per clip."""
    head = f"| | {' | '.join(COLUMNS)} |\n|---|{'---:|' * len(COLUMNS)}"
    texts = []
    for file in files:
        first = next(iter(by_body.values()))[file]
        rows = [take_row(first), *(body_row(body, found[file]) for body, found in by_body.items())]
        rate_hz = 1.0 / first["take"]["frame_time_secs"]
        title = f"## {file.removesuffix('.bvh')}\n\n{first['take']['frames']} frames at {rate_hz:.2f} Hz"
        texts.append("\n".join([f"{title}\n", head, *rows]))
    return texts


def summary(files: list[str], by_body: dict[str, dict[str, dict]]) -> str:
    """How many rows keep the limits, in walks and runs and in all."""
    gaits = {entry["file"] for entry in capture_entries("walk", "run")}
    kept = {(file, body): is_within_limits(measures(found[file]["solved"])) for body, found in by_body.items() for file in files}
    walking = [ok for (file, _), ok in kept.items() if file in gaits]
    plain = [is_within_limits(measures(found[file]["plain"])) for found in by_body.values() for file in gaits]
    return (
        f"**Sum.** Walks and runs: {sum(walking)} of {len(walking)} rows keep all four limits, "
        f"{sum(plain)} of {len(plain)} with plain transfer. All clips: {sum(kept.values())} of {len(kept)}."
    )


def stance_section(folder: Path) -> str:
    """Stance shares of the looped walks, by our contacts and by a published method."""
    rows = []
    for entry in capture_entries("walk"):
        if entry["loop"]:
            ours = shares(stances(CAPTURES / entry["file"], entry["frames"], folder))
            theirs = shares(zeni_stances(captured_walk(entry["file"])))
            percent = lambda steps: f"{100.0 * sum(steps) / len(steps):.1f}" if steps else "-"  # noqa: E731
            cells = [percent(found[side]) for found in (ours, theirs) for side in ("left", "right")]
            rows.append(f"| {entry['file'].removesuffix('.bvh')} | {' | '.join(cells)} |")
    return "\n".join([STANCE_HEAD, *rows])


def body_words(made: dict[str, dict[str, dict]]) -> str:
    """Leg lengths against the performer of the clips."""
    words = []
    for body, found in made.items():
        comparison = next(iter(found.values()))
        ratio = comparison["solved"]["leg_length_m"] / comparison["take"]["leg_length_m"]
        words.append(f"{body} {ratio:.2f}")
    return f"Leg lengths against that of the clips' body: {', '.join(words)}."


def write_report(out: Path) -> None:
    files = sorted(entry["file"] for entry in capture_entries())
    with tempfile.TemporaryDirectory() as folder:
        bodies = make_bodies(Path(folder) / "bodies")
        by_body = {body: comparisons(files, path, Path(folder) / body) for body, path in bodies.items()}
        stance = stance_section(Path(folder))
    text = [HEAD.format(bodies=body_words(by_body)), summary(files, by_body), stance, *sections(files, by_body)]
    out.write_text("\n\n".join(part.strip() for part in text) + "\n")


if __name__ == "__main__":
    sys.exit(write_by_command_line(__doc__, write_report, REPORT, sys.argv[1:]))
