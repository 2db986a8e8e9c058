"""How many files a far disk is asked to sync at a time: by how quickly it did, and never by how long the line is."""

from __future__ import annotations

import pytest

from otherroof.copying.send.sync_pace import FIRST, INSTANT, LOOK_AGAIN_S, MOST, MOST_QUICK, TOGETHER, SyncPace

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
    """A card may be quick only until its cache is full. Meanwhile the others go on as before."""
    disk = Disk()
    disk.syncs(FIRST, INSTANT_S)
    disk.now += LOOK_AGAIN_S
    assert at_once(disk, FIRST + 3) == [False] * FIRST + [True] * 3
    disk.syncs(FIRST, INSTANT_S)
    assert at_once(disk, 3) == [True] * 3
    disk.now += LOOK_AGAIN_S
    at_once(disk, FIRST)
    disk.syncs(FIRST, SLOW_S)
    assert (disk.pace.instant, disk.pace.turns, at_once(disk, 3)) == (False, True, [False] * 3)
    disk.now += LOOK_AGAIN_S
    disk.syncs(1000, INSTANT_S)
    assert at_once(disk, 3) == [False] * 3, "a disk that was slow once may be so again"


def test_a_look_that_comes_to_nothing_is_begun_anew() -> None:
    """Its files may have been refused."""
    disk = Disk()
    disk.syncs(FIRST, INSTANT_S)
    for _ in range(3):
        disk.now += LOOK_AGAIN_S
        assert at_once(disk, FIRST + 1) == [False] * FIRST + [True]


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
