"""How many files a far disk is asked to sync at a time, and how soon, by how quickly it does: a disk that turns wants
few and late, any other takes hundreds a second and may be asked at once, the quickest for each file as it comes.

Pure: seconds and files in, verdicts out. Knows neither place nor notes.
"""

from __future__ import annotations

# The first so many are asked for by a script each, to see how far apart a disk's answers are; how long the line is does
# not count then.
FIRST = 8  # files
QUICK = 200  # files a second; one that turns takes a quarter of that on one channel, of files that came just now
LOOK_S = 0.5  # over which it is seen whether that still holds
# From so many a second on, a sync holds up a channel less than the three requests of one that comes later.
INSTANT = 1000  # files a second
LOOK_AGAIN_S = 10.0  # a card or a cheap drive may be that quick only until its cache is full
# What the place's further channels can work on at a time: 16 on each. More would wait in its queue, where a stop finds
# it too late.
MOST = 256  # files
MOST_QUICK = 1024
# A script for each file costs more than the three requests that are in it, but a disk that turns wants files spread
# over as many channels as there are.
TOGETHER = 16  # files in one script
SPREAD = 32  # scripts at least


class SyncPace:
    """The pace of one connection's syncs. `quick`: whether the disk takes many a second just now; None at first, and
    while that is looked at again.

    `instant`: it was so quick when it was last looked at that each file may be synced as it comes.
    """

    def __init__(self) -> None:
        self.quick: bool | None = None
        self.instant = False
        self._look_at = 0.0  # when it is looked at again; matters only while it is `instant`
        self._was_slow = False
        self._at: float | None = None  # up to when time is counted; None while nothing is under way
        self._begin_count()
        self._doubted = False  # one long wait has put a first verdict off; the next one holds

    def _begin_count(self, *, goes_on: bool = False) -> None:
        self._counts = goes_on  # not up to the first end of all: before it, the line was waited for
        self._busy_s = 0.0
        self._longest_s = 0.0  # between two ends
        self._ended = 0

    @property
    def turns(self) -> bool:
        """Whether this is a disk that turns, as far as is known: one that was ever seen to take few is, and any until
        the verdict that is due."""
        return self._was_slow or self.quick is None

    def begun(self, now: float) -> None:
        """Syncs are under way from now on."""
        if self._at is None:
            self._at = now

    def ended(self, files: int, now: float, *, more: bool) -> None:
        """The syncs of so many files have ended; `more` are under way."""
        if self._counts and self._at is not None:
            self._busy_s += now - self._at
            self._longest_s = max(self._longest_s, now - self._at)
            self._ended += files
        self._counts, self._at = True, now if more else None
        if self._ended + 1 >= FIRST if self.quick is None else self._busy_s >= LOOK_S:
            self._judge(now)

    def _judge(self, now: float) -> None:
        quick = self._ended >= QUICK * self._busy_s
        # A disk that turns is slow each time. One long wait among short ones may be this machine's, or the line's: then
        # the next few are looked at as well, once.
        one_wait = not quick and self._ended - 1 >= QUICK * (self._busy_s - self._longest_s)
        if self.quick is None and one_wait and not self._doubted:
            self._doubted = True
        else:
            self.quick = quick
            self._was_slow = self._was_slow or not quick
            self.instant = not self._was_slow and self._ended >= INSTANT * self._busy_s
            self._look_at = now + LOOK_AGAIN_S
        self._begin_count(goes_on=self.quick is not None)

    def takes_next_at_once(self, now: float) -> bool:
        """Whether the next file may be synced as it comes. Now and then some are not, to look at the disk again."""
        # None is until it is known what came of the look: if one sync takes along all that was written before it, as on
        # a disk that is synced as a whole, the files that are looked at would be durable already.
        if self.instant and self.quick is not None and now >= self._look_at:
            self.quick, self._doubted = None, False
            self._begin_count()
        return self.instant and self.quick is not None

    @property
    def most(self) -> int:
        """How many files may be under way."""
        return FIRST if self.quick is None else MOST_QUICK if self.quick else MOST

    def together(self, waiting: int) -> int:
        """How many of those that wait go into one script."""
        return max(1, min(TOGETHER, waiting // SPREAD)) if self.quick else 1
