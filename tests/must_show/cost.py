"""What a solve costs, from the benchmark."""

import subprocess

from outside.understudy import ROOT

WORDS = """\
`cargo bench -p understudy --bench speed`, when this report was made. Seconds are those of the machine it was
made on, which had other work to do; ratios are of one run. Wanted: the same cost per frame from 200 to 20,000 frames;
2 s for the clip of 10 s, 0.3 s after one setting has changed. Where 20,000 frames cost more per frame than 2,000, every step of the solve
does by much the same factor, reading poses included, which points to memory and not to the equations; a changed
setting is answered at once in the frame that is looked at, and solved again from the start for the whole clip."""


def section() -> str:
    done = subprocess.run(
        ["cargo", "bench", "--quiet", "-p", "understudy", "--bench", "speed"],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    )
    return f"{WORDS}\n\n```text\n{done.stdout.strip()}\n```"
