"""The built-in performer's segment lengths against Drillis & Contini (1966) as printed in Winter,
Biomechanics and Motor Control of Human Movement, doi 10.1002/9780470549148 (taken from a
transcription; hand and foot length from memory). Fractions of stature.

The joint ranges that `measure` reports are compared with the AAOS tables (1965/1994, taken from a
transcription), in degrees.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from outside import mujoco_tree
from outside.understudy import anatomy, inspect, inspect_positions, understudy

LENGTHS = {
    "upper arm": (0.186, "shoulder", "elbow"),
    "forearm": (0.146, "elbow", "radiocarpal"),
    "thigh": (0.245, "hip", "knee"),
    "shank": (0.246, "knee", "talocrural"),
}
HEIGHTS = {"shoulder": 0.818, "hip": 0.530, "knee": 0.285, "talocrural": 0.039}
SHOULDER_WIDTH = 0.259
TRUNK = 0.288
FOOT_LENGTH = 0.152
# The table gives three decimals.
TOLERANCE = 0.0005
STATURES_M = ["1.75", "1.52", "1.98"]


@pytest.fixture(scope="module", params=STATURES_M)
def performer(request, tmp_path_factory):
    """Stature, joint positions at rest by role, and the file."""
    folder = tmp_path_factory.mktemp("performer")
    path = folder / "performer.glb"
    understudy("make", "performer", "-o", path, "--stature", request.param)
    roles = anatomy(inspect(path)).roles
    positions = inspect_positions(path, folder / "positions.json")
    places_m = {role: positions.of(joint)[0] for role, joint in roles.items()}
    return float(request.param), places_m, path


@pytest.mark.parametrize("segment", LENGTHS)
@pytest.mark.parametrize("side", ["l", "r"])
def test_segment_lengths(segment, side, performer):
    stature_m, places_m, _ = performer
    fraction, start, end = LENGTHS[segment]
    length_m = np.linalg.norm(places_m[f"{side}_{end}"] - places_m[f"{side}_{start}"])
    assert length_m / stature_m == pytest.approx(fraction, abs=TOLERANCE)


@pytest.mark.parametrize("joint", HEIGHTS)
@pytest.mark.parametrize("side", ["l", "r"])
def test_heights_above_the_floor(joint, side, performer):
    stature_m, places_m, _ = performer
    assert places_m[f"{side}_{joint}"][1] / stature_m == pytest.approx(HEIGHTS[joint], abs=TOLERANCE)


def test_shoulder_width_and_trunk(performer):
    stature_m, places_m, _ = performer
    width_m = np.linalg.norm(places_m["l_shoulder"] - places_m["r_shoulder"])
    assert width_m / stature_m == pytest.approx(SHOULDER_WIDTH, abs=TOLERANCE)
    trunk_m = places_m["l_shoulder"][1] - places_m["l_hip"][1]
    assert trunk_m / stature_m == pytest.approx(TRUNK, abs=TOLERANCE)


def skin_m(path: Path) -> np.ndarray:
    """Vertices at rest; a skinned mesh of a made body rests where its vertices are."""
    glb = mujoco_tree.Glb(path)
    primitives = [primitive for mesh in glb.json["meshes"] for primitive in mesh["primitives"]]
    return np.vstack([glb.accessor(primitive["attributes"]["POSITION"]) for primitive in primitives])


def test_skin_is_as_tall_as_asked_and_stands_on_the_floor(performer):
    stature_m, _, path = performer
    heights_m = skin_m(path)[:, 1]
    assert heights_m.min() == pytest.approx(0.0, abs=0.001)
    assert heights_m.max() == pytest.approx(stature_m, abs=0.005 * stature_m)


def test_foot_is_as_long_as_published(performer):
    """From memory, so to one per cent of the stature only."""
    stature_m, _, path = performer
    vertices_m = skin_m(path)
    low = vertices_m[vertices_m[:, 1] < 0.02 * stature_m]
    assert np.ptp(low[:, 2]) / stature_m == pytest.approx(FOOT_LENGTH, abs=0.01)


# Joint and movement as our report calls them: lowest and highest angle in degrees. A lowest angle
# is the range of the opposite movement: extension, adduction, plantarflexion.
AAOS = {
    ("shoulder", "flexion of the hanging arm"): (-60.0, 180.0),
    ("elbow", "flexion"): (0.0, 150.0),
    ("hip", "flexion"): (-30.0, 120.0),
    ("hip", "abduction"): (-30.0, 45.0),
    ("knee", "flexion"): (0.0, 135.0),
    ("ankle", "dorsiflexion"): (-50.0, 20.0),
    ("neck", "flexion"): (-45.0, 45.0),
    ("neck", "lateral bend"): (-45.0, 45.0),
    ("neck", "rotation"): (-60.0, 60.0),
    # The largest of flexion 80, extension 70, radial 20, ulnar 30: bends are not told apart.
    ("wrist", "bend any way"): (0.0, 80.0),
}


@pytest.fixture(scope="module")
def reported_ranges(tmp_path_factory) -> dict[tuple[str, str], tuple[float, float]]:
    demo = tmp_path_factory.mktemp("ranges") / "demo.bvh"
    understudy("make", "demo-take", "-o", demo)
    report = json.loads(understudy("measure", demo, "--json"))
    limits = report.get("measures", report)["limits"]["joints"]
    return {
        (joint["joint"].removeprefix("left ").removeprefix("right "), joint["movement"]): (
            joint["range_low_deg"],
            joint["range_high_deg"],
        )
        for joint in limits
    }


@pytest.mark.parametrize("movement", AAOS, ids=" ".join)
def test_joint_range(movement, reported_ranges):
    assert reported_ranges[movement] == AAOS[movement]


def test_no_range_without_a_source(reported_ranges):
    assert reported_ranges.keys() <= AAOS.keys()
