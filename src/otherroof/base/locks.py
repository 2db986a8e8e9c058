"""Locks on files (flock): held by one alone, or shared by many. The kernel lets go of a lock however its process ends,
so nothing stale is left behind and nobody has to remember who died.

Ground floor: it must not know what a lock is for; that is handed in as words for whoever comes second.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, tzinfo

from otherroof.base.atomic_file import create_file, make_own_folder
from otherroof.base.clock import Clock, from_stamp, stamp
from otherroof.base.errors import Busy, HomeTrouble
from otherroof.base.handles import require_plain
from otherroof.base.local_time import moment_text
from otherroof.base.units import span_text

ADVICE = "check that the state folder belongs to this account and that its disk is not full"
# Tried again soon at first, for what takes an instant, and less often for what takes hours.
STEP_S, LONGEST_STEP_S = 0.02, 0.5


@dataclass(frozen=True, slots=True)
class LockNote:
    """The message to whoever comes second: what is under way, where, what to do. `name` is what this holder itself is
    at, for the same message; times are told in `zone`."""

    what: str
    where: str
    advice: str
    name: str = ""
    zone: tzinfo = UTC


def _nothing(_: str = "") -> None:
    """Nobody asks, nobody is told."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How to wait for a lock: at most `seconds`; `told` is called once with who holds it, `check` is called repeatedly
    and may raise to end the wait."""

    seconds: float = 0.0
    told: Callable[[str], None] = _nothing
    check: Callable[[], None] = _nothing


AT_ONCE = Patience()


def is_held(path: str) -> bool:
    """Whether somebody holds the lock file `path` alone. Asked by taking a share for an instant, so whoever wants to be
    alone must be ready to wait a little. Raises HomeTrouble."""
    try:
        # Nothing is made or followed here, and a pipe in the file's place is not waited for.
        file = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    except OSError as problem:
        raise HomeTrouble(f"cannot be looked at: {problem.strerror}", where=path, advice=ADVICE) from problem
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError as problem:
        raise HomeTrouble(f"cannot be looked at: {problem.strerror}", where=path, advice=ADVICE) from problem
    finally:
        os.close(file)
    return False


class FileLock:
    """One opening of a lock file, by which the lock is held.

    A lock belongs to the opening, not to the process (flock(2)): two of these exclude each other, or share, in whatever
    thread or process they are. Whoever waits in vain gets Busy, which names the process that holds the lock alone and
    since when; HomeTrouble is raised if the file cannot be used.
    """

    def __init__(self, path: str, clock: Clock, note: LockNote) -> None:
        self._path = path
        self._clock = clock
        self._note = note
        self._file = -1
        self._alone = False

    def hold(self, patience: Patience = AT_ONCE) -> None:
        """Hold the lock alone, until `release`."""
        self._obtain(fcntl.LOCK_EX, patience)

    def share(self, patience: Patience = AT_ONCE) -> None:
        """Hold a share of the lock, until `release`; only one who holds it alone stands in the way."""
        self._obtain(fcntl.LOCK_SH, patience)

    def try_alone(self) -> bool:
        """Hold the lock alone, if nobody else holds it or a share of it. If the answer is no, nothing is held any more,
        not even the share that was: flock gives that up first and asks then."""
        self._open()
        if self._taken(fcntl.LOCK_EX):
            return True
        self.release()
        return False

    @contextlib.contextmanager
    def alone(self, patience: Patience = AT_ONCE) -> Iterator[None]:
        """Hold the lock alone while inside."""
        self.hold(patience)
        try:
            yield
        finally:
            self.release()

    def release(self) -> None:
        """Hold nothing any more; it may be so already. The file stays: if it were removed, a third process could lock a
        new file of that name."""
        file, self._file = self._file, -1
        if file < 0:
            return
        if self._alone:
            # While it is still held, so that nobody reads the name of a holder who has gone.
            self._sign(file, "")
        self._alone = False
        # Not only closed: a program that is just being started may have the same opening for an instant.
        fcntl.flock(file, fcntl.LOCK_UN)
        os.close(file)

    def _obtain(self, kind: int, patience: Patience) -> None:
        self._open()
        try:
            self._wait(kind, patience)
        except BaseException:
            self.release()
            raise

    # Asked again and again, because flock(2) itself can only wait for ever: a signal would have to end it, and signals
    # reach the main thread alone.
    def _wait(self, kind: int, patience: Patience) -> None:
        until, step = self._clock.monotonic() + patience.seconds, STEP_S
        while not self._taken(kind):
            if self._clock.monotonic() >= until:
                raise Busy(self._under_way(), where=self._note.where, advice=self._note.advice)
            # The first round alone: whoever waits is told once.
            if step == STEP_S:
                longest = span_text(patience.seconds)
                patience.told(f"{self._note.where} waits up to {longest}: {self._under_way()}")
            patience.check()
            self._clock.sleep(step)
            step = min(step * 2, LONGEST_STEP_S)

    def _open(self) -> None:
        if self._file >= 0:
            return
        make_own_folder(os.path.dirname(self._path), advice=ADVICE)
        # `lexists` also sees a link that leads nowhere; opening it fails below, and says so. Two who come at the same
        # moment both open the one file: `create_file` never replaces what stands.
        if not os.path.lexists(self._path):
            create_file(self._path, "", own=True, advice=ADVICE)
        try:
            # No link is followed, and no pipe waited for: other processes of this account may put things here too.
            file = os.open(self._path, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
            try:
                require_plain(file)
            except OSError:
                os.close(file)
                raise
        except OSError as problem:
            raise self._translated(problem) from problem
        self._file = file

    def _taken(self, kind: int) -> bool:
        try:
            # Who holds a share already and asks to be alone has it turned into that lock, but not in one step: the
            # share is given up first, and another may come between (flock(2)).
            fcntl.flock(self._file, kind | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError as problem:
            raise self._translated(problem) from problem
        # Only one who is alone signs: many may share, and the file has room for one name.
        self._alone = kind == fcntl.LOCK_EX
        if self._alone:
            self._sign(self._file, f"{os.getpid()} {stamp(self._clock.now())} {self._note.name}\n")
        return True

    @staticmethod
    def _sign(file: int, words: str) -> None:
        """Who holds it is told to others as a courtesy; on a full disk the lock holds all the same."""
        with contextlib.suppress(OSError):
            os.ftruncate(file, 0)
            os.pwrite(file, words.encode(), 0)

    def _under_way(self) -> str:
        words = os.pread(self._file, 200, 0).decode("ascii", "replace").split()
        try:
            pid, since, *name = words
            when = moment_text(from_stamp(since), self._note.zone)
        except ValueError:  # it holds the lock and has not yet written who it is
            return f"{self._note.what}: a process that has only just begun"
        return f"{self._note.what}: {', '.join([*name, f'process {pid}', f'since {when}'])}"

    def _translated(self, problem: OSError) -> HomeTrouble:
        return HomeTrouble(f"cannot be locked: {problem.strerror}", where=self._path, advice=ADVICE)
