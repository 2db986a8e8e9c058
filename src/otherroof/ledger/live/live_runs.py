"""Which runs are under way at this moment, and how far they are: a file and a lock for each job in the state folder.

A run holds its lock from before it is in the history until its end stands there, so the kernel says whether it lives:
nothing is guessed from how old a file is. The file is written aside and renamed, and not synced: after a power cut
nobody wants it.

    V1  the run leaves its first word, then takes the lock: what is read under a held lock is of the run that holds it
    V2  it replaces that word now and then
    V3  it leaves its end, then gives the lock back

The ends stand in a file of their own, the newest few of them: the next run may begin at once, and whoever waits for
this one's end looks only twice a second.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator

from otherroof.base.atomic_file import make_own_folder
from otherroof.base.clock import SystemClock
from otherroof.base.errors import HomeTrouble
from otherroof.base.locks import FileLock, LockNote, Patience, is_held
from otherroof.ledger.live.live_run import EndedRun, LiveRun, ends_text, live_text, read_ends, read_live
from otherroof.ledger.live.small_file import read_small, remove_small, write_small

FOLDER = "under-way"
ASKED_S = 2.0  # whoever looks has a share of the lock for an instant


class LiveRuns:
    """The runs under way of one state folder. Safe for several processes; of each job one run at a time."""

    def __init__(self, state: str) -> None:
        self.folder = os.path.join(state, FOLDER)
        self._clock = SystemClock()  # how long to wait for a lock, and nothing that is decided

    def of(self, job: str) -> LiveRun | None:
        """The run of `job` under way; None if there is none. Raises HomeTrouble if that cannot be looked at."""
        if not is_held(self._path(job, "lock")):
            return None
        found = self._word(job)
        if found is None:
            # It lives, and could not write: the disk is full, say.
            now = self._clock.now()
            return LiveRun("", job, "", "hand", 0, now, now)
        # One that has left its end gives the lock back in this moment.
        return found if self.ended(job, found.token) is None else None

    def ended(self, job: str, token: str) -> EndedRun | None:
        """How the run of `job` with this token, or that came of the wish with it, ended; None if it has not, was
        killed, or ended some runs ago. Raises HomeTrouble."""
        ends = read_ends(self._ends(job))
        return next((one for one in reversed(ends) if token and token in (one.token, one.wish)), None)

    def is_known(self, job: str, token: str) -> bool:
        """Whether the run of `job` with this token, or that came of the wish with it, has left any word. Raises
        HomeTrouble."""
        found = self._word(job)
        return (found is not None and token in (found.token, found.wish)) or self.ended(job, token) is not None

    @contextlib.contextmanager
    def held(self, first: LiveRun) -> Iterator[str]:
        """V1. While inside, this run is under way. The caller holds the job's lock. Gives why its first word could not
        be written, empty if it was. Raises HomeTrouble if the lock cannot be taken."""
        make_own_folder(self.folder)
        trouble = ""
        try:
            self.write(first)
        except HomeTrouble as problem:
            trouble = str(problem)
            # Also on a full disk: else the word of the run before would be taken for this one's.
            remove_small(self._path(first.job, "json"))
        note = LockNote("a run of this job is under way", first.job, "wait for it to end")
        with FileLock(self._path(first.job, "lock"), self._clock, note).alone(Patience(ASKED_S)):
            yield trouble

    def write(self, run: LiveRun) -> None:
        """V2. How far it is now. Raises HomeTrouble."""
        write_small(self._path(run.job, "json"), live_text(run))

    def write_end(self, ended: EndedRun) -> None:
        """V3. How it ended. Raises HomeTrouble."""
        job = ended.report.job
        write_small(self._path(job, "ends"), ends_text(self._ends(job), ended))

    def _word(self, job: str) -> LiveRun | None:
        """What the run of `job` that is under way says of itself, or the last one said."""
        return read_live(read_small(self._path(job, "json")) or b"")

    def _ends(self, job: str) -> bytes:
        return read_small(self._path(job, "ends")) or b""

    def _path(self, job: str, ending: str) -> str:
        return os.path.join(self.folder, f"{job}.{ending}")
