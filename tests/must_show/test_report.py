"""REPORT.md is what report.py makes now: some rows are made again and compared."""

import re

import pytest

from must_show.report import REPORT, line, values
from must_show.rows import METHODS, Row, all_rows, measured
from must_show.targets import MOST_RATIO, TARGETS

SOME = [
    Row("performer-brow"),
    Row("weaver-hips"),
    Row("humanoid3d_walk", "porter"),
    Row("humanoid3d_run", "giant"),
    Row("walker_turn_left1", "porter"),
]
# Printed numbers may differ by so much: rounding of the last digit, and of three digits of a large ratio.
LAST_DIGIT = 1.01
OF_RATIO = 0.02


def lines_in_file() -> dict[Row, dict[str, str]]:
    """Lines of the last section by row and method."""
    found: dict[Row, dict[str, str]] = {}
    body = ""
    for text in REPORT.read_text().partition("## All rows")[2].splitlines():
        if text.startswith("### "):
            body = text.rpartition(" ")[2] if "on the" in text else ""
        cells = [cell.strip() for cell in text.split("|")]
        if len(cells) > 3 and cells[2] in METHODS:
            found.setdefault(Row(cells[1], body), {})[cells[2]] = text
    return found


@pytest.fixture(scope="module")
def in_file() -> dict[Row, dict[str, str]]:
    return lines_in_file()


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> dict:
    return values(measured(SOME, tmp_path_factory.mktemp("must_show")))


def parts(cell: str) -> tuple[str, list[str]]:
    """The words of a cell and its numbers."""
    number = r"-?\d+(?:\.\d+)?"
    return re.sub(number, "#", cell), re.findall(number, cell)


def assert_same_line(kept: str, new: str) -> None:
    for column, old_cell, new_cell in zip(["", *(target.column for target in TARGETS)], kept.split("|")[2:], new.split("|")[2:]):
        # What lies on the border of its target may be rounded to either side of it.
        (old_words, old_numbers), (new_words, new_numbers) = parts(old_cell.strip(" !")), parts(new_cell.strip(" !"))
        assert old_words == new_words, (column, kept, new)
        for old, fresh in zip(old_numbers, new_numbers):
            digits = len(old.partition(".")[2])
            allowed = max(LAST_DIGIT * 10.0**-digits if digits else 0.0, OF_RATIO * abs(float(old)) if column in ("fast", "volume") else 0.0)
            assert abs(float(old) - float(fresh)) <= allowed, (column, kept, new)


def test_every_row_and_method_is_there(in_file):
    assert in_file.keys() == set(all_rows())
    assert all(list(lines) == METHODS for lines in in_file.values())


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("row", SOME, ids=lambda row: row.name)
def test_row_is_up_to_date(row, method, made, in_file):
    assert_same_line(in_file[row][method], line(row, method, made[row][method]))


def test_counts_are_those_of_the_rows(in_file):
    """The summary is counted again from the rows of the file."""
    summary = REPORT.read_text().partition("## Targets met")[2]
    for index, target in enumerate(TARGETS):
        [text] = [one for one in summary.splitlines() if one.startswith(f"| {target.column} {target.wanted} |")]
        for method, count in zip(METHODS, [cell.strip() for cell in text.split("|")[3 : 3 + len(METHODS)]]):
            cells = [lines[method].split("|")[3 + index].strip() for lines in in_file.values()]
            cells = [cell for cell in cells if cell != "-"]
            if count != "-":
                met = sum(not cell.endswith("!") for cell in cells)
                assert count == f"{met} of {len(cells)}", (target.column, method)


def test_the_whole_clip_is_better_than_every_frame_by_itself(in_file):
    """The baseline is a real one: it plants and touches as well, and is only less smooth."""
    column = {target.column: 3 + index for index, target in enumerate(TARGETS)}

    def cells(name: str, method: str) -> list[str]:
        found = [lines[method].split("|")[column[name]].strip() for lines in in_file.values()]
        return [cell for cell in found if cell != "-"]

    def met(name: str, method: str) -> int:
        return sum(not cell.endswith("!") for cell in cells(name, method))

    plain, each, whole, _ = METHODS
    assert met("slide", each) > 2 * met("slide", plain)
    assert met("jumps", whole) > 2 * met("jumps", each)
    assert met("fast", whole) > met("fast", each)
    assert f"{MOST_RATIO:.0f}" not in "".join(cells("fast", plain))
