"""Days in which anything may happen: every version comes back exactly, whatever the far box can do."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.faulty_box import Offers
from support.main_job import one_job
from support.quick import slow_but_for
from support.random_days import RandomDays

BOXES = {
    "all extensions": Offers(),
    "no hard links": Offers(hardlink=False),
    "no copies at the far end": Offers(copy_data=False),
    "neither": Offers(hardlink=False, copy_data=False),
    "no sync": Offers(fsync=False),
    "nothing but SFTP version 3": Offers.none(),
}


@pytest.mark.parametrize("offers", BOXES.values(), ids=BOXES.keys())
@pytest.mark.parametrize("seed", slow_but_for([0], range(3)))
def test_every_version_comes_back_after_many_days(tmp_path: Path, offers: Offers, seed: int) -> None:
    """Invariants 2 and 3."""
    with one_job(tmp_path, offers=offers, far_more={"connections": 1 + seed % 2}) as job:
        days = RandomDays(job.folder, seed, largest=1_300_000)
        for _ in range(5):
            days.pass_one(14)
            job.done()
        assert len(job.trees) == 5
        job.all_come_back()
