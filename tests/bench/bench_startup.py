"""How long `callout` takes to start: processor seconds of each command over those of `import pandas`.

    python tests/bench/bench_startup.py [--rounds 5]

Commands run on an empty workspace, in turn with the baseline, so load of the machine meets both; the smallest of
the rounds counts. "all" imports every command file, what each start cost before files were imported by the word.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile

BASELINE = "import pandas"
ALL = "from typer.main import get_command; from triage.cli import app; get_command(app).load_all()"
RUN = "import sys; from triage.cli import main; main(sys.argv[1:])"
COMMANDS = ("--help", "init -", "site list", "findings", "users list", "check --help", "call --help", "fleet")


def cpu_s(*words: str, workspace: str) -> float:
    """Processor seconds of one interpreter, its start included."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = {**os.environ, "CALLOUT_WORKSPACE": workspace}
    subprocess.run([sys.executable, "-c", *words], capture_output=True, env=environment, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    work = {BASELINE: [BASELINE], **{f"callout {c}": [RUN, *c.split()] for c in COMMANDS}, "all": [ALL]}
    best = dict.fromkeys(work, float("inf"))
    with tempfile.TemporaryDirectory() as workspace:
        for _ in range(rounds):
            for name, words in work.items():
                best[name] = min(best[name], cpu_s(*words, workspace=workspace))
    for name, seconds in best.items():
        print(f"{name:24} {seconds:6.2f} s CPU {seconds / best[BASELINE]:6.2f} x baseline")


if __name__ == "__main__":
    main()
