"""One tunnel for many: threads and processes on the same state folder share it, and the last one takes it down.

The book (`usage`) is changed under a lock, which is let go before anything is brought up or down. It must not know
what is copied over the tunnel, nor write in the ledger: it tells what belongs there.
"""

from __future__ import annotations

import itertools
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from otherroof.base.atomic_file import FOR_OWNER, replace_file
from otherroof.base.clock import Clock
from otherroof.base.errors import OtherroofError, TunnelTrouble
from otherroof.tunnel import usage
from otherroof.tunnel.marks import boot_id, locked, read_text
from otherroof.tunnel.port import Tunnel, TunnelState
from otherroof.tunnel.usage import Book, Do, User

T = TypeVar("T")
POLL_S = 0.2
_numbers = itertools.count()


@dataclass(frozen=True, slots=True)
class ClosedTunnel:
    """A tunnel that was taken down: the ledger's session number (0 if none was noted) and bytes each way in it, None
    if this kind of tunnel does not count."""

    session: int
    sent: int | None
    received: int | None


def new_user() -> User:
    """A use of its own, by this process."""
    pid = os.getpid()
    return User(pid, _started(pid), f"{threading.get_ident():x}-{next(_numbers)}")


def is_alive(user: User) -> bool:
    """Whether the process behind a use still runs."""
    return _started(user.pid) == user.started != 0


def _started(pid: int) -> int:
    """When a process started, in clock ticks after boot (proc_pid_stat(5), field 22); 0 if it is gone or a zombie."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:
            fields = file.read().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return 0
    return 0 if fields[0] in "ZX" else int(fields[19])


class SharedTunnel:
    """A tunnel with the book of its users. Several of these on the same `path` act as one.

    `path` is where the book lies, without an ending. With `stay_up` the tunnel is never taken down here; else it goes
    when nobody uses it: at once, or `linger_s` seconds later if somebody sweeps.
    """

    def __init__(self, tunnel: Tunnel, path: str, clock: Clock, *, stay_up: bool, linger_s: float) -> None:
        self.tunnel = tunnel
        self._path = path
        self._clock = clock
        self._stay_up = stay_up
        self._linger_s = linger_s

    def take(self, me: User, wait_s: float) -> TunnelState:
        """Use the tunnel: it is up when this returns. Raises TunnelTrouble; nothing is held then.

        `wait_s`: for how long another who is just bringing it up or taking it down is waited for.
        """
        until = self._clock.monotonic() + wait_s
        do = self._book(lambda book: usage.take(book, me, is_alive))
        while True:
            if do is Do.RAISE:
                return self._raise(me)
            if do is Do.NOTHING:
                state = self.tunnel.state()
                if state.up:
                    return self._shut_again(state)
                do = self._book(lambda book: usage.found_down(book, me, is_alive))
                continue
            if self._clock.monotonic() > until:
                self._book(lambda book: usage.leave(book, me, is_alive, now=0.0, keep=True))
                raise TunnelTrouble(
                    f"another process has been bringing it up or down for {wait_s:g} s",
                    where=self.tunnel.name,
                    advice="see what it waits for, or end it",
                )
            self._clock.sleep(POLL_S)
            do = self._book(lambda book: usage.take(book, me, is_alive))

    def leave(self, me: User, *, linger: bool) -> ClosedTunnel | None:
        """Use it no more. The last one takes it down, unless it is to stay up, or to linger until it is swept.

        Returns what belongs in the ledger if it was taken down. Raises TunnelTrouble if it could not be.
        """
        keep = self._stay_up or (linger and self._linger_s > 0)
        now = self._clock.now().timestamp()
        do = self._book(lambda book: usage.leave(book, me, is_alive, now=now, keep=keep))
        return self._sink() if do is Do.SINK else None

    def sweep(self, me: User, *, at_once: bool = False) -> ClosedTunnel | None:
        """Take it down if nobody has used it for `linger_s`; to be called from time to time.

        `at_once`: without waiting `linger_s`, since nobody will sweep any more.
        """
        if self._stay_up:
            return None
        now, linger_s = self._clock.now().timestamp(), 0.0 if at_once else self._linger_s
        do = self._book(lambda book: usage.sweep(book, me, is_alive, now=now, linger_s=linger_s))
        return self._sink() if do is Do.SINK else None

    def session(self) -> int:
        """The ledger's number for the time that the tunnel is up; 0 if none is noted."""
        return self._book(lambda book: book.session)

    def note_session(self, session: int) -> None:
        """Remember the ledger's number for whoever takes the tunnel down."""

        def note(book: Book) -> None:
            book.session = session

        self._book(note)

    def _raise(self, me: User) -> TunnelState:
        try:
            self.tunnel.up()
            state = self._state_up()
        except BaseException:
            try:
                self.tunnel.down()
            finally:
                self._book(lambda book: usage.not_risen(book, me))
            raise
        self._book(lambda book: usage.risen(book, state.sent, state.received))
        return state

    def _shut_again(self, state: TunnelState) -> TunnelState:
        if state.shut is not False:
            return state
        self.tunnel.up()
        return self.tunnel.state()

    def _state_up(self) -> TunnelState:
        state = self.tunnel.state()
        if not state.up:
            raise TunnelTrouble("was brought up, yet is not up", where=self.tunnel.name)
        return state

    def _sink(self) -> ClosedTunnel:
        try:
            state = self._last_look()
            self.tunnel.down()
        except OtherroofError:
            now = self._clock.now().timestamp()
            self._book(lambda book: usage.not_sunk(book, now))
            raise

        def close(book: Book) -> ClosedTunnel:
            session = book.session
            sent, received = max(0, state.sent - book.sent), max(0, state.received - book.received)
            usage.sunk(book)
            return ClosedTunnel(session, sent, received) if state.counted else ClosedTunnel(session, None, None)

        return self._book(close)

    def _last_look(self) -> TunnelState:
        try:
            return self.tunnel.state()
        except TunnelTrouble:
            return TunnelState(up=False)  # only its counters are lost; it is still taken away

    def _book(self, change: Callable[[Book], T]) -> T:
        with locked(self._path + ".lock"):
            before = read_text(self._path + ".json")
            book = usage.from_text(before, boot_id())
            result = change(book)
            after = usage.as_text(book)
            if after != before:
                replace_file(self._path + ".json", after, FOR_OWNER)
        return result
