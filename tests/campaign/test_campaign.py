"""Half a minute of the campaign with seeds of their own each time, and that it notices mistakes put in on purpose.

A fault is told with its seed: `python tests/campaign/household_years.py --seed N` plays that household again.
"""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from campaign.breakages import BREAKAGES
from campaign.household_years import Campaign, play_for

SECONDS = 30.0
NOTICED_S = 300.0  # by far more than it takes
SEED = 7100
GRAVEST = ["nothing aside", "nothing settled"]  # the others with OTHERROOF_ALL_MISTAKES=1: each takes half a minute

pytestmark = pytest.mark.slow


@pytest.mark.lasts(50)
def test_whatever_happens_every_version_comes_back_exactly(tmp_path: Path) -> None:
    """Invariants 1, 2, 3, 4, 5, 6 and 8."""
    campaign = Campaign()
    first = random.SystemRandom().randrange(10**6)
    print(f"seeds from {first} on")
    play_for(campaign, SECONDS, first, tmp_path)
    assert campaign.faults == [], campaign.told()
    print(campaign.told())
    assert campaign.figures["versions compared"] > campaign.figures["days"] > 0


@pytest.mark.lasts(60)
@pytest.mark.parametrize("broken", list(BREAKAGES) if os.environ.get("OTHERROOF_ALL_MISTAKES") else GRAVEST)
def test_a_mistake_put_in_on_purpose_is_noticed(tmp_path: Path, broken: str) -> None:
    campaign = Campaign()
    play_for(campaign, NOTICED_S, SEED, tmp_path, broken=broken)
    assert campaign.faults, campaign.told()
    assert not any(word in campaign.told() for word in ("TypeError", "AttributeError", "the parent of the runs ended"))
