"""One tunnel for many: threads and processes on the same state folder share it, and the last one takes it down.

Who uses it is known to the kernel alone, by locks (flock) that go with their process, however that ends. In order:

  U1  Whoever wants the tunnel takes a share of `<far>.use`. Only one who is just taking the tunnel down stands in the
      way, and is waited for.
  U2  Then comes its turn: it holds `<far>.turn` alone while it looks and, if the tunnel is not up, brings it up. Others
      who come meanwhile wait here; they find it up, or try it themselves if that failed.
  U3  Whoever leaves asks for `<far>.use` alone in place of its share, without waiting. If that is refused, others have
      a share, its own is gone, and that was all. Of several who leave at the same moment, one gets it.
  U4  Whoever gets it was the last. It takes the tunnel down, or notes since when it lingers, and lets go only then: a
      newcomer waits in U1, and brings the tunnel up again in U2.
  U5  To sweep is to leave without having come: it gets the lock if nobody uses the tunnel, and takes down what has
      lingered for long enough. What killed users left up lingers from the first sweep on that finds it.

What stands is noted in `<far>.json`, which is changed only in one's turn; U4 has its turn too. "Not whole" is noted
before the tunnel is brought up or taken down, so that whoever comes next knows if that was cut short, and does it anew.
No note, or one from before the machine's restart (interfaces are gone then), means that nothing of ours stands.

It must not know what is copied over the tunnel, nor write in the ledger: it tells what belongs there.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import tzinfo

from otherroof.base.clock import Clock
from otherroof.base.errors import Busy, OtherroofError, TunnelTrouble
from otherroof.base.locks import FileLock, LockNote, Patience
from otherroof.tunnel.marks import boot_id, read_text, remove, write_text
from otherroof.tunnel.port import Tunnel, TunnelState

NOTE_S = 60.0  # for how long another's turn is waited for, only to note something


@dataclass(frozen=True, slots=True)
class EndedSession:
    """A tunnel that was taken down: the ledger's session number (0 if none was noted) and bytes each way in it, None
    if this kind of tunnel does not count."""

    session: int
    sent: int | None
    received: int | None


@dataclass(frozen=True, slots=True)
class TunnelNote:
    """What is noted of a tunnel that stands: whether it is up as a whole, the ledger's session for this time (0: none
    yet), the counters at its beginning, and the Unix time since which nobody uses it (None while somebody may)."""

    whole: bool
    session: int = 0
    sent: int = 0
    received: int = 0
    idle_at: float | None = None


class SharedTunnel:
    """One use of a tunnel, from `take` to `leave`. Several of these on the same `path` act as one.

    `path` is where the files named above lie, without an ending. With `stay_up` the tunnel is never taken down here;
    else it goes when nobody uses it: at once, or `linger_s` seconds later if somebody sweeps. Everything that
    touches the tunnel raises TunnelTrouble, and HomeTrouble if the state folder cannot be used.
    """

    def __init__(
        self, tunnel: Tunnel, path: str, clock: Clock, zone: tzinfo, *, stay_up: bool, linger_s: float
    ) -> None:
        self.tunnel = tunnel
        self._path = path
        self._clock = clock
        what = "another process is bringing it up or taking it down"
        self._lock_note = LockNote(what, tunnel.name, "see what it waits for, or end it", zone=zone)
        self._use = self._lock("use")
        self._stay_up = stay_up
        self._linger_s = linger_s

    def take(self, wait_s: float) -> TunnelState:
        """U1, U2: use the tunnel: it is up when this returns. If this raises, nothing is held.

        `wait_s`: for how long another who is just bringing it up or taking it down is waited for.
        """
        # Both waits, for the share and for the turn, come out of the same time.
        until = self._clock.monotonic() + wait_s
        self._await(self._use.share, wait_s)
        try:
            return self.mend(max(0.0, until - self._clock.monotonic()))
        except BaseException:
            self._use.release()
            raise

    def mend(self, wait_s: float, *, renew: bool = False) -> TunnelState:
        """U2, for whoever has taken it: bring it up if it has gone, and shut it again if its firewall table has gone.

        With `renew` the driver is told to bring it up even if it stands, so that it looks for a far box that moved.
        """
        with self._turn(wait_s):
            note = self._note()
            # Whatever a cut bringing-up or taking-down left, the driver makes whole; `up` over a whole tunnel changes
            # nothing.
            if note is None or not note.whole:
                return self._bring_up()
            state = self.tunnel.state()
            if not state.up:
                return self._bring_up()
            if renew or state.shut is False:
                self.tunnel.up()
                state = self.tunnel.state()
            # It lingered, and is used again: the time counts anew from the next leaving on.
            if note.idle_at is not None:
                self._write(replace(note, idle_at=None))
            return state

    def leave(self, *, linger: bool) -> EndedSession | None:
        """U3, U4: use it no more. The last one takes it down, unless it is to stay up, or to linger until it is swept.

        Returns what belongs in the ledger, if it was taken down. Nothing is held afterwards, whatever is raised. Also
        to be called after a `take` that failed: the tunnel may stand although it could not be looked at.
        """
        return self._take_down_if_last(self._linger_s if linger else 0.0)

    def sweep(self, *, at_once: bool = False) -> EndedSession | None:
        """U5: take it down if nobody has used it for `linger_s`; to be called from time to time, by one who has not
        taken it.

        `at_once`: without waiting `linger_s`, since nobody will sweep any more.
        """
        return self._take_down_if_last(0.0 if at_once else self._linger_s)

    def session(self) -> int:
        """The ledger's number for the time that the tunnel is up; 0 if none is noted."""
        note = self._note()
        return note.session if note is not None else 0

    def begin_session(self, begin: Callable[[], int]) -> None:
        """If no session is noted for the time that the tunnel is up, note the one that `begin` gives the number of."""
        if self.session():
            return
        with self._turn(NOTE_S):
            note = self._note()
            # Asked once more in our turn: another may have written one down meanwhile.
            if note is not None and not note.session:
                self._write(replace(note, session=begin()))

    def _bring_up(self) -> TunnelState:
        # First the note, then the deed: a process killed in between leaves word that something may be half made.
        self._write(TunnelNote(whole=False))
        try:
            self.tunnel.up()
            state = self._state_up()
            # The counters of now: an interface that others made may have carried traffic before. What the session used
            # is the difference.
            self._write(TunnelNote(True, 0, state.sent, state.received))
        except BaseException:
            self.tunnel.down()
            self._forget()
            raise
        return state

    def _state_up(self) -> TunnelState:
        state = self.tunnel.state()
        if not state.up:
            raise TunnelTrouble("was brought up, yet is not up", where=self.tunnel.name)
        return state

    def _take_down_if_last(self, linger_s: float) -> EndedSession | None:
        try:
            if self._stay_up or not self._use.try_alone():
                return None
            with self._turn(0.0):  # nobody else can have it; but a thread of this very use might be stuck in its turn
                note = self._note()
                if note is None:
                    return None
                # Of the wall clock, since another process wrote the note, and a steady clock is only good within one. A
                # clock that is set back makes the tunnel linger longer, and no more than that.
                now = self._clock.now().timestamp()
                idle_at = now if note.idle_at is None else note.idle_at
                if max(0.0, now - idle_at) >= linger_s:
                    return self._take_down(replace(note, idle_at=idle_at))
                if note.idle_at is None:
                    self._write(replace(note, idle_at=now))
                return None
        finally:
            self._use.release()

    def _take_down(self, note: TunnelNote) -> EndedSession:
        self._write(replace(note, whole=False))
        try:
            state = self._last_look()
            self.tunnel.down()
        except OtherroofError:
            self._write(note)  # it stands as before, and will be tried again
            raise
        self._forget()
        if not state.counted:
            return EndedSession(note.session, None, None)
        # Not below 0: somebody may have made the interface anew meanwhile, and its counters began at 0 again.
        return EndedSession(note.session, max(0, state.sent - note.sent), max(0, state.received - note.received))

    def _last_look(self) -> TunnelState:
        try:
            return self.tunnel.state()
        except TunnelTrouble:
            return TunnelState(up=False)  # only its counters are lost; it is still taken away

    @contextmanager
    def _turn(self, wait_s: float) -> Iterator[None]:
        lock = self._lock("turn")  # one of its own each time: threads of one use take turns too
        self._await(lock.hold, wait_s)
        try:
            yield
        finally:
            lock.release()

    def _lock(self, ending: str) -> FileLock:
        return FileLock(f"{self._path}.{ending}", self._clock, self._lock_note)

    def _await(self, obtain: Callable[[Patience], None], wait_s: float) -> None:
        try:
            obtain(Patience(wait_s))
        except Busy as problem:
            what = f"waited {wait_s:g} s: {problem.what}"
            raise TunnelTrouble(what, where=problem.where, advice=problem.advice) from problem

    def _note(self) -> TunnelNote | None:
        """None if nothing stands, or if the note is from before the machine's start, or spoilt: a lost note costs no
        more than a tunnel that is brought up over itself, which changes nothing."""
        try:
            raw = json.loads(read_text(self._path + ".json"))
            return TunnelNote(**raw["note"]) if raw["boot"] == boot_id() else None
        except (ValueError, TypeError, LookupError, RecursionError):
            return None

    def _write(self, note: TunnelNote) -> None:
        write_text(self._path + ".json", json.dumps({"boot": boot_id(), "note": asdict(note)}))

    def _forget(self) -> None:
        remove(self._path + ".json")
