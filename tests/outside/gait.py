"""Stances of a walk: as our contacts give them, as a second method finds them, as they really are.

The second method is that of Zeni, Richards & Higginson, "Two simple methods for determining gait
events during treadmill and overground walking using kinematic data", Gait & Posture 27 (2008),
pages 710 to 714, doi 10.1016/j.gaitpost.2007.07.007 (from memory): heel strike is where the heel is
farthest ahead of the pelvis, toe off where the toe is farthest behind it. It looks at no height
and no speed, so a floor that is off or a foot that slides does not trouble it. It is for walking.
"""

import re
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.signal import argrelextrema

from captures.humanoid_clips import sole_corners_m
from outside import mujoco_tree
from outside.recomputed import Moving
from outside.understudy import CAPTURES, understudy

CONTACT = re.compile(r"side:\s*(\w+),\s*pair:\s*(\d+),\s*part:\s*(\w+),\s*first:\s*(\d+),\s*last:\s*(\d+)")
SIDES = ("left", "right")
UP = np.array([0.0, 1.0, 0.0])
# Extremes within this time of a greater one are ripples.
RIPPLE_SECS = 0.25

Stances = list[tuple[int, int]]


def runs(mask: np.ndarray) -> Stances:
    """First and last frames of runs of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]])))
    return [(int(first), int(end) - 1) for first, end in edges.reshape(-1, 2)]


def stances(path: Path, frames: int, folder: Path) -> dict[str, Stances]:
    """Per foot: first and last frame of each time in which our contacts have any part of it down."""
    out = folder / "contacts.ron"
    understudy("inspect", path, "--contacts-out", out)
    masks = {side: np.zeros(frames, dtype=bool) for side in SIDES}
    for side, _, _, first, last in CONTACT.findall(out.read_text()):
        masks[side.lower()][int(first) : int(last) + 1] = True
    return {side: runs(mask) for side, mask in masks.items()}


def shares(feet: dict[str, Stances]) -> dict[str, list[float]]:
    """Per foot: time from the first to the last frame of a stance over the time from its first frame
    to the next one. The first and last stance of a clip, cut off or standing, do not count."""
    return {side: [(last - first) / (after - first) for (first, last), (after, _) in pairwise(found[1:])] for side, found in feet.items()}


def captured_walk(file: str) -> Moving:
    """A captured clip's kinematics."""
    world = mujoco_tree.from_bvh(CAPTURES / file, units_per_metre=100.0)
    return Moving(world, UP, float(world.times_secs[1]))


def zeni_stances(moving: Moving) -> dict[str, Stances]:
    """Per foot: frames of heel strike and the toe off after it. The clip has to walk straight on."""
    pelvis_m = moving.track_m("pelvis")
    way_m = moving.on_floor_m(pelvis_m[-1:] - pelvis_m[:1])[0]
    ahead = way_m / np.linalg.norm(way_m)
    heel_local_m, toe_local_m = sole_corners_m().min(axis=0), sole_corners_m().max(axis=0)
    order = round(RIPPLE_SECS / moving.frame_time_secs)
    found = {}
    for side in SIDES:
        middle = [1.0, 1.0, 0.0]  # of the foot's breadth
        heel = (moving.track_m(f"{side} ankle", heel_local_m * middle) - pelvis_m) @ ahead
        toe = (moving.track_m(f"{side} ankle", toe_local_m * middle) - pelvis_m) @ ahead
        strikes = argrelextrema(heel, np.greater, order=order)[0]
        offs = argrelextrema(toe, np.less, order=order)[0]
        found[side] = [(int(strike), int(offs[offs > strike][0])) for strike in strikes if (offs > strike).any()]
    return found
