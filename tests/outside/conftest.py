"""What several checks need: the characters and their retargets, made once per worker."""

import json
from pathlib import Path

import pytest

from outside.understudy import CAPTURES, make_bodies, understudy


@pytest.fixture(scope="session")
def bodies(tmp_path_factory) -> dict[str, Path]:
    """The characters of assets/bodies as GLB files, by name."""
    return make_bodies(tmp_path_factory.mktemp("bodies"))


@pytest.fixture(scope="session")
def retargeted(bodies, tmp_path_factory):
    """A function of clip file and body: the exported GLB and its report. Each pair is made once."""
    folder = tmp_path_factory.mktemp("retargeted")
    made: dict[tuple[str, str], tuple[Path, dict]] = {}

    def get(clip: str, body: str) -> tuple[Path, dict]:
        if (clip, body) not in made:
            out = folder / f"{Path(clip).stem}-{body}.glb"
            report = out.with_suffix(".json")
            understudy("retarget", CAPTURES / clip, bodies[body], "-o", out, "--report", report)
            made[clip, body] = (out, json.loads(report.read_text()))
        return made[clip, body]

    return get
