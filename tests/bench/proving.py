"""How a proof is felt by others on the same line: round trips beside it, with courtesy and without.

    python tests/bench/proving.py [--line A|B|all] [--seconds N] [--congestion cubic]
    python tests/bench/proving.py --straight --busy 6 [--nice 0]     # as tests/bench/courtesy.py

As root, from the project's environment. A job of eight large files and three hundred small ones is copied first; then
all of it is read back by `prove` while `ping` goes through the same queue ten times a second. The share is of the most
payload that the line can carry; the first seconds are shown apart.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import time

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

from bench.courtesy import FIRST_S, Pings, idle_round_trip
from support.bench.busy import busy_programs
from support.bench.contenders import JOB, Otherroof, otherroof
from support.bench.data import bench_root, make_large_file, make_small_files
from support.bench.measure import measure
from support.bench.scene import LINE_WORDS, LINES, PACKET, PAYLOAD, Scene, line_scene, straight_scene
from support.bench.table import table_text
from support.lab import Estate, lab_lacks

HEAD = [
    "line",
    "tcp",
    "courtesy",
    "MB",
    "s",
    "possible",
    "idle ms",
    "added, median",
    "added, 95 of 100",
    "worst at first",
]
LARGE_FILES = 8
SMALL_FILES = 300
WAIT_S = 600.0


def proved(scene: Scene, source: str, work: str, *, courtesy: bool) -> list[str]:
    """Copy, read all of it back with `ping` beside it, and say how both went."""
    scene.fresh(7)
    copied = Otherroof({"courtesy": courtesy}).copy(scene, source, work, WAIT_S)
    if copied.trouble:
        raise SystemExit(f"proving.py: the copy failed: {copied.trouble}")
    idle = idle_round_trip(scene)
    config = os.path.join(work, "config")
    pings, begun = Pings(scene), time.monotonic()
    done = measure(scene.home.argv(otherroof("prove", JOB, "--all", "--config", config, "--json")), wait_s=WAIT_S)
    seconds, answers = time.monotonic() - begun, pings.stop()
    told = json.loads(done.output)
    if done.code:
        raise SystemExit(f"proving.py: the proof failed: {told}")
    size = sum(os.path.getsize(os.path.join(folder, name)) for folder, _, names in os.walk(source) for name in names)
    settled = sorted(ms - idle for at, ms in answers if FIRST_S <= at <= seconds - 1)
    return [
        "yes" if courtesy else "no",
        f"{size / 1e6:.1f}",
        f"{seconds:.1f}",
        f"{size * 8 / 1e6 / seconds / scene.possible_mbit:.0%}",
        f"{idle:.1f}",
        f"{statistics.median(settled):.1f}",
        f"{settled[int(len(settled) * 0.95)]:.1f}",
        f"{max((ms - idle for at, ms in answers if at < FIRST_S), default=0.0):.1f}",
    ]


def main() -> int:
    """Measure what was asked for, and print it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--line", choices=("A", "B", "all"), default="all")
    parser.add_argument("--seconds", type=float, default=20, help="the proof takes about so long at the possible rate")
    parser.add_argument("--congestion", default="cubic", choices=("cubic", "bbr"))
    parser.add_argument("--straight", action="store_true", help="no tunnel; the kernel keeps the queue")
    parser.add_argument("--busy", type=int, default=0, help="so many programs beside it that keep the processor busy")
    parser.add_argument("--nice", type=int, default=0, help="their niceness")
    wanted = parser.parse_args()
    lack = lab_lacks()
    if lack:
        sys.stderr.write(f"proving.py: {lack}\n")
        return 2
    rows = []
    for line in ("A", "B") if wanted.line == "all" else (wanted.line,):
        size = int(LINES[line].rate_mbit * PAYLOAD / PACKET * 1e6 / 8 * wanted.seconds)
        root, _ = bench_root(4 * size)
        with Estate() as estate:
            estate.note("folder", path=root)
            source, work = os.path.join(root, "source"), os.path.join(root, "work")
            os.makedirs(work)
            make_small_files(os.path.join(source, "small"), SMALL_FILES)
            for number in range(LARGE_FILES):
                make_large_file(os.path.join(source, str(number)), size // LARGE_FILES)
            scenes = straight_scene if wanted.straight else line_scene
            with scenes(line, os.path.join(root, "far")) as scene, busy_programs(wanted.busy, wanted.nice):
                scene.use_congestion(wanted.congestion)
                for courtesy in (True, False):
                    rows.append([line, wanted.congestion, *proved(scene, source, work, courtesy=courtesy)])
        print(f"{line}: {LINE_WORDS[line]}", flush=True)
    print(table_text(HEAD, rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
