"""What must hold for every captured walk and run on every character: feet stay, knees do not pop.

Slide within a plant at most 0.5 mm over the whole plant, sinking at most 1 mm, no knee peak above
1.2 times the take's own, timing shift 0 frames. Clips: the walks and runs of the PyPI package
pybullet (see tests/captures), one cycle each and as loops of four. Every figure is taken from the
report and computed once more from the exported file through MuJoCo's kinematics
(`recomputed`); both must keep the limit and agree.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from outside import mujoco_tree
from outside.gait import runs
from outside.recomputed import (
    MM,
    Moving,
    lag_frames,
    peak_acceleration,
    signed_bends_rad,
    slide_extent_mm,
    speeds,
)
from outside.understudy import BODIES, CAPTURES, Anatomy, anatomy, capture_entries, inspect

SLIDE_LIMIT_MM = 0.5
SINKING_LIMIT_MM = 1.0
KNEE_LIMIT = 1.2
# Files hold single precision: a millionth of a few metres of height or travel.
ROUNDING_MM = 0.01
CLIPS = {entry["file"].removesuffix(".bvh"): entry for entry in capture_entries("walk", "run")}
PAIRS = [(clip, body) for clip in CLIPS for body in BODIES]
EVERY_PAIR = pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: f"{pair[0]}-{pair[1]}")


@dataclass
class Made:
    """A take and the clip made from it, both with their kinematics, and the report."""

    take: Moving
    take_body: Anatomy
    clip: Moving
    body: Anatomy
    report: dict

    @property
    def solved(self) -> dict:
        return self.report["measures"]["solved"]

    def sole_track_m(self, side: str, part: str) -> np.ndarray:
        foot = next(foot for foot in self.report["soles"] if foot["side"] == side)
        point = foot[part.lower()]
        return self.clip.track_m(point["joint"], point["local_m"])


@pytest.fixture(scope="session")
def takes() -> dict[str, tuple[Moving, Anatomy]]:
    found = {}
    for clip, entry in CLIPS.items():
        path = CAPTURES / entry["file"]
        body = anatomy(inspect(path))
        world = mujoco_tree.from_bvh(path, units_per_metre=100.0)
        found[clip] = (Moving(world, body.up, entry["frame_time_secs"]), body)
    return found


@pytest.fixture(scope="session")
def anatomies(bodies) -> dict[str, Anatomy]:
    return {name: anatomy(inspect(path)) for name, path in bodies.items()}


@pytest.fixture(scope="session")
def made(retargeted, takes, anatomies):
    """A function of (clip, body)."""
    found: dict[tuple[str, str], Made] = {}

    def get(pair: tuple[str, str]) -> Made:
        if pair not in found:
            clip, body = pair
            path, report = retargeted(f"{clip}.bvh", body)
            take, take_body = takes[clip]
            world = mujoco_tree.from_glb(Path(path))
            assert len(world.times_secs) == len(take.world.times_secs)
            moving = Moving(world, anatomies[body].up, take.frame_time_secs)
            found[pair] = Made(take, take_body, moving, anatomies[body], report)
        return found[pair]

    return get


def test_there_are_walks_runs_and_bodies_enough():
    assert {entry["kind"] for entry in CLIPS.values()} == {"walk", "run"}
    assert len(CLIPS) >= 10
    assert len(BODIES) >= 5


@EVERY_PAIR
def test_planted_feet_do_not_slide(pair, made):
    clip = made(pair)
    plants = clip.solved["slide"]["plants"]
    assert plants, "no foot is ever planted"
    assert clip.solved["slide"]["worst_mm_per_plant"] <= SLIDE_LIMIT_MM
    for plant in plants:
        track_m = clip.sole_track_m(plant["leg"], plant["part"])
        extent_mm = slide_extent_mm(clip.clip, track_m, plant["first_frame"], plant["last_frame"])
        assert extent_mm <= SLIDE_LIMIT_MM, plant
        assert extent_mm == pytest.approx(plant["extent_mm"], abs=ROUNDING_MM), plant


@EVERY_PAIR
def test_both_feet_of_a_walk_are_planted(pair, made):
    """Of the looped run only one foot is: closing its cycle drags the other over the floor."""
    planted = {plant["leg"] for plant in made(pair).solved["slide"]["plants"]}
    if CLIPS[pair[0]]["kind"] == "walk":
        assert planted == {"left", "right"}
    else:
        assert planted


@EVERY_PAIR
def test_flat_feet_keep_ankle_and_ball_still(pair, made):
    """Needs no sole point: a foot that is down at heel and ball is one still piece."""
    clip = made(pair)
    plants = clip.solved["slide"]["plants"]
    for leg in clip.body.legs:
        masks = {part: np.zeros(clip.solved["frames"], dtype=bool) for part in ("Heel", "Ball", "Toe")}
        for plant in plants:
            if plant["leg"] == leg.side:
                masks[plant["part"]][plant["first_frame"] : plant["last_frame"] + 1] = True
        still = [(leg.ankle, masks["Heel"] & masks["Ball"]), (leg.ball, masks["Ball"] & masks["Toe"])]
        for joint, mask in still:
            if joint is None:
                continue
            for first, last in runs(mask):
                track_m = clip.clip.track_m(joint)
                assert slide_extent_mm(clip.clip, track_m, first, last) <= SLIDE_LIMIT_MM, (joint, first, last)
                # Its skin lies on the floor: what of it is shared with the ankle may raise the joints a little.
                heights_mm = MM * clip.clip.heights_m(track_m[first : last + 1])
                assert np.ptp(heights_mm) <= SINKING_LIMIT_MM, (joint, first, last)


def depth_of_feet_mm(made: Made, path: Path) -> float:
    """How deep the skin of the feet goes below the floor, at most: linear blend skinning (glTF 2.0 section 3.7.3.3) of
    every vertex below an ankle that hangs no lower at rest than the sole, by a hundredth of the ankle's height."""
    glb = mujoco_tree.Glb(path)
    nodes = glb.json["nodes"]
    skin = glb.json["skins"][0]
    joints = skin["joints"]
    # Column by column in the file.
    from_mesh = glb.accessor(skin["inverseBindMatrices"]).reshape(-1, 4, 4).transpose(0, 2, 1)
    slot_of = {nodes[node]["name"]: slot for slot, node in enumerate(joints)}
    at_rest = np.linalg.inv(from_mesh)

    def below(node: int) -> set[int]:
        return {node}.union(*(below(child) for child in nodes[node].get("children", [])))

    deepest_mm = -np.inf
    for leg in made.body.legs:
        foot = next(foot for foot in made.report["soles"] if foot["side"] == leg.side)
        of_foot = {slot for slot, node in enumerate(joints) if node in below(joints[slot_of[leg.ankle]])}
        ball = at_rest[slot_of[foot["ball"]["joint"]]] @ [*foot["ball"]["local_m"], 1.0]
        sole_m = ball[:3] @ made.clip.up
        ankle_m = at_rest[slot_of[leg.ankle]][:3, 3] @ made.clip.up
        for primitive in (primitive for mesh in glb.json["meshes"] for primitive in mesh["primitives"]):
            get = {name: glb.accessor(index) for name, index in primitive["attributes"].items()}
            places = np.column_stack([get["POSITION"], np.ones(len(get["POSITION"]))])
            slots, shares = get["JOINTS_0"].astype(int), get["WEIGHTS_0"]
            main = slots[np.arange(len(slots)), shares.argmax(axis=1)]
            is_asked = np.isin(main, list(of_foot)) & (
                places[:, :3] @ made.clip.up >= sole_m - 0.01 * (ankle_m - sole_m)
            )
            places, slots, shares = places[is_asked], slots[is_asked], shares[is_asked]
            heights_m = np.zeros((len(made.clip.world.times_secs), len(places)))
            for slot in np.unique(slots):
                joint = nodes[joints[slot]]["name"]
                share = np.where(slots == slot, shares, 0.0).sum(axis=1)
                for column in np.flatnonzero(share):
                    local_m = (from_mesh[slot] @ places[column])[:3]
                    track_m = made.clip.track_m(joint, local_m)
                    heights_m[:, column] += share[column] * made.clip.heights_m(track_m)
            if heights_m.size:
                floor_m = made.solved["floor_height_m"]
                deepest_mm = max(deepest_mm, MM * (floor_m - heights_m.min()))
    return deepest_mm


@EVERY_PAIR
def test_soles_do_not_sink(pair, made, retargeted):
    clip = made(pair)
    contact = clip.solved["floor_contact"]
    assert contact["worst_sinking_mm"] <= SINKING_LIMIT_MM
    assert clip.solved["floor_slope_deg"] == 0.0
    path, _ = retargeted(f"{pair[0]}.bvh", pair[1])
    # They come down to the floor, and no further.
    assert abs(depth_of_feet_mm(clip, Path(path))) <= SINKING_LIMIT_MM


@EVERY_PAIR
def test_knees_do_not_pop(pair, made):
    clip = made(pair)
    for leg, take_leg, knee in zip(clip.body.legs, clip.take_body.legs, clip.solved["knees"], strict=True):
        assert leg.side == take_leg.side == knee["leg"]
        assert knee["ratio"] <= KNEE_LIMIT
        assert not knee["pops"]
        dt = clip.clip.frame_time_secs
        bends = signed_bends_rad(clip.clip, leg.hip, leg.knee, leg.ankle)
        take_bends = signed_bends_rad(clip.take, take_leg.hip, take_leg.knee, take_leg.ankle)
        ratio = peak_acceleration(bends, dt) / peak_acceleration(take_bends, dt)
        assert ratio <= KNEE_LIMIT, leg.side
        assert ratio == pytest.approx(knee["ratio"], rel=0.01), leg.side


@EVERY_PAIR
def test_nothing_is_late_or_early(pair, made):
    clip = made(pair)
    assert clip.solved["timing"]["shift_frames"] == 0
    assert lag_frames(limb_speeds(clip.clip, clip.body), limb_speeds(clip.take, clip.take_body)) == 0


def limb_speeds(moving: Moving, body: Anatomy) -> list[np.ndarray]:
    """Speeds of feet and hands; the clips' arms end where a wrist would be, in an end site."""
    hands = [body.roles.get(f"{side}_radiocarpal", f"{body.roles[f'{side}_elbow']} end") for side in "lr"]
    ends = [leg.end for leg in body.legs] + hands
    return [speeds(moving, end, body.roles["humanoid_root"]) for end in ends]
