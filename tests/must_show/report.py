"""Carries all demo scenes and all captured clips over, by plain transfer, every frame by itself, the whole clip
at once and the whole clip with parts kept apart, measures them on the skinned mesh in every frame, and writes what
holds of the targets as a table.

Usage, from the top of the repository:
    cargo build --release -p understudy && tests/prepare
    target/outside/venv/bin/python tests/captures/make.py target/outside/captures
    target/outside/venv/bin/python tests/must_show/report.py [OUT.md]

OUT.md is tests/must_show/REPORT.md where it is not given. UNDERSTUDY names another binary. Some fifteen minutes on
two cores; the cost of a solve is measured by `cargo bench -p understudy --bench speed`.
"""

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from must_show import cost, identity, published, words  # noqa: E402
from must_show.rows import METHODS, Row, all_rows, measured  # noqa: E402
from must_show.targets import TARGETS, Target, Value  # noqa: E402
from outside.understudy import write_by_command_line  # noqa: E402

REPORT = Path(__file__).resolve().parent / "REPORT.md"
# Rows named of each target in the section of misses.
MOST_NAMED = 5

Values = dict[Row, dict[str, list[Value | None]]]


def values(found: dict[Row, dict[str, dict]]) -> Values:
    """The cells of every row by method, in the order of the targets."""

    def cells(reports: dict[str, dict], method: str) -> list[Value | None]:
        return [target.read(reports[method], reports[METHODS[0]], method) for target in TARGETS]

    return {row: {method: cells(reports, method) for method in METHODS} for row, reports in found.items()}


def line(row: Row, method: str, cells: list[Value | None]) -> str:
    texts = ["-" if cell is None else cell.text + ("" if cell.meets else "!") for cell in cells]
    return f"| {row.clip} | {method} | {' | '.join(texts)} |"


def head(first: str) -> str:
    columns = " | ".join(target.column for target in TARGETS)
    return f"| {first} | method | {columns} |\n|---|---|{'---:|' * len(TARGETS)}"


def summary(of_rows: Values) -> str:
    """Targets met: rows that meet, of rows that have the measure, by method."""
    lines = [f"| target | | {' | '.join(METHODS)} |", f"|---|---|{'---:|' * len(METHODS)}"]
    for index, target in enumerate(TARGETS):
        counts = []
        for method in METHODS:
            cells = [cells[method][index] for cells in of_rows.values()]
            cells = [cell for cell in cells if cell is not None]
            # Plain transfer is what these compare with.
            is_base = method == METHODS[0] and target.column in ("volume", "jumps", "limbs")
            counts.append("-" if is_base or not cells else f"{sum(cell.meets for cell in cells)} of {len(cells)}")
        lines.append(f"| {target.column} {target.wanted} | {target.what} | {' | '.join(counts)} |")
    return "\n".join(lines)


def sums(found: dict[Row, dict[str, dict]]) -> str:
    """Totals over all rows, where a sum says more than a count."""
    lines = [f"| over all rows | {' | '.join(METHODS)} |", f"|---|{'---:|' * len(METHODS)}"]

    def by_method(name: str, read) -> None:
        lines.append(f"| {name} | {' | '.join(read([found[row][method] for row in found]) for method in METHODS)} |")

    def meetings(reports: list[dict], are_rests: bool = False) -> list[dict]:
        return [meeting for report in reports for meeting in report["meetings"] if meeting["is_rest"] == are_rests]

    def share_of_frames(reports: list[dict], are_rests: bool = False) -> str:
        met = meetings(reports, are_rests)
        frames = sum(one["last_frame"] - one["first_frame"] + 1 for one in met)
        return f"{100.0 * sum(one['kept_frames'] for one in met) / frames:.1f} %"

    def share_kept(reports: list[dict]) -> str:
        met = meetings(reports)
        return f"{100.0 * sum(one['is_kept'] for one in met) / len(met):.1f} %"

    def total(reports: list[dict]) -> float:
        return sum(1e6 * report["beyond_take"]["volume_time_m3_s"] for report in reports if report["beyond_take"])

    by_method("contacts of the take kept", share_kept)
    by_method("frames of contact within 2 mm", share_of_frames)
    by_method("frames of knees, shanks and trunk within 2 mm of the floor they rest on", lambda reports: share_of_frames(reports, True))
    by_method("contacts invented", lambda reports: str(sum(len(r["beyond_take"]["invented"]) for r in reports if r["beyond_take"])))
    before = total([found[row][METHODS[0]] for row in found])
    by_method("volume-time beyond the take, cm³ s", lambda reports: f"{total(reports):.0f}")
    by_method("its change", lambda reports: f"{100.0 * (total(reports) / before - 1.0):+.1f} %")
    return "\n".join(lines)


def misses(of_rows: Values) -> str:
    """The worst rows of each target with the whole clip solved, where and in which frames."""
    parts = []
    for index, target in enumerate(TARGETS):
        missed = [(row, cells[METHODS[2]][index]) for row, cells in of_rows.items()]
        missed = [(row, cell) for row, cell in missed if cell is not None and not cell.meets]
        if not missed:
            parts.append(f"**{target.column}**: met in every row.")
            continue
        missed.sort(key=lambda pair: -pair[1].size)
        named = [f"- {row.name}: {cell.text}; {cell.where}" for row, cell in missed[:MOST_NAMED]]
        why = words.WHY[target.column]
        parts.append("\n".join([f"**{target.column}** ({target.wanted}), missed in {len(missed)} rows. {why}\n", *named]))
    return "\n\n".join(parts)


def details(of_rows: Values) -> str:
    """All rows: the scenes, then the captured clips character by character."""
    parts = []
    for body in sorted({row.character for row in of_rows}):
        title = f"### Captured clips on the {body}" if body else "### Demo scenes"
        rows = [row for row in of_rows if row.character == body]
        lines = [line(row, method, of_rows[row][method]) for row in rows for method in METHODS]
        parts.append("\n".join([f"{title}\n", head("clip" if body else "scene"), *lines]))
    return "\n\n".join(parts)


def target_lines() -> str:
    return "\n".join(f"- {target.column}, {target.wanted}: {target.what};" for target in TARGETS)


def write_report(out: Path) -> None:
    rows = all_rows()
    with tempfile.TemporaryDirectory() as folder:
        found = measured(rows, Path(folder))
        own = identity.section(Path(folder) / "own")
    of_rows = values(found)
    sections = [
        words.HEAD,
        f"## Targets met\n\nRows that meet a target, of rows that have the measure.\n\n{summary(of_rows)}\n\n{sums(found)}",
        f"## The performer's own body\n\n{own}",
        f"## Cost\n\n{cost.section()}",
        f"## Beside published work\n\n{published.section(found)}",
        f"## What is missed, where and why\n\n{words.MISSES}\n\n{misses(of_rows)}",
        f"## All rows\n\n{words.COLUMNS}\n\n{target_lines()}\n\n{details(of_rows)}",
    ]
    out.write_text("\n\n".join(section.strip() for section in sections) + "\n")


if __name__ == "__main__":
    sys.exit(write_by_command_line(__doc__, write_report, REPORT, sys.argv[1:]))
