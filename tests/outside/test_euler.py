"""Rotation orders against scipy.spatial.transform.Rotation (PyPI), all twelve.

Upper-case letters are scipy's intrinsic axes. Angles go in as degrees in text with 17 digits;
quaternions and angles come back from the example `rotation_orders` of the motion crate.

Tolerances: a rotation is compared to 1e-12 rad. Outer angles are ill conditioned near gimbal
lock: an error e of the rotation moves them by up to e / lock, where lock is the cosine of the
middle angle (its sine for orders that end on their first axis), so they are compared to
1e-12 / lock. In lock itself only the rotation is defined.
"""

import itertools
import subprocess
import warnings

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from outside.understudy import cargo_example

ORDERS = [a + b + c for a, b, c in itertools.product("XYZ", repeat=3) if a != b and b != c]
TOLERANCE_RAD = 1e-12
TRIPLES = 2000


def is_proper(order: str) -> bool:
    return order[0] == order[2]


def gimbal_middles_deg(order: str) -> list[float]:
    """Middle angles in and around gimbal lock."""
    locked = [0.0, 180.0, -180.0] if is_proper(order) else [90.0, -90.0, 270.0]
    nudges = [0.0, 1e-13, -1e-13, 1e-10, -1e-8, 1e-6, -1e-4]
    return [middle + nudge for middle in locked for nudge in nudges]


def triples_deg(order: str) -> np.ndarray:
    """Random triples up to three turns, then gimbal cases, then right angles."""
    random = np.random.default_rng(ORDERS.index(order))
    ordinary = random.uniform(-540.0, 540.0, (TRIPLES, 3))
    outer = random.uniform(-180.0, 180.0, (10, 2))
    gimbal = [(a, middle, c) for middle in gimbal_middles_deg(order) for a, c in outer]
    right = list(itertools.product([-180.0, -90.0, 0.0, 90.0, 180.0], repeat=3))
    return np.vstack([ordinary, gimbal, right])


@pytest.fixture(scope="module")
def answers() -> dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Per order: the triples in degrees, our quaternions (x, y, z, w), our angles in degrees."""
    asked = {order: triples_deg(order) for order in ORDERS}
    lines = [f"{order} {a!r} {b!r} {c!r}" for order, rows in asked.items() for a, b, c in rows.tolist()]
    done = subprocess.run(
        [cargo_example("understudy-motion", "rotation_orders")],
        input="\n".join(lines),
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    numbers = np.array([[float(word) for word in line.split()] for line in done.stdout.splitlines()])
    assert numbers.shape == (len(lines), 7)
    parts = np.split(numbers, np.cumsum([len(rows) for rows in asked.values()])[:-1])
    return {order: (asked[order], part[:, :4], part[:, 4:]) for order, part in zip(ORDERS, parts)}


def between_rad(a: Rotation, b: Rotation) -> np.ndarray:
    """Angles between rotations; small ones are accurate, unlike through the cosine."""
    return (a * b.inv()).magnitude()


def turn_difference_rad(a_deg: np.ndarray, b_deg: np.ndarray) -> np.ndarray:
    difference = np.radians(a_deg) - np.radians(b_deg)
    return np.abs(difference - 2.0 * np.pi * np.round(difference / (2.0 * np.pi)))


def lock(order: str, middle_deg: np.ndarray) -> np.ndarray:
    middle = np.radians(middle_deg)
    return np.abs(np.sin(middle) if is_proper(order) else np.cos(middle))


def test_there_are_twelve_orders():
    assert len(ORDERS) == 12


@pytest.mark.parametrize("order", ORDERS)
def test_composing(order, answers):
    asked, quaternions, _ = answers[order]
    expected = Rotation.from_euler(order, asked, degrees=True)
    assert np.abs(np.linalg.norm(quaternions, axis=1) - 1.0).max() < TOLERANCE_RAD
    assert between_rad(Rotation.from_quat(quaternions), expected).max() < TOLERANCE_RAD


@pytest.mark.parametrize("order", ORDERS)
def test_decomposed_angles_give_the_rotation_again(order, answers):
    asked, _, angles = answers[order]
    rotation = Rotation.from_euler(order, asked, degrees=True)
    assert between_rad(Rotation.from_euler(order, angles, degrees=True), rotation).max() < TOLERANCE_RAD


@pytest.mark.parametrize("order", ORDERS)
def test_decomposed_angles_are_those_of_scipy(order, answers):
    asked, _, angles = answers[order]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # scipy says where it is in gimbal lock
        expected = Rotation.from_euler(order, asked, degrees=True).as_euler(order, degrees=True)
    free = lock(order, asked[:, 1]) > 1e-3
    assert free.sum() > 0.99 * TRIPLES
    difference = turn_difference_rad(angles[free], expected[free])
    allowed = TOLERANCE_RAD / lock(order, asked[free, 1])
    assert (difference[:, [0, 2]] < allowed[:, None]).all(), difference.max()
    # The middle angle is ill conditioned nowhere but at the ends of its own range.
    assert (difference[:, 1] < allowed).all(), difference[:, 1].max()


@pytest.mark.parametrize("order", ORDERS)
def test_angles_keep_their_ranges(order, answers):
    _, _, angles = answers[order]
    low, high = (0.0, 180.0) if is_proper(order) else (-90.0, 90.0)
    rounding = 1e-10
    assert np.abs(angles[:, [0, 2]]).max() <= 180.0 + rounding
    assert angles[:, 1].min() >= low - rounding
    assert angles[:, 1].max() <= high + rounding
