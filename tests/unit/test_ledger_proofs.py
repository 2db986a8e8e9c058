"""What the ledger keeps of proofs: each as a whole, and for a million files the day of each one's last."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.ledger import Ledger
from otherroof.ledger.far_findings import DamagedFile
from otherroof.ledger.proofs import KEPT_DAYS, NEVER, ProofRow, day_number, moment_of_day

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

NOW = datetime(2031, 4, 5, 3, 0, tzinfo=UTC)
TODAY = day_number(NOW)
NAMES = [b"latest/a", b"latest/deep/\xff\n", b"earlier/2031-04-05T013000Z-0001/a"]


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(str(tmp_path / "state" / "ledger.sqlite")) as made:
        yield made


def test_a_day_is_kept_for_each_file_and_way_of_reading(ledger: Ledger) -> None:
    ledger.proved.note("papers", NAMES[:2], TODAY)
    ledger.proved.note("papers", NAMES[1:], TODAY - 3, by_word=True)
    line, word = ledger.proved.days("papers"), ledger.proved.days("papers", by_word=True)
    assert [line.day(name) for name in NAMES] == [TODAY, TODAY, NEVER]
    assert [word.day(name) for name in NAMES] == [NEVER, TODAY - 3, TODAY - 3]
    assert ledger.proved.days("photos").day(NAMES[0]) == NEVER
    ledger.proved.forget("papers", NAMES[1])
    assert ledger.proved.days("papers").day(NAMES[1]) == NEVER
    assert ledger.proved.days("papers", by_word=True).day(NAMES[1]) == NEVER
    assert ledger.proved.days("papers").day(NAMES[0]) == TODAY


def test_what_is_noted_again_has_its_newest_day_and_what_is_very_old_is_forgotten(ledger: Ledger) -> None:
    ledger.proved.note("papers", NAMES, TODAY)
    ledger.proved.note("papers", NAMES[:1], TODAY + 5)
    assert [ledger.proved.days("papers").day(name) for name in NAMES] == [TODAY + 5, TODAY, TODAY]
    ledger.proved.note("papers", NAMES[:1], TODAY + 5 + KEPT_DAYS)
    many = [b"%d" % number for number in range(200_000)]  # so that every row is written
    ledger.proved.note("papers", many, TODAY + KEPT_DAYS + 1)
    assert ledger.proved.days("papers").day(NAMES[1]) == NEVER


@pytest.mark.slow
def test_many_names_keep_days_of_their_own(ledger: Ledger) -> None:
    chance = random.Random(3)
    names = {b"latest/%d" % number: chance.randrange(1, 9_000) for number in range(5_000)}
    for day in set(names.values()):
        ledger.proved.note("papers", [name for name, at in names.items() if at == day], day)
    newest = max(names.values())
    found = ledger.proved.days("papers")
    # Whatever is so old may have gone with a row that was written since.
    assert all(found.day(name) == at for name, at in names.items() if at + KEPT_DAYS >= newest)


@given(st.datetimes(datetime(2001, 1, 1), datetime(2178, 1, 1), timezones=st.just(UTC)))
def test_a_days_number_is_that_of_its_beginning(moment: datetime) -> None:
    begun = moment_of_day(day_number(moment))
    assert begun <= moment < begun + timedelta(days=1)


@pytest.mark.slow
def test_a_million_files_take_less_than_forty_megabytes(tmp_path: Path) -> None:
    # Both ways of reading, which is the most there can be; a tenth of a million tells it.
    path = str(tmp_path / "ledger.sqlite")
    with Ledger(path) as ledger:
        names = [b"latest/folder %d/file %d" % (number % 900, number) for number in range(100_000)]
        ledger.proved.note("papers", names, TODAY)
        before = _size(path)
        ledger.proved.note("papers", names, TODAY, by_word=True)
    assert _size(path) * 10 <= 40_000_000
    assert before < _size(path)


def _size(path: str) -> int:
    return sum(os.path.getsize(path + end) for end in ("",) if os.path.exists(path + end))


def test_a_proof_is_told_as_it_ended_and_counts_on_the_wire_before(ledger: Ledger) -> None:
    row = ProofRow("papers", "heron", NOW)
    number = ledger.proofs.begin(row)
    ledger.proofs.note_wire(number, 10, 200)
    assert ledger.proofs.of("papers") == []
    assert ledger.proofs.wire_bytes_since("heron", NOW) == 210
    row.ended, row.files, row.size, row.drawn, row.population = NOW + timedelta(hours=1), 5, 1_000, 3, 90
    row.damaged, row.healed, row.never, row.since = 2, 1, 85, NOW - timedelta(days=9)
    row.wire_up, row.wire_down = 40, 2_000
    ledger.proofs.end(number, row)
    assert ledger.proofs.of("papers") == [row]
    assert ledger.proofs.of("papers", since=NOW + timedelta(seconds=1)) == []
    assert ledger.proofs.wire_bytes_since("heron", NOW) == 2_040
    assert ledger.proofs.wire_bytes_since("wren", NOW) == 0
    assert ledger.proofs.wire_bytes_since("heron", NOW + timedelta(seconds=1)) == 0


def test_damage_keeps_its_first_date_and_learns_the_paths_bytes(ledger: Ledger) -> None:
    run = "2031-04-05T013000Z-0001"
    ledger.damages.note([DamagedFile("papers", "a", run, NOW, "first")])
    ledger.damages.note([DamagedFile("papers", "a", run, NOW + timedelta(days=1), "again", b"a", True)])
    assert ledger.damages.of("papers") == [DamagedFile("papers", "a", run, NOW, "first", b"a", True)]
    ledger.damages.left_newest("papers")
    assert ledger.damages.of("papers") == [DamagedFile("papers", "a", run, NOW, "first", b"a", False)]
    ledger.damages.settle_in("papers", "2031-04-06T013000Z-0001", ["a"])
    assert ledger.damages.of("papers")
    ledger.damages.settle_in("papers", run, ["a"])
    assert ledger.damages.of("papers") == []


def test_a_packed_row_that_lost_a_byte_is_no_sound_ledger(ledger: Ledger) -> None:
    from otherroof.ledger.soundness import is_sound

    ledger.proved.note("papers", NAMES, TODAY)
    assert is_sound(ledger.file.db, ledger.file.path)
    ledger.file.db.execute("UPDATE proved SET line = substr(line, 2) WHERE length(line) > 0")
    assert not is_sound(ledger.file.db, ledger.file.path)
