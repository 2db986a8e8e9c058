"""How many files a far disk is asked to sync at a time: by how quickly it did, and never by how long the line is."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.copying.send.far_syncs import FarSyncs
from otherroof.copying.send.landed import LandedFiles
from otherroof.copying.send.sync_pace import FIRST, INSTANT, LOOK_AGAIN_S, MOST, MOST_QUICK, TOGETHER, SyncPace
from otherroof.copying.send.under_way import RELEASE_AT
from otherroof.far.place import TaskResult

INSTANT_S, QUICK_S, SLOW_S = 1e-4, 3e-3, 2e-2  # a file: a disk that turns does 50 in a second


class Disk:
    """A disk whose syncs end one after the other, the first of all only after `line_s` seconds."""

    def __init__(self, line_s: float = 0.0) -> None:
        self.pace = SyncPace()
        self.now = 100.0
        self._line_s = line_s

    def syncs(self, files: int, each_s: float, once_s: float = 0.0) -> SyncPace:
        """`once_s`: one of them, in the middle, takes so much longer."""
        self.pace.begun(self.now)
        for left in range(files - 1, -1, -1):
            self.now += self._line_s or each_s + once_s * (left == files // 2)
            self._line_s = 0.0
            self.pace.ended(1, self.now, more=left > 0)
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


# -- a disk that syncs in no time --


def at_once(disk: Disk, files: int) -> list[bool]:
    return [disk.pace.takes_next_at_once(disk.now) for _ in range(files)]


@pytest.mark.parametrize(
    ("each_s", "instant"), [(INSTANT_S, True), (0.99 / INSTANT, True), (1.01 / INSTANT, False), (SLOW_S, False)]
)
def test_only_a_disk_that_syncs_in_no_time_syncs_each_file_as_it_comes(each_s: float, instant: bool) -> None:
    disk = Disk()
    assert at_once(disk, 3) == [False] * 3, "nothing is known of it yet"
    disk.syncs(FIRST, each_s)
    assert (disk.pace.instant, at_once(disk, 3)) == (instant, [instant] * 3)


def test_it_is_looked_at_again_now_and_then_by_a_few_files_that_come_without_a_sync() -> None:
    """A card may be quick only until its cache is full."""
    disk = Disk()
    disk.syncs(FIRST, INSTANT_S)
    disk.now += LOOK_AGAIN_S
    assert at_once(disk, FIRST + 3) == [False] * (FIRST + 3), "none before it is known what came of the look"
    disk.syncs(FIRST, INSTANT_S)
    assert at_once(disk, 3) == [True] * 3
    disk.now += LOOK_AGAIN_S
    at_once(disk, FIRST)
    disk.syncs(FIRST, SLOW_S)
    assert (disk.pace.instant, disk.pace.turns, at_once(disk, 3)) == (False, True, [False] * 3)
    disk.now += LOOK_AGAIN_S
    disk.syncs(1000, INSTANT_S)
    assert at_once(disk, 3) == [False] * 3, "a disk that was slow once may be so again"


def test_a_look_whose_files_were_refused_goes_on_with_those_that_come_next() -> None:
    disk = Disk()
    disk.syncs(FIRST, INSTANT_S)
    disk.now += LOOK_AGAIN_S
    assert at_once(disk, FIRST) == [False] * FIRST
    disk.syncs(FIRST // 2, INSTANT_S)
    disk.now += LOOK_AGAIN_S
    assert at_once(disk, FIRST) == [False] * FIRST
    disk.syncs(FIRST // 2, INSTANT_S)
    assert at_once(disk, 3) == [True] * 3


def test_one_long_wait_among_short_ones_is_looked_at_again_and_believed_the_second_time() -> None:
    """It may have been this machine's. A disk that was taken for slow for it stayed that for the whole run."""
    disk = Disk()
    assert disk.syncs(FIRST, INSTANT_S, once_s=0.3).quick is None
    pace = disk.syncs(FIRST, INSTANT_S)
    assert (pace.quick, pace.turns, pace.instant) == (True, False, True)
    disk = Disk()
    disk.syncs(FIRST, INSTANT_S, once_s=0.3)
    pace = disk.syncs(FIRST, INSTANT_S, once_s=0.3)
    assert (pace.quick, pace.turns, pace.instant) == (False, True, False)


class WholeDisk:
    """A disk that is synced as a whole: what has nothing new to write is done in no time. `each_s` is a sync's time."""

    def __init__(self) -> None:
        self.clock, self.each_s, self.dirty = SteppedClock(datetime(2031, 4, 5, 1, 30, tzinfo=UTC)), INSTANT_S, False
        place = SimpleNamespace(offers=SimpleNamespace(sync=True))
        writer: Any = SimpleNamespace(place=place, waits_for_commit=False, make_durable=lambda _paths: None)
        writer.keep_mark_fresh = lambda: None
        plan: Any = SimpleNamespace(note_durable=lambda _batch: None)
        self.syncs = FarSyncs(LandedFiles(self.clock), plan, writer, self.clock)

    def sync(self) -> None:
        self.clock.sleep(self.each_s if self.dirty else 0.0)
        self.dirty = False

    def brings(self, files: int) -> int:
        """Bring some files, as many at a time as a run writes down together; answers how many were synced as they
        came."""
        at_once = 0
        for number in range(files):
            took, self.dirty = self.syncs.takes_next_at_once(), True
            if took:
                at_once += 1
                self.sync()
            else:
                self.syncs.note_landed(b"%d" % number)
            if number % RELEASE_AT == 0:
                self.syncs_due()
        return at_once

    def syncs_due(self, *, at_once: bool = False) -> None:
        for task in self.syncs.due_tasks(at_once=at_once):
            self.sync()
            self.syncs.ended(TaskResult(task.key))


def test_a_disk_that_is_synced_as_a_whole_is_found_out_when_it_turns_slow() -> None:
    """What is looked at must not have been made durable along with a file that came after it."""
    disk = WholeDisk()
    disk.brings(100)
    disk.syncs_due(at_once=True)
    assert disk.brings(100) == 100
    disk.each_s = 0.05
    disk.clock.sleep(LOOK_AGAIN_S)
    disk.brings(100)
    assert (disk.syncs.instant, disk.brings(100)) == (False, 0)
