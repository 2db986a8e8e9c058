"""Which files that have landed are made durable when, and from when on a batch counts as durable."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.copying.send import landed
from otherroof.copying.send.landed import AGE_S, BATCH_S, DueFiles, LandedFiles


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(datetime(2031, 4, 5, tzinfo=UTC))


@pytest.fixture
def files(clock: SteppedClock) -> LandedFiles:
    return LandedFiles(clock)


def test_nothing_is_due_before_the_far_kernel_has_written_it(clock: SteppedClock, files: LandedFiles) -> None:
    files.note(b"a")
    clock.sleep(AGE_S)
    assert files.take_due(10) == [], "the youngest file of its batch is not so old yet"
    clock.sleep(BATCH_S)
    assert files.take_due(10) == [DueFiles(1, [b"a"])]
    assert files.take_due(10) == [], "each is handed out once"


def test_at_the_end_all_is_due_the_oldest_first_and_no_more_than_asked_for(
    clock: SteppedClock, files: LandedFiles
) -> None:
    for name in (b"a", b"b", b"c"):
        files.note(name)
        clock.sleep(BATCH_S * 1.5)
    assert [due.paths for due in files.take_due(2, at_once=True)] == [[b"a"], [b"b"]]
    assert files.waiting == 1
    assert [due.paths for due in files.take_due(2, at_once=True)] == [[b"c"]]


def test_a_batch_is_durable_when_all_of_it_and_all_before_it_is(clock: SteppedClock, files: LandedFiles) -> None:
    first = [files.note(b"a"), files.note(b"b")]
    clock.sleep(BATCH_S * 2)
    second = files.note(b"c")
    assert (first, second) == ([1, 1], 2)
    a, b, c = files.take_due(3, at_once=True)
    files.made_durable(c)
    files.made_durable(a)
    assert files.durable == 0, "b may still be lost"
    files.made_durable(b)
    assert files.durable == 2


def test_a_file_that_lands_after_its_batch_was_synced_is_in_a_new_one(clock: SteppedClock, files: LandedFiles) -> None:
    """Else it would count as durable without a sync."""
    files.note(b"a")
    (a,) = files.take_due(1, at_once=True)
    files.made_durable(a)
    assert files.durable == 1
    assert files.note(b"b") == 2
    assert files.durable == 1


def test_a_file_that_lands_while_its_batch_is_synced_keeps_it_open(clock: SteppedClock, files: LandedFiles) -> None:
    files.note(b"a")
    (a,) = files.take_due(1, at_once=True)
    assert files.note(b"b") == 1
    files.made_durable(a)
    assert files.durable == 0


def test_after_a_broken_connection_numbers_go_on(clock: SteppedClock, files: LandedFiles) -> None:
    """What was not durable is settled by the notes: none of it may pass for durable by a number that is used again."""
    files.note(b"a")
    files.forget()
    assert (files.waiting, files.take_due(9, at_once=True)) == (0, [])
    assert files.note(b"b") == 2


def test_more_than_memory_should_hold_are_due_earlier(
    clock: SteppedClock, files: LandedFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(landed, "MOST_WAITING", 3)
    for number in range(5):
        files.note(b"%d" % number)
    assert [due.paths for due in files.take_due(9)] == [[b"0"], [b"1"]]


def test_files_of_one_batch_are_handed_out_together_and_count_only_with_the_last(
    clock: SteppedClock, files: LandedFiles
) -> None:
    for name in (b"a", b"b", b"c"):
        files.note(name)
    clock.sleep(BATCH_S * 1.5)
    files.note(b"d")
    first, second, third = files.take_due(9, 2, at_once=True)
    assert [due.paths for due in (first, second, third)] == [[b"a", b"b"], [b"c"], [b"d"]], "never of two batches"
    files.made_durable(first)
    assert files.durable == 0
    files.made_durable(second)
    assert files.durable == 1


def test_no_more_files_are_handed_out_together_than_are_asked_for_in_all(files: LandedFiles) -> None:
    for number in range(5):
        files.note(b"%d" % number)
    assert [len(due.paths) for due in files.take_due(3, 2, at_once=True)] == [2, 1]
    assert files.take_due(0, 2, at_once=True) == []
    assert files.waiting == 2
