"""Random years of invented households: everything that can go wrong does, and every version must come back exactly.

    python tests/campaign/household_years.py --minutes 60       as many households as fit, each with a seed of its own
    python tests/campaign/household_years.py --seed 4711        this one household, as it was
    python tests/campaign/household_years.py --seed 4711 --broken "guard off"    with a mistake put in on purpose

From the project's environment; no root, no other machine. Real runs and restores against the stand-in far box; what
comes back is compared with a plain model of what was there. A seed draws the same days and nights each time; moments
within a run differ with how busy the machine is. Figures come at the end; exit code 1 if anything did not hold.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from campaign.breakages import BREAKAGES
from campaign.household import CampaignFault, Household, household, remove
from campaign.nights import some_night

SETTLES = 0.55  # how often a night's trouble is over before the next one's comes
FEWEST_DAYS, MOST_DAYS = 8, 16


@dataclass
class Campaign:
    """What came of it so far. `faults`: seed, what did not hold, and what had happened by then."""

    figures: Counter[str] = field(default_factory=Counter)
    faults: list[tuple[int, str]] = field(default_factory=list)

    def play(self, seed: int, where: Path, *, broken: str = "", until: float = float("inf")) -> None:
        """The whole life of one household, below `where`; after `until`, by the monotonic clock, no new day begins."""
        with household(where, seed, self.figures, broken) as house:
            self.figures["households"] += 1
            try:
                _live(house, until)
            except Exception as problem:  # noqa: BLE001 - whatever it is, it did not hold, and is told with its seed
                kind = "" if isinstance(problem, CampaignFault) else f"{type(problem).__name__}: "
                self.faults.append((seed, f"{kind}{problem}\n    " + "\n    ".join(house.log[-14:])))
                print(_fault(*self.faults[-1]), flush=True)

    def told(self) -> str:
        """The figures, a line each, and every fault with its seed."""
        lines = [f"{count:8} {what}" for what, count in sorted(self.figures.items())]
        return "\n".join([*lines, *(_fault(*fault) for fault in self.faults)])


def _fault(seed: int, what: str) -> str:
    return f"FAULT with --seed {seed}: {what}"


def _live(house: Household, until: float) -> None:
    house.settle()
    for day in range(house.dice.randint(FEWEST_DAYS, MOST_DAYS)):
        if time.monotonic() > until:
            break
        house.figures["days"] += 1
        house.days.pass_day()
        night = some_night(house.dice)
        house.log.append(f"day {day}: {night.__name__}")
        night(house)
        if house.dice.random() < SETTLES:
            house.settle()
        house.check_some()
        house.check_outside()
    house.settle()
    house.check_all()
    house.check_outside()


def play_for(
    campaign: Campaign, seconds: float, first_seed: int, where: Path, *, broken: str = "", go_on: bool = False
) -> None:
    """As many households as fit into so many seconds, one after the other; stops at the first fault unless `go_on`."""
    seed, until = first_seed, time.monotonic() + seconds
    while time.monotonic() < until:
        folder = where / str(seed)
        folder.mkdir(parents=True)
        campaign.play(seed, folder, broken=broken, until=until)
        if campaign.faults and not go_on:
            break
        remove(folder)
        seed += 1


def main(argv: Sequence[str] | None = None) -> int:
    """Play, print the figures, and say whether all held."""
    wanted = _arguments(argv)
    where = Path(tempfile.mkdtemp(prefix="otherroof-campaign-", dir=wanted.where))
    campaign = Campaign()
    if wanted.seed is not None:
        print(f"seed {wanted.seed}")
        campaign.play(wanted.seed, where, broken=wanted.broken)
    else:
        first = random.SystemRandom().randrange(10**6)
        print(f"seeds from {first} on", flush=True)
        play_for(campaign, 60 * wanted.minutes, first, where, broken=wanted.broken, go_on=True)
    if wanted.keep:
        print(f"kept: {where}")
    else:
        remove(where)
    print(campaign.told())
    return 1 if campaign.faults else 0


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--minutes", type=float, default=2.0, help="how long to go on (default 2)")
    which.add_argument("--seed", type=int, help="play this household alone")
    parser.add_argument("--broken", choices=sorted(BREAKAGES), default="", help="put this mistake into every run")
    parser.add_argument("--keep", action="store_true", help="leave the last household's files where they are")
    parser.add_argument("--where", help="the folder to play in (default: this machine's for temporary files)")
    return parser.parse_args(argv)


if __name__ == "__main__":
    sys.exit(main())
