"""REPORT.md is what report.py makes now, and most touches are kept."""

import re

import pytest

from touches.report import CHARACTERS, REPORT, TAKES, TOUCHING_MM, measured, row

SOME = [("hips", "giant"), ("sit", "giant"), ("chin", "pedlar"), ("crawl", "weaver")]


@pytest.mark.parametrize("take,character", SOME)
def test_rows_are_made_again(take, character, tmp_path):
    line, kept, frames = row(take, character, measured(take, character, tmp_path))
    start = f"| {take} | {character} |"
    [old] = [text for text in REPORT.read_text().splitlines() if text.startswith(start)]
    numbers = [[float(number) for number in re.findall(r"-?\d+\.?\d*", text)] for text in (old, line)]
    assert len(numbers[0]) == len(numbers[1])
    for before, now in zip(*numbers):
        # The last digit may be rounded otherwise.
        assert abs(before - now) <= 0.11, (old, line)
    assert kept >= 0.9 * frames


def test_most_touches_are_kept():
    [share] = re.findall(r"frames, ([\d.]+) %", REPORT.read_text())
    assert float(share) >= 95.0
    rows = [text for text in REPORT.read_text().splitlines() if re.match(r"\| [a-z]+ \| [a-z]+ \| \d", text)]
    before, after = ([float(text.split("|")[column]) for text in rows] for column in (4, 5))
    assert len(rows) == len(TAKES) * len(CHARACTERS)
    assert all(left < was for was, left in zip(before, after))
    assert sum(mm <= TOUCHING_MM for mm in after) >= 0.7 * len(rows)
