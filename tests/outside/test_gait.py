"""Stance share of the gait cycle from our contacts against published values.

Walking: 59.9 +- 2.5 % (force plate), 61.5 +- 1.9 % (young men), "60 to 62 per cent" for short;
falling with speed as 64.2 - 3.5 v, v in m/s (Kirtley 1985, r = 0.71). Running stands for less than
half of the cycle, since both feet are in the air at times (Novacheck 1998, about 39 %; from memory).

A stance lasts from the first to the last frame of one foot in which any part of it is on the
floor; its cycle from that first frame to the next one. Stances that a clip's ends cut off and the
standing before and after the demo take's walk do not count.
"""

import re
from itertools import pairwise

import numpy as np
import pytest

from outside.reference_bvh import read_bvh
from outside.understudy import CAPTURES, capture_entries, understudy

PUBLISHED = (0.60, 0.62)
# One standard deviation around the two published means: captures are of one person each.
PUBLISHED_SPREAD = (0.599 - 0.025, 0.615 + 0.019)
CONTACT = re.compile(r"side:\s*(\w+),\s*pair:\s*(\d+),\s*part:\s*(\w+),\s*first:\s*(\d+),\s*last:\s*(\d+)")
LOOPS = {entry["file"]: entry for entry in capture_entries("walk") if entry["loop"]}


def stances(path, frames: int, folder) -> dict[str, list[tuple[int, int]]]:
    """Per foot: first and last frame of each stance."""
    out = folder / "contacts.ron"
    understudy("inspect", path, "--contacts-out", out)
    masks: dict[str, np.ndarray] = {}
    for side, _, _, first, last in CONTACT.findall(out.read_text()):
        masks.setdefault(side, np.zeros(frames, dtype=bool))[int(first) : int(last) + 1] = True
    assert masks.keys() == {"Left", "Right"}, "a foot without any contact"
    edges = {side: np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]))) for side, mask in masks.items()}
    return {side: [(int(a), int(b) - 1) for a, b in found.reshape(-1, 2)] for side, found in edges.items()}


def shares(feet: dict[str, list[tuple[int, int]]]) -> dict[str, list[float]]:
    """Per foot: stance over cycle of each whole step, the first and the last stance left out."""
    return {
        side: [(last + 1 - first) / (next_first - first) for (first, last), (next_first, _) in pairwise(found[1:])]
        for side, found in feet.items()
    }


@pytest.fixture(scope="module")
def demo_shares(tmp_path_factory) -> dict[str, list[float]]:
    folder = tmp_path_factory.mktemp("demo")
    path = folder / "demo.bvh"
    understudy("make", "demo-take", "-o", path)
    return shares(stances(path, read_bvh(path).frames, folder))


def test_demo_take_walks_enough(demo_shares):
    assert all(len(found) >= 3 for found in demo_shares.values())


def test_stance_share_of_the_demo_take(demo_shares):
    """The take is made with a stance of 61 % of the cycle."""
    low, high = PUBLISHED
    mean = np.mean([np.mean(found) for found in demo_shares.values()])
    assert low <= mean <= high, demo_shares


@pytest.mark.parametrize("file", LOOPS)
def test_stance_share_of_a_captured_walk(file, tmp_path):
    found = shares(stances(CAPTURES / file, LOOPS[file]["frames"], tmp_path))
    assert all(len(steps) >= 2 for steps in found.values())
    mean = np.mean([np.mean(steps) for steps in found.values()])
    low, high = PUBLISHED_SPREAD
    assert low <= mean <= high, found


@pytest.mark.parametrize("file", LOOPS)
def test_stance_share_falls_with_speed_as_published(file, tmp_path):
    """Within 2.5 percentage points, the spread of the force plate study."""
    entry = LOOPS[file]
    found = shares(stances(CAPTURES / file, entry["frames"], tmp_path))
    speed_m_per_s = entry["root_travel_m"] / entry["duration_secs"]
    mean = np.mean([np.mean(steps) for steps in found.values()])
    assert mean == pytest.approx((64.2 - 3.5 * speed_m_per_s) / 100.0, abs=0.025), found


def test_a_captured_run_has_flights(tmp_path):
    entry = next(entry for entry in capture_entries("run") if entry["loop"])
    found = shares(stances(CAPTURES / entry["file"], entry["frames"], tmp_path))
    for side, steps in found.items():
        assert steps, side
        assert max(steps) < 0.5, (side, steps)
