"""How long the command line takes to start, in processor time beyond that of an interpreter that does nothing.

    python tests/bench/start.py [--repeat 9] [--imports VERB]

From the project's environment, root or not. Each command is run `--repeat` times, in turn with `python -c pass`; what
is shown is the median, user and system time together. The looks are at an invented household with one job and no
history; its run ends at a far box that is not there, so it shows what a run costs besides the copying. With
`--imports`, what the slowest imports of one command are, as the interpreter itself tells it.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

from otherroof.cli.parser.verbs import VERBS
from support.bench.contenders import compile_as_installed
from support.bench.measure import measure
from support.bench.table import table_text
from support.fresh_start import START
from support.household import write_household

HELP = ("--version", "--help", *(f"{verb} --help" for verb in VERBS))
LOOKS = ("status", "status --json", "ledger", "quiet", "check")
RUNS = ("run photos",)
HELP_S, LOOK_S, RUN_S = 0.25, 0.5, 0.6
SLOWEST = 25
WAIT_S = 60.0


def main() -> int:
    """Measure, print, and say whether the aims were met."""
    wanted = _arguments()
    compile_as_installed()
    with tempfile.TemporaryDirectory() as folder:
        config = write_household(Path(folder))
        if wanted.imports:
            print(_imports([*wanted.imports.split(), "--config", config]))
            return 0
        results = [_measured(command, [], HELP_S, wanted.repeat) for command in HELP]
        results += [_measured(command, ["--config", config], LOOK_S, wanted.repeat) for command in LOOKS]
        results += [_measured(command, ["--config", config], RUN_S, wanted.repeat) for command in RUNS]
    heads = ["otherroof", "processor s", "python -c pass", "aim", ""]
    print(table_text(heads, [one.row() for one in results]))
    good = all(one.within for one in results)
    print(f"each within its aim: {'yes' if good else 'NO'}")
    return 0 if good else 1


@dataclass(frozen=True)
class Result:
    """Medians of one command in processor seconds: beyond an interpreter that does nothing, and of that one."""

    command: str
    beyond: float
    nothing: float
    aim: float

    @property
    def within(self) -> bool:
        return self.beyond <= self.aim

    def row(self) -> list[str]:
        figures = [f"{self.beyond:.3f}", f"{self.nothing:.3f}", f"{self.aim:.2f}"]
        return [self.command, *figures, "" if self.within else "MISSED"]


def _measured(command: str, more: Sequence[str], aim: float, repeat: int) -> Result:
    ours, idle = [], []
    for _ in range(repeat):
        ours.append(measure([sys.executable, "-c", START, *command.split(), *more], wait_s=WAIT_S).processor_s)
        idle.append(measure([sys.executable, "-c", "pass"], wait_s=WAIT_S).processor_s)
    nothing = statistics.median(idle)
    return Result(command, statistics.median(ours) - nothing, nothing, aim)


def _imports(argv: Sequence[str]) -> str:
    """The slowest modules that `otherroof argv` imports: their own time and that with what they import, in ms."""
    told = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", START, *argv],
        capture_output=True,
        text=True,
        timeout=WAIT_S,
        check=False,
    ).stderr
    cells = [line.removeprefix("import time:").split("|") for line in told.splitlines() if "import time:" in line]
    times = [(int(own), int(whole), name.strip()) for own, whole, name in cells if own.strip().isdigit()]
    slowest = sorted(times, reverse=True)[:SLOWEST]
    rows = [[name, f"{own / 1000:.1f}", f"{whole / 1000:.1f}", ""] for own, whole, name in slowest]
    return table_text(["module", "own", "whole", ""], rows)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeat", type=int, default=9, help="how often each command is run")
    parser.add_argument("--imports", default="", metavar="VERB", help="show the slowest imports of this verb instead")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
