"""Exported GLB files: sound for the Khronos validator (npm gltf-validator), the same motion in three
(npm), and the character's own file otherwise unchanged.

Joint positions agree within 0.01 mm at every key time.
"""

import copy
import json
import struct
from pathlib import Path

import numpy as np
import pytest

from outside import mujoco_tree
from outside.mujoco_tree import Glb
from outside.test_references import run_node, three_positions
from outside.understudy import BODIES, CAPTURES, inspect_positions, understudy

TOLERANCE_M = 1e-5  # 0.01 mm
CLIPS = ["humanoid3d_run", "humanoid3d_cartwheel", "walker_turn_left0"]
EVERY_PAIR = pytest.mark.parametrize("clip", CLIPS)
EVERY_BODY = pytest.mark.parametrize("body", BODIES)


@pytest.mark.parametrize("body", BODIES)
def test_validator_finds_no_error_and_no_warning(body, bodies, retargeted):
    exported = [retargeted(f"{clip}.bvh", body)[0] for clip in CLIPS]
    done = run_node("validate.mjs", bodies[body], *exported)
    summaries = json.loads(done.stdout)
    assert len(summaries) == 1 + len(CLIPS)
    faults = [message for summary in summaries for message in summary["messages"] if message["severity"] in ("errors", "warnings")]
    assert done.returncode == 0 and not faults, faults


@EVERY_PAIR
@EVERY_BODY
def test_three_and_mujoco_play_the_same_motion(clip, body, retargeted, tmp_path):
    path, report = retargeted(f"{clip}.bvh", body)
    ours = inspect_positions(path, tmp_path / "ours.json")
    three = three_positions(path, tmp_path / "three.json")
    tree = mujoco_tree.from_glb(path)
    assert len(ours.positions_m) == len(three["times_secs"]) == report["take"]["frames"]
    assert ours.frame_time_secs == pytest.approx(report["take"]["frame_time_secs"], abs=1e-7)
    nodes = json.loads((tmp_path / "ours.json").read_text())["nodes"]
    for found, positions_m in ((three["nodes"], np.array(three["positions_m"])), (tree.nodes, tree.positions_m)):
        theirs_m = positions_m[:, [found.index(node) for node in nodes]]
        assert np.abs(ours.positions_m - theirs_m).max() < TOLERANCE_M
    # It does move, and so does the comparison.
    assert np.ptp(ours.positions_m, axis=0).max() > 0.1


@EVERY_PAIR
@EVERY_BODY
def test_key_times_are_those_of_the_take(clip, body, retargeted):
    path, report = retargeted(f"{clip}.bvh", body)
    times = mujoco_tree.from_glb(path).times_secs
    expected = np.arange(report["take"]["frames"]) * report["take"]["frame_time_secs"]
    # Key times are single precision.
    assert np.abs(times - expected).max() < 1e-6 * max(1.0, expected[-1])


def write_glb(path: Path, document: dict, binary: bytes) -> None:
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    size = 12 + 8 + len(text) + 8 + len(binary)
    head = struct.pack("<4sII", b"glTF", 2, size) + struct.pack("<I4s", len(text), b"JSON") + text
    path.write_bytes(head + struct.pack("<I4s", len(binary), b"BIN\0") + binary)


def with_foreign_things(document: dict) -> dict:
    """Extras, extensions that nobody knows, a camera, a morph target and a spare scene."""
    document = copy.deepcopy(document)
    extension = {"EXAMPLE_stall_signs": {"words": ["eels", "lamps"], "weight": 0.1, "größe": [1, 2.5, None]}}
    document["extensionsUsed"] = [*document.get("extensionsUsed", []), "EXAMPLE_stall_signs"]
    document["extensions"] = {**document.get("extensions", {}), **extension}
    document["extras"] = {"note": "kept by hand", "big": 12345678901234567, "small": 1e-300}
    document["asset"]["copyright"] = "nobody"
    document["asset"]["extras"] = {"from": "a test"}
    for number, node in enumerate(document["nodes"]):
        node["extras"] = {"number": number}
    document["nodes"][0]["extensions"] = extension
    for mesh in document["meshes"]:
        mesh["extras"] = {"targetNames": ["smile"]}
        mesh["weights"] = [0.25]
        for primitive in mesh["primitives"]:
            primitive["targets"] = [{"POSITION": primitive["attributes"]["POSITION"]}]
            primitive["extras"] = {"layer": 3}
    document["skins"][0]["extras"] = {"pose": "rest"}
    document["cameras"] = [{"type": "perspective", "perspective": {"yfov": 0.7, "znear": 0.01}}]
    document["nodes"].append({"name": "view", "camera": 0, "translation": [0.0, 1.0, 4.0]})
    document["scenes"][0]["nodes"].append(len(document["nodes"]) - 1)
    document["scenes"].append({"name": "spare", "nodes": [len(document["nodes"]) - 1]})
    return document


GROWING = ("animations", "accessors", "bufferViews", "buffers")


def assert_only_an_animation_was_added(before: Glb, after: Glb, name: str) -> None:
    for key in before.json.keys() | after.json.keys():
        old, new = before.json.get(key), after.json.get(key)
        if key == "buffers":
            assert {**old[0], "byteLength": 0} == {**new[0], "byteLength": 0}
        elif key in GROWING:
            assert new[: len(old or [])] == (old or []), key
        else:
            assert new == old, key
    assert len(after.json["animations"]) == len(before.json.get("animations", [])) + 1
    assert after.json["animations"][-1]["name"] == name
    length = before.json["buffers"][0]["byteLength"]
    assert after.binary[:length] == before.binary[:length]


@EVERY_BODY
def test_everything_else_is_kept(body, bodies, tmp_path):
    made, foreign = Glb(bodies[body]), tmp_path / "foreign.glb"
    write_glb(foreign, with_foreign_things(made.json), made.binary)
    first, second = tmp_path / "first.glb", tmp_path / "second.glb"
    understudy("retarget", CAPTURES / "walker_turn_left0.bvh", foreign, "-o", first)
    understudy("retarget", CAPTURES / "humanoid3d_kick.bvh", first, "-o", second, "--name", "kick at the eel stall")
    assert_only_an_animation_was_added(Glb(foreign), Glb(first), "walker_turn_left0")
    assert_only_an_animation_was_added(Glb(first), Glb(second), "kick at the eel stall")
    summaries = json.loads(run_node("validate.mjs", foreign, first, second).stdout)
    assert [summary["errors"] for summary in summaries] == [0, 0, 0]
    # The foreign parts may earn warnings, the animations must not add any.
    assert summaries[1]["warnings"] == summaries[2]["warnings"] == summaries[0]["warnings"]


def test_two_animations_play_apart(bodies, tmp_path):
    first, second = tmp_path / "first.glb", tmp_path / "second.glb"
    understudy("retarget", CAPTURES / "walker_turn_left0.bvh", bodies["weaver"], "-o", first)
    understudy("retarget", CAPTURES / "humanoid3d_kick.bvh", first, "-o", second)
    for index, clip in enumerate(("1", "2")):
        ours = inspect_positions(second, tmp_path / "ours.json", "--clip", clip)
        three = three_positions(second, tmp_path / "three.json", "--animation", str(index))
        nodes = json.loads((tmp_path / "ours.json").read_text())["nodes"]
        theirs_m = np.array(three["positions_m"])[:, [three["nodes"].index(node) for node in nodes]]
        assert theirs_m.shape == ours.positions_m.shape
        assert np.abs(ours.positions_m - theirs_m).max() < TOLERANCE_M


@pytest.mark.parametrize("body", ["porter", "lamplighter"])
def test_bvh_export_holds_the_same_motion(body, bodies, retargeted, tmp_path):
    """BVH has no skin and no rest rotations: the same joints are in the same places."""
    glb, _ = retargeted("walker_turn_left0.bvh", body)
    bvh = tmp_path / "clip.bvh"
    understudy("retarget", CAPTURES / "walker_turn_left0.bvh", bodies[body], "-o", bvh)
    tree = mujoco_tree.from_glb(glb)
    read = mujoco_tree.from_bvh(bvh, units_per_metre=100.0)
    for joint in (name for name in read.names if not name.endswith(" end")):
        theirs_m = read.positions_m[:, read.names.index(joint)]
        assert np.abs(tree.positions_m[:, tree.names.index(joint)] - theirs_m).max() < TOLERANCE_M, joint
