"""How many files a far disk is asked to sync at a time: by how quickly it did, and never by how long the line is."""

from __future__ import annotations

import pytest

from otherroof.copying.send.sync_pace import FIRST, MOST, MOST_QUICK, TOGETHER, SyncPace

QUICK_S, SLOW_S = 1e-3, 2e-2  # a file: a disk that turns does 50 in a second


class Disk:
    """A disk whose syncs end one after the other, the first of all only after `line_s` seconds."""

    def __init__(self, line_s: float = 0.0) -> None:
        self.pace = SyncPace()
        self._now = 100.0
        self._line_s = line_s

    def syncs(self, files: int, each_s: float) -> SyncPace:
        self.pace.begun(self._now)
        for left in range(files - 1, -1, -1):
            self._now += self._line_s or each_s
            self._line_s = 0.0
            self.pace.ended(1, self._now, more=left > 0)
        return self.pace


def test_a_disk_of_which_nothing_is_known_is_asked_for_few_and_taken_for_one_that_turns() -> None:
    pace = SyncPace()
    assert (pace.quick, pace.turns, pace.most, pace.together(1000)) == (None, True, FIRST, 1)


def test_a_quick_disk_may_be_asked_for_many_and_soon() -> None:
    pace = Disk().syncs(FIRST, QUICK_S)
    assert (pace.quick, pace.turns, pace.most) == (True, False, MOST_QUICK)
    assert [pace.together(waiting) for waiting in (1, 64, 10_000)] == [1, 2, TOGETHER]


def test_a_disk_that_turns_is_asked_for_no_more_than_a_stop_can_wait_for() -> None:
    pace = Disk().syncs(FIRST, SLOW_S)
    assert (pace.quick, pace.turns, pace.most, pace.together(10_000)) == (False, True, MOST, 1)


@pytest.mark.parametrize("line_s", [0.3, 5.0])
def test_what_the_line_takes_is_not_the_disks_time(line_s: float) -> None:
    assert Disk(line_s).syncs(FIRST, QUICK_S).quick


def test_a_disk_is_looked_at_again_and_one_that_was_slow_once_is_not_taken_for_one_that_never_was() -> None:
    disk = Disk()
    assert disk.syncs(FIRST, QUICK_S).quick
    assert not disk.syncs(60, SLOW_S).quick
    pace = disk.syncs(1000, QUICK_S)
    assert (pace.quick, pace.turns) == (True, True)
