"""The way to one far box as the rest of the house uses it: tunnel up, network rungs climbed, kept, taken down.

    with open_way(settings, "garden", ledger, clock) as way:
        ...  # the far box's address answers; copy

It must not know SSH: proving the host key and logging in belong to `far`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from types import TracebackType
from typing import Protocol, Self

from otherroof.base.clock import Clock
from otherroof.base.errors import TunnelTrouble
from otherroof.probe.ladder import ClimbResult, RungResult, climb
from otherroof.probe.network_checks import ECHOES, NetworkRungs, TunnelInTurn
from otherroof.probe.rung_names import HANDSHAKE, INTERFACE
from otherroof.settings import NoTunnel, Settings
from otherroof.tunnel.build import make_shared_tunnel, make_tunnel
from otherroof.tunnel.network_access import NetworkAccess
from otherroof.tunnel.port import Tunnel, TunnelState
from otherroof.tunnel.sharing import EndedSession, SharedTunnel
from otherroof.tunnel.upkeep import TunnelKeeper, mend_tunnel

TAKE_S = 60.0
QUICK_ECHOES = 1  # before a run few echoes will do; measuring the line is the probe's business


class TunnelRecords(Protocol):
    """Where it is written down when a tunnel was up."""

    def begin(self, far: str, tunnel: str, at: datetime) -> int: ...

    def note_handshake(self, session: int, at: datetime) -> None: ...

    def end(self, session: int, at: datetime, sent: int | None, received: int | None) -> None: ...


class ProbeRecords(Protocol):
    """Where climbs are written down."""

    def note(self, far: str, at: datetime, climb: ClimbResult, answered: bool) -> None: ...


class WayRecord(Protocol):
    """What the way writes down; the ledger does so. Called in the thread that uses the way alone."""

    @property
    def tunnels(self) -> TunnelRecords: ...

    @property
    def probes(self) -> ProbeRecords: ...


class Way:
    """One use of the way to a far box; leave it by `close`, or use it as a context manager.

    Nothing is touched before `climb`. `trouble` says, after `close`, why the tunnel could not be taken down; it will be
    tried again by the next use.
    """

    def __init__(
        self,
        settings: Settings,
        far_name: str,
        sessions: WayRecord,
        clock: Clock,
        *,
        network_access: NetworkAccess | None = None,
        linger: bool = False,
    ) -> None:
        self.far_name = far_name
        self.trouble = ""
        self._network_access = network_access or NetworkAccess()
        self._settings = settings
        self._sessions = sessions
        self._clock = clock
        self._linger = linger
        self._shared = make_shared_tunnel(settings, far_name, self._network_access, clock)
        self.tunnel: Tunnel = (
            self._shared.tunnel if self._shared else make_tunnel(settings, far_name, self._network_access, clock)
        )
        self._keeper: TunnelKeeper | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def climb(
        self,
        told: Callable[[RungResult], None] = lambda _: None,
        *,
        echoes: int = ECHOES,
        check: Callable[[], None] = lambda: None,
    ) -> ClimbResult:
        """Climb the network rungs; the tunnel is brought up on the way. `told` hears of each rung as it is known, and
        `check` may raise RunCut to end the climb.

        `echoes` are sent to the far address: many to measure loss, one to see that it answers.
        """

        rungs = NetworkRungs(
            self._settings,
            self.far_name,
            TunnelInTurn(self.tunnel, self._take, self._renew),
            self._network_access,
            self._clock,
            echoes=echoes,
        )

        def hear(met: RungResult) -> None:
            self._write_down(met, rungs)
            told(met)

        return climb(rungs.ladder(), self._clock, told=hear, check=check)

    def keep(self) -> None:
        """Look after the tunnel from now on until `close`, in a thread of its own."""
        if self._shared is not None and self._keeper is None:
            self._keeper = TunnelKeeper(self._shared, self._clock)
            self._keeper.start()

    def close(self) -> None:
        """Use the way no more. The tunnel goes down if nobody else uses it and the settings do not keep it."""
        raised_at = None
        if self._keeper is not None:
            self._keeper.stop()
            raised_at = self._keeper.raised_at
            self._keeper = None
        if self._shared is None:
            return
        try:
            if raised_at is not None:  # the keeper cannot write in the ledger: another thread's matter
                _write_begin(self._sessions, self.far_name, self._shared, raised_at)
        finally:
            self._leave(self._shared)

    def _leave(self, shared: SharedTunnel) -> None:
        try:
            _write_end(self._sessions, self._clock, shared.leave(linger=self._linger))
        except TunnelTrouble as problem:
            self.trouble = str(problem)  # the copy is done all the same; the next use takes the tunnel down

    def _take(self, wait_s: float) -> TunnelState:
        return self.tunnel.state() if self._shared is None else self._shared.take(wait_s)

    def _renew(self, wait_s: float) -> TunnelState:
        if self._shared is not None:
            return self._shared.mend(wait_s, renew=True)
        self.tunnel.up()
        return self.tunnel.state()

    def _write_down(self, met: RungResult, rungs: NetworkRungs) -> None:
        # Written down rung by rung, not at the end: a climb that is cut later has brought the tunnel up all the same.
        if self._shared is None or met.seen.state != "ok":
            return
        if met.rung == INTERFACE:
            _write_begin(self._sessions, self.far_name, self._shared, self._clock.now())
        elif met.rung == HANDSHAKE:
            at = self._clock.now() - timedelta(seconds=rungs.handshake_age_s)
            self._sessions.tunnels.note_handshake(self._shared.session(), at)


@contextmanager
def open_way(
    settings: Settings,
    far_name: str,
    sessions: WayRecord,
    clock: Clock,
    *,
    network_access: NetworkAccess | None = None,
    linger: bool = False,
    check: Callable[[], None] = lambda: None,
) -> Iterator[Way]:
    """The way to a far box, climbed and looked after while inside.

    `linger`: somebody calls `tend_tunnels` from time to time (the service does), so the tunnel may stay up for
    `linger_s` after its last use; else it goes down at once. `check` may raise RunCut to end the climb. Raises
    Unreached or TunnelTrouble with the headline and advice of the first failing rung; that climb is in the ledger then.
    """
    with Way(settings, far_name, sessions, clock, network_access=network_access, linger=linger) as way:
        begun = clock.now()
        climbed = way.climb(echoes=QUICK_ECHOES, check=check)
        if climbed.stopped_at is not None:
            sessions.probes.note(far_name, begun, climbed, answered=False)
        climbed.raise_unless_passed(far_name)
        way.keep()
        yield way


def tend_tunnels(
    settings: Settings, sessions: WayRecord, clock: Clock, network_access: NetworkAccess | None = None
) -> list[str]:
    """Bring up what is to stay up, mend what is stale, take down what nobody has used for `linger_s`.

    For a service to call about once a minute. One tunnel's trouble does not keep the others from being tended; each is
    returned as a line.
    """

    def tend(far_name: str, shared: SharedTunnel, stay_up: bool) -> None:
        if stay_up:
            _tend_standing(shared, far_name, sessions, clock)
        else:
            _write_end(sessions, clock, shared.sweep())

    return _each_tunnel(settings, clock, network_access, tend)


def take_down_idle_tunnels(
    settings: Settings, sessions: WayRecord, clock: Clock, network_access: NetworkAccess | None = None
) -> list[str]:
    """Take down at once what lingers and nobody uses, for a service that ends; what is to stay up stays.

    Troubles are returned as `tend_tunnels` does.
    """

    def rest(_: str, shared: SharedTunnel, stay_up: bool) -> None:
        if not stay_up:
            _write_end(sessions, clock, shared.sweep(at_once=True))

    return _each_tunnel(settings, clock, network_access, rest)


def _each_tunnel(
    settings: Settings,
    clock: Clock,
    network_access: NetworkAccess | None,
    deed: Callable[[str, SharedTunnel, bool], None],
) -> list[str]:
    troubles = []
    for far_name, far in settings.far.items():
        shared = make_shared_tunnel(settings, far_name, network_access or NetworkAccess(), clock)
        if shared is None or isinstance(far.tunnel, NoTunnel):
            continue
        try:
            deed(far_name, shared, far.tunnel.stay_up)
        except TunnelTrouble as problem:
            troubles.append(str(problem))
    return troubles


def _tend_standing(shared: SharedTunnel, far_name: str, sessions: WayRecord, clock: Clock) -> None:
    try:
        # Taken for a moment like any other use, so that nobody takes it down meanwhile; `stay_up` keeps it afterwards.
        shared.take(TAKE_S)
        _write_begin(sessions, far_name, shared, clock.now())
        mend_tunnel(shared)
        age = shared.tunnel.state().handshake_age_s
        if age is not None:
            sessions.tunnels.note_handshake(shared.session(), clock.now() - timedelta(seconds=age))
    finally:
        shared.leave(linger=True)


def _write_begin(sessions: WayRecord, far_name: str, shared: SharedTunnel, at: datetime) -> None:
    shared.begin_session(lambda: sessions.tunnels.begin(far_name, shared.tunnel.name, at))


def _write_end(sessions: WayRecord, clock: Clock, ended: EndedSession | None) -> None:
    if ended is not None and ended.session:
        sessions.tunnels.end(ended.session, clock.now(), ended.sent, ended.received)
