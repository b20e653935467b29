"""Carries every take in which hands touch something onto every character and writes what is left as a table.

Usage, from the top of the repository:
    cargo build --release -p understudy && tests/prepare
    target/outside/venv/bin/python tests/touches/report.py [OUT.md]

OUT.md is tests/touches/REPORT.md where it is not given. UNDERSTUDY names another binary.
"""

import json
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from outside.understudy import ROOT, understudy  # noqa: E402

REPORT = Path(__file__).resolve().parent / "REPORT.md"
TAKES = ["clap", "prayer", "chin", "brow", "hips", "folded", "sit", "crawl"]
CHARACTERS = ["fiddler", "giant", "lamplighter", "pedlar", "porter", "weaver"]
# The aim of the project for surfaces that touch, mm.
TOUCHING_MM = 2.0
HEAD = """\
# Touches of the built-in takes on every character

Made by

    target/outside/venv/bin/python tests/touches/report.py

(what it needs first is at its head). A test makes some of the rows again and compares.

Distance or depth of the two skins while they touch in the take, in mm, measured on all vertices of the two
parts near the touch, the worst frame of all touches; "before" is the same clip with feet planted and arms as
plain transfer has them. "Kept" counts frames in which the skins are within 2 mm of touching. Limbs is the mean change of
direction against plain transfer over all frames, in degrees; correlation is that of the limbs' speeds with the
take's.

| take | character | touches | before, worst | after, worst | frames kept | shift, frames | correlation | limbs |
| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |
"""


def measured(take: str, character: str, folder: Path) -> dict:
    """The measures of one clip."""
    out = folder / f"{character}-{take}.glb"
    files = ROOT / "assets/takes" / f"{take}.bvh", ROOT / "assets/characters" / f"{character}.glb"
    understudy("retarget", *files, "-o", out)
    return json.loads(out.with_suffix(".report.json").read_text())["measures"]


def row(take: str, character: str, measures: dict) -> tuple[str, int, int]:
    """A line of the table, frames kept, and frames in all."""
    plain, solved = measures["plain"], measures["solved"]
    worst = [max(abs(t["worst_mm"]) for t in report["touches"]) for report in (plain, solved)]
    frames = sum(t["last_frame"] - t["first_frame"] + 1 for t in solved["touches"])
    kept = sum(t["kept_frames"] for t in solved["touches"])
    timing = solved["timing"]
    cells = [
        take,
        character,
        str(len(solved["touches"])),
        f"{worst[0]:.1f}",
        f"{worst[1]:.1f}",
        f"{kept} of {frames}",
        str(timing["shift_frames"]),
        f"{timing['correlation']:.3f}",
        f"{solved['directions_from_plain']['mean_deg']:.1f}",
    ]
    return f"| {' | '.join(cells)} |", kept, frames


def main() -> None:
    lines, kept, frames = [], 0, 0
    with tempfile.TemporaryDirectory() as folder:
        for take in TAKES:
            for character in CHARACTERS:
                line, own_kept, own_frames = row(take, character, measured(take, character, Path(folder)))
                lines.append(line)
                kept += own_kept
                frames += own_frames
    total = f"\nKept in all: {kept} of {frames} frames, {100 * kept / frames:.2f} %.\n"
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else REPORT
    out.write_text(HEAD + "\n".join(lines) + "\n" + total)


if __name__ == "__main__":
    main()
