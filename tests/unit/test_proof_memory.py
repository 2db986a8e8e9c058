"""What one proof remembers for the next: days of far files, as long as they are as they should be."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.jobs.proof_memory import LedgerMemory
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import FarDamage

JOB, RUN = "papers", "2031-04-05T013000Z-0001"
NOW = datetime(2031, 4, 5, 3, 0, tzinfo=UTC)
NOTE, BILL = b"latest/note", b"latest/bill"


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(str(tmp_path / "ledger.sqlite")) as made:
        yield made


def test_a_damaged_file_was_proved_on_no_earlier_day(ledger: Ledger) -> None:
    clock = SteppedClock(NOW)
    first = LedgerMemory(ledger, JOB, clock)
    for name in (NOTE, BILL):
        first.proved(name)
    first.flush()
    clock.step(timedelta(days=3).total_seconds())
    memory = LedgerMemory(ledger, JOB, clock)
    assert [memory.day(name) for name in (NOTE, BILL)] == [first.today, first.today]
    memory.proved_by_word(NOTE, clock.now())
    memory.damaged(FarDamage(b"note", RUN, "its content is not what the listing says", NOTE))
    memory.forget(BILL)
    for later in (memory, LedgerMemory(ledger, JOB, clock)):
        later.flush()
        assert [later.day(name) for name in (NOTE, BILL)] == [0, 0]
    assert ledger.proved.days(JOB, by_word=True).day(NOTE) == 0
    assert [mark.path for mark in ledger.damages.of(JOB)] == ["note"]


def test_damage_of_a_listing_forgets_nothing_else(ledger: Ledger) -> None:
    memory = LedgerMemory(ledger, JOB, SteppedClock(NOW))
    memory.proved(NOTE)
    memory.damaged(FarDamage(b"note", RUN, "it is not kept", b""))
    assert memory.day(NOTE) == memory.today


def test_the_far_boxs_own_word_is_no_proof_over_the_line(ledger: Ledger) -> None:
    memory = LedgerMemory(ledger, JOB, SteppedClock(NOW))
    memory.proved_by_word(NOTE, NOW)
    memory.flush()
    assert memory.day(NOTE) == 0
    assert ledger.proved.days(JOB, by_word=True).day(NOTE) == memory.today


def test_a_run_learns_by_its_bytes_which_file_of_the_newest_copy_is_damaged(ledger: Ledger) -> None:
    memory = LedgerMemory(ledger, JOB, SteppedClock(NOW))
    for in_newest in (True, False):
        memory.damaged(FarDamage(b"n\xffte", RUN, "rot", NOTE, in_newest=in_newest))
        (mark,) = ledger.damages.of(JOB)
        assert (mark.name, mark.in_newest) == (b"n\xffte", in_newest)
