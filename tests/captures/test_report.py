"""REPORT.md is what report.py makes now: some clips are retargeted again and their rows compared."""

import re

import pytest

from captures.report import COLUMNS, DIGITS, REPORT, body_row, comparisons, take_row
from outside.understudy import BODIES, capture_entries, make_bodies

CLIPS = ["humanoid3d_run", "humanoid3d_cartwheel", "walker_turn_left1"]
SOME_BODIES = ["lamplighter", "performer", "porter"]


def rows_in_file() -> dict[str, dict[str, str]]:
    """Lines of REPORT.md by clip and first cell."""
    found: dict[str, dict[str, str]] = {}
    for line in REPORT.read_text().splitlines():
        if line.startswith("## "):
            found[line.removeprefix("## ")] = {}
        elif line.startswith("| ") and found:
            name = line.split("|")[1].strip().removesuffix(" !")
            found[list(found)[-1]][name] = line
    return found


def assert_same_row(kept: str, made: str) -> None:
    """Equal words and marks; numbers may differ by one in the last digit, as rounding may."""
    kept_cells, made_cells = kept.split("|")[1:-1], made.split("|")[1:-1]
    assert len(kept_cells) == len(made_cells) == 1 + len(COLUMNS)
    assert kept_cells[0] == made_cells[0]
    for column, old, new in zip(COLUMNS, kept_cells[1:], made_cells[1:]):
        old_values, new_values = re.split(" / ", old.strip()), re.split(" / ", new.strip())
        assert len(old_values) == len(new_values), (column, kept, made)
        for a, b in zip(old_values, new_values):
            if "-" in (a, b):
                assert a == b, (column, kept, made)
            else:
                assert abs(float(a) - float(b)) <= 1.01 * 10.0 ** -DIGITS[column], (column, kept, made)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> dict[str, dict[str, dict]]:
    folder = tmp_path_factory.mktemp("report")
    bodies = make_bodies(folder / "bodies")
    files = [f"{clip}.bvh" for clip in CLIPS]
    return {body: comparisons(files, bodies[body], folder / body) for body in SOME_BODIES}


def test_every_clip_and_body_has_its_row():
    expected = {entry["file"].removesuffix(".bvh") for entry in capture_entries()}
    rows = rows_in_file()
    assert rows.keys() == expected
    for clip, found in rows.items():
        assert {*BODIES, "*take*"} <= found.keys(), clip


@pytest.mark.parametrize("body", SOME_BODIES)
@pytest.mark.parametrize("clip", CLIPS)
def test_row_is_up_to_date(clip, body, made):
    comparison = made[body][f"{clip}.bvh"]
    kept = rows_in_file()[clip]
    assert_same_row(kept[body], body_row(body, comparison))
    assert_same_row(kept["*take*"], take_row(comparison))
