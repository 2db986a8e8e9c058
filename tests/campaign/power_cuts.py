"""Lets a far box lose its power at random moments, for as long as one likes, and says what was lost.

    python tests/campaign/power_cuts.py [--minutes 60] [--fs ext4 xfs btrfs] [--seed N] [--halts 3] [--images 2]

As root, from the project's environment. Each round is a household of its own: a first run, days on which files change,
move, double and go, and a day on which the power goes while the run goes on. What the far disk holds after each cut is
mounted, every version on it is compared with what the home folder was, and the next run goes against it, with home's
state as it was and without. A round's seed is printed; `--rounds 1 --seed N --fs ext4` repeats its days and dice (its
moments are as the machine's speed has it). Leaves with 1 if anything was lost. It makes a mount namespace of its own.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

from support.commits import wait_for_short_commits
from support.far_power import FarPower, far_power
from support.lab import LabFault
from support.slow_disk import DISK_SYSTEMS

OWN_MOUNTS = "--in-own-mounts"


def main() -> int:
    """Rounds until the time is over; what each found."""
    if OWN_MOUNTS not in sys.argv:
        own = ["unshare", "--mount", "--propagation", "private", sys.executable, *sys.argv, OWN_MOUNTS]
        return subprocess.run(own, check=False).returncode
    wanted = _arguments()
    wait_for_short_commits()
    until = time.monotonic() + wanted.minutes * 60
    images = wrong = rounds = 0
    for seed, system in _rounds(wanted):
        begun = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="otherroof-power-") as folder:
            found, seen = _round(Path(folder), system, seed, wanted)
        rounds, images, wrong = rounds + 1, images + seen, wrong + len(found)
        print(f"{system}, seed {seed}: {seen} images, {len(found)} wrong, {time.monotonic() - begun:.0f} s", flush=True)
        for line in found[: wanted.show]:
            print(f"  {line}", flush=True)
        if rounds >= wanted.rounds > 0 or (not wanted.rounds and time.monotonic() > until):
            break
    print(f"{rounds} rounds, {images} images, {wrong} wrong")
    return 1 if wrong else 0


def _rounds(wanted: argparse.Namespace) -> Iterator[tuple[int, str]]:
    seed = wanted.seed
    while True:
        for system in wanted.fs:
            yield seed, system
        seed += 1


def _round(folder: Path, system: str, seed: int, wanted: argparse.Namespace) -> tuple[list[str], int]:
    with far_power(folder, system, seed, kinds=not wanted.same_kinds) as house:
        try:
            _days(house, wanted)
        except LabFault as problem:
            house.wrong.append(str(problem))
        return house.wrong, house.images


def _days(house: FarPower, wanted: argparse.Namespace) -> None:
    house.days.first()
    if "cuts" in wanted.work:
        house.run_with_moments(wanted.halts // 2, wanted.images // 2)
        for _ in range(wanted.days):
            house.days.next()
            house.run_with_moments(wanted.halts, wanted.images)
        house.days.next()
    if "falls" in wanted.work:
        house.run_with_fall()
        house.days.next()
        house.run_with_fall()
        house.days.next()
        house.run_with_moments(0, 1)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    add = parser.add_argument
    add("--minutes", type=float, default=2.0, help="begin no further round after so long")
    add("--rounds", type=int, default=0, help="so many rounds instead, each on one file system")
    add("--fs", nargs="+", choices=DISK_SYSTEMS, default=list(DISK_SYSTEMS))
    add("--seed", type=int, default=int(time.time()), help="the first round's; each further one has the next")
    add("--work", nargs="+", choices=["cuts", "falls"], default=["cuts", "falls"])
    add("--days", type=int, default=2, help="runs after the first, with cuts")
    add("--halts", type=int, default=3, help="moments of each run at which home's state is known as well")
    add("--images", type=int, default=2, help="further moments of each run")
    add("--same-kinds", action="store_true", help="no file becomes a folder, nor a folder a file or a link")
    add("--show", type=int, default=20, help="lines of what was wrong in a round")
    add(OWN_MOUNTS, action="store_true", help=argparse.SUPPRESS)
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
