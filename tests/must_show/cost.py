"""What a solve costs, from the benchmark."""

import subprocess

from outside.understudy import ROOT

WORDS = """\
`cargo bench -p understudy --bench speed`, when this report was made. Seconds are those of the machine it was
made on, which had other work to do; ratios are of one run."""


def section() -> str:
    done = subprocess.run(
        ["cargo", "bench", "--quiet", "-p", "understudy", "--bench", "speed"],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    )
    return f"{WORDS}\n\n```text\n{done.stdout.strip()}\n```"
