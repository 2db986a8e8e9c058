"""What a household is told of proofs, from rows as the ledger keeps them: what was read, and what was damaged."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from otherroof.ledger.proofs import ProofRow
from otherroof.settings import Job, require_settings
from otherroof.watch.proved import proved_text
from support.household import write_household

ZONE = ZoneInfo("America/St_Johns")
SINCE = datetime(2031, 1, 6, 12, 0, tzinfo=UTC)
READ = ProofRow("photos", "heron", datetime(2031, 3, 6, 12, 0, tzinfo=UTC), files=40, since=SINCE)


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return require_settings(write_household(tmp_path)).jobs["photos"]


def test_files_that_were_never_read_back_are_told_and_no_day_since_which_all_were(job: Job) -> None:
    assert proved_text([READ], job, ZONE) == "all read back since 6 January 2031"
    said = proved_text([replace(READ, never=1200)], job, ZONE)
    assert said == "1,200 files of the newest version not read back yet"


def test_what_the_sample_found_damaged_stands_in_what_it_allows_to_say(job: Job) -> None:
    sample = replace(READ, drawn=100, population=5000)
    whole, damaged = proved_text([sample], job, ZONE), proved_text([replace(sample, drawn_damaged=3)], job, ZONE)
    assert whole != damaged
    assert "3 damaged in 100 of 5,000 files" in damaged


def test_files_that_no_night_has_room_for_are_told_with_what_reads_them(job: Job) -> None:
    row = replace(READ, to_read=900_000_000, too_large=2, largest=700_000_000)
    said = proved_text([row], job, ZONE)
    assert "2 files of up to 700 MB are never read by night: `otherroof prove photos --all` reads everything" in said
