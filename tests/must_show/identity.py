"""Takes carried onto the body they were made with, and onto the same body with arms 3 % longer."""

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from outside.understudy import CAPTURES, ROOT, capture_entries, understudy

# What may change on the performer's own body: radians, metres.
SAME = 1e-6
# Upper arm, forearm and hand over stature (Drillis & Contini 1966, as printed in Winter, doi
# 10.1002/9780470549148), as the built-in performer has them.
ARM_SHARES = {"upper_arm_m": 0.186, "forearm_m": 0.146, "hand_m": 0.108}
STATURE_M = 1.75
LONGER = 1.03
OPTIONS = {"without planting": ["--no-plants"], "all terms": []}


def own_body(take: Path, folder: Path, option: list[str]) -> dict:
    """What changed of a take on its own skeleton."""
    out = folder / f"{take.stem}{'-'.join(option)}.bvh"
    return json.loads(understudy("retarget", *option, take, take, "-o", out, "--json"))["measures"]["solved"]["own_body"]


def long_armed(folder: Path) -> Path:
    """The performer with arms 3 % longer."""
    lengths = ", ".join(f"{name}: {LONGER * share * STATURE_M}" for name, share in ARM_SHARES.items())
    text = (ROOT / "assets/bodies/performer.ron").read_text()
    assert "arms:" not in text
    description = folder / "long-armed.ron"
    description.write_text(text.replace("    rest: T,", f"    rest: T,\n    arms: [({lengths})],"))
    understudy("make", description, "-o", folder / "long-armed.glb")
    return folder / "long-armed.glb"


def own_body_lines(folder: Path) -> list[str]:
    groups = {
        "built-in takes": sorted((ROOT / "assets/takes").glob("*.bvh")),
        "captured clips": sorted(CAPTURES / entry["file"] for entry in capture_entries()),
    }
    lines = ["| on their own skeletons | | unchanged to 1e-6 | largest turn, rad | largest way, mm | where |", "|---|---|---:|---:|---:|---|"]
    for group, takes in groups.items():
        for name, option in OPTIONS.items():
            with ThreadPoolExecutor(2) as pool:
                found = dict(zip(takes, pool.map(lambda take: own_body(take, folder, option), takes)))
            same = [one for one in found.values() if one["worst_turn"] <= SAME and one["worst_way_m"] <= SAME]
            take, worst = max(found.items(), key=lambda pair: pair[1]["worst_way_m"])
            where = f"{take.stem}, {worst['worst_joint']} in frame {worst['worst_frame']}" if len(same) < len(found) else "-"
            turn = max(one["worst_turn"] for one in found.values())
            lines.append(f"| {group} | {name} | {len(same)} of {len(found)} | {turn:.1e} | {1000 * worst['worst_way_m']:.1e} | {where} |")
    return lines


def arms_lines(folder: Path) -> list[str]:
    body = long_armed(folder)
    lines = ["| arms 3 % longer | contacts kept, plain | whole clip | worst gap or depth, plain, mm | whole clip, mm |", "|---|---:|---:|---:|---:|"]
    for take in ("clap", "prayer"):
        out = folder / f"long-armed-{take}.glb"
        measures = json.loads(understudy("retarget", ROOT / "assets/takes" / f"{take}.bvh", body, "-o", out, "--json"))["measures"]
        both = [measures[kind]["meetings"] for kind in ("plain", "solved")]
        kept = [f"{sum(one['is_kept'] for one in met)} of {len(met)}" for met in both]
        worst = [f"{max(abs(one['worst_mm']) for one in met):.1f}" for met in both]
        lines.append(f"| {take} | {kept[0]} | {kept[1]} | {worst[0]} | {worst[1]} |")
    return lines


WORDS = """\
Plain transfer, and all terms but planting, change nothing. With planting, the legs of takes whose feet slide or sink by
themselves are put right, most in captures that sink, roll and fall: it is asked for, but it means that "changes
nothing" does not hold with all terms. Touches are left as they are on the same skeleton."""


def section(folder: Path) -> str:
    folder.mkdir(parents=True, exist_ok=True)
    return "\n\n".join([WORDS, "\n".join(own_body_lines(folder)), "\n".join(arms_lines(folder))])
