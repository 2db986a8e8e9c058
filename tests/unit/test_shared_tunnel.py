"""One tunnel for many uses: nobody is cut off by another's end, and nothing stays up for nobody.

Uses by several processes, some of them killed, are in `test_tunnel_users`.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.base.errors import HomeTrouble, TunnelTrouble
from otherroof.tunnel import marks
from otherroof.tunnel.port import TunnelState
from otherroof.tunnel.sharing import EndedSession, SharedTunnel
from otherroof.tunnel.upkeep import mend_tunnel

NOW = datetime(2031, 4, 5, tzinfo=UTC)
ZONE = ZoneInfo("UTC")


class FakeTunnel:
    """A tunnel that counts what is done to it, and cries out where up and down overlap."""

    name = "fake"
    look_s = 10.0

    def __init__(self) -> None:
        self.ups = self.downs = 0
        self.is_up = False
        self.sent = self.received = 0
        self.refuses_up = self.refuses_down = False
        self.shut: bool | None = None
        self.silent_s = 0.0
        self.meanwhile: Callable[[], object] = lambda: None
        self._busy = threading.Lock()

    def up(self) -> None:
        assert self._busy.acquire(blocking=False), "up and down at the same time"
        try:
            self.ups += 1
            self.meanwhile()
            if self.refuses_up:
                raise TunnelTrouble("cannot come up", where=self.name)
            self.is_up = True
            self.shut = None if self.shut is None else True
        finally:
            self._busy.release()

    def down(self) -> None:
        assert self._busy.acquire(blocking=False), "up and down at the same time"
        try:
            self.downs += 1
            if self.refuses_down:
                raise TunnelTrouble("cannot go down", where=self.name)
            self.is_up = False
        finally:
            self._busy.release()

    def state(self) -> TunnelState:
        return TunnelState(self.is_up, True, 5.0, self.sent, self.received, self.silent_s, shut=self.shut)


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(NOW)


@pytest.fixture
def tunnel() -> FakeTunnel:
    return FakeTunnel()


Make = Callable[..., SharedTunnel]


@pytest.fixture
def make(tmp_path: Path, tunnel: FakeTunnel, clock: SteppedClock) -> Make:
    def one(*, stay_up: bool = False, linger_s: float = 60) -> SharedTunnel:
        return SharedTunnel(tunnel, str(tmp_path / "garden"), clock, ZONE, stay_up=stay_up, linger_s=linger_s)

    return one


def test_two_jobs_use_one_tunnel_and_the_last_takes_it_down(make: Make, tunnel: FakeTunnel) -> None:
    mine, theirs = make(), make()
    mine.take(1)
    theirs.take(1)
    assert tunnel.ups == 1
    assert mine.leave(linger=False) is None
    assert tunnel.is_up
    assert theirs.leave(linger=False) is not None
    assert not tunnel.is_up


def test_bytes_of_a_session_are_those_since_it_began(make: Make, tunnel: FakeTunnel) -> None:
    shared = make()
    tunnel.sent, tunnel.received = 1000, 500
    shared.take(1)
    shared.begin_session(lambda: 41)
    tunnel.sent, tunnel.received = 1300, 900
    assert shared.session() == 41
    assert shared.leave(linger=False) == EndedSession(41, 300, 400)
    assert shared.session() == 0, "the next time it is up is another session"


def test_time_that_it_is_up_is_one_session_however_many_use_it(make: Make) -> None:
    begun: list[int] = []

    def begin() -> int:
        begun.append(41 + len(begun))
        return begun[-1]

    mine, theirs = make(), make()
    for one in (mine, theirs):
        one.take(1)
        one.begin_session(begin)
    assert (begun, mine.session(), theirs.session()) == ([41], 41, 41)


def test_two_who_begin_the_session_at_the_same_moment_begin_one(tmp_path: Path, tunnel: FakeTunnel) -> None:
    path, at_it, go_on = str(tmp_path / "garden"), threading.Event(), threading.Event()
    mine, theirs = (SharedTunnel(tunnel, path, SystemClock(), ZONE, stay_up=False, linger_s=0) for _ in "ab")
    mine.take(1)
    theirs.take(1)

    def begin() -> int:
        at_it.set()
        assert go_on.wait(20)
        return 41

    first = threading.Thread(target=mine.begin_session, args=(begin,))
    second = threading.Thread(target=theirs.begin_session, args=(lambda: 42,))
    first.start()
    assert at_it.wait(10)
    second.start()
    second.join(0.1)
    go_on.set()
    for thread in (first, second):
        thread.join(20)
    assert (mine.session(), theirs.session()) == (41, 41)


def test_lingering_tunnel_goes_down_only_when_it_was_idle_for_long_enough(
    make: Make, tunnel: FakeTunnel, clock: SteppedClock
) -> None:
    shared = make(linger_s=60)
    shared.take(1)
    assert shared.leave(linger=True) is None
    clock.step(59)
    assert make().sweep() is None
    assert tunnel.is_up
    clock.step(1)
    assert make().sweep() is not None
    assert not tunnel.is_up


def test_use_while_it_lingers_begins_the_waiting_anew(make: Make, tunnel: FakeTunnel, clock: SteppedClock) -> None:
    for _ in range(2):
        shared = make(linger_s=60)
        shared.take(1)
        shared.leave(linger=True)
        clock.step(50)
    assert make(linger_s=60).sweep() is None
    assert tunnel.ups == 1


def test_clock_that_was_put_back_keeps_no_lingering_tunnel_up_when_the_service_ends(
    make: Make, tunnel: FakeTunnel, clock: SteppedClock
) -> None:
    shared = make()
    shared.take(1)
    shared.leave(linger=True)
    clock.jump(-3600)
    assert make().sweep(at_once=True) is not None
    assert not tunnel.is_up


def test_tunnel_that_is_in_use_is_not_swept(make: Make, tunnel: FakeTunnel, clock: SteppedClock) -> None:
    make(linger_s=60).take(1)
    clock.step(1e6)
    assert make().sweep() is None
    assert make().sweep(at_once=True) is None
    assert tunnel.is_up


def test_tunnel_that_is_to_stay_up_is_never_taken_down(make: Make, tunnel: FakeTunnel, clock: SteppedClock) -> None:
    shared = make(stay_up=True)
    shared.take(1)
    shared.leave(linger=False)
    clock.step(1e6)
    assert shared.sweep() is None
    assert tunnel.is_up


def test_tunnel_that_vanished_is_brought_up_again_for_the_next_use(make: Make, tunnel: FakeTunnel) -> None:
    first = make()
    first.take(1)
    first.begin_session(lambda: 41)
    tunnel.is_up = False
    assert make().take(1).up
    assert tunnel.ups == 2
    assert first.session() == 0, "that was another session"


def test_tunnel_that_cannot_come_up_is_cleared_away_and_held_by_nobody(make: Make, tunnel: FakeTunnel) -> None:
    tunnel.refuses_up = True
    with pytest.raises(TunnelTrouble, match="cannot come up"):
        make().take(1)
    assert make().sweep(at_once=True) is None, "there is nothing left to take down"
    assert tunnel.downs == 1
    tunnel.refuses_up = False
    shared = make()
    shared.take(1)
    assert shared.leave(linger=False) is not None


def test_tunnel_that_cannot_go_down_is_tried_again_later(make: Make, tunnel: FakeTunnel, clock: SteppedClock) -> None:
    shared = make(linger_s=60)
    shared.take(1)
    shared.begin_session(lambda: 41)
    tunnel.refuses_down = True
    with pytest.raises(TunnelTrouble, match="cannot go down"):
        shared.leave(linger=False)
    tunnel.refuses_down = False
    clock.step(60)
    assert make(linger_s=60).sweep() == EndedSession(41, 0, 0)
    assert not tunnel.is_up


def test_half_up_tunnel_that_cannot_be_cleared_away_at_once_is_swept_later(
    make: Make, tunnel: FakeTunnel, clock: SteppedClock
) -> None:
    tunnel.refuses_up = tunnel.refuses_down = True
    with pytest.raises(TunnelTrouble):
        make().take(1)
    tunnel.is_up, tunnel.refuses_down = True, False
    assert make(linger_s=60).sweep() is None
    clock.step(60)
    assert make(linger_s=60).sweep() is not None
    assert not tunnel.is_up


def test_note_that_cannot_be_written_leaves_nothing_up(
    make: Make, tunnel: FakeTunnel, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = marks.write_text

    def full(path: str, text: str) -> None:
        if tunnel.is_up:
            raise HomeTrouble("cannot be written: No space left on device", where=path)
        real(path, text)

    monkeypatch.setattr("otherroof.tunnel.sharing.write_text", full)
    with pytest.raises(HomeTrouble, match="No space"):
        make().take(1)
    assert not tunnel.is_up
    monkeypatch.undo()
    shared = make()
    shared.take(1)
    assert shared.leave(linger=False) is not None


def test_restart_of_the_machine_ends_what_was_noted(
    make: Make, tunnel: FakeTunnel, clock: SteppedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Interfaces are gone then, and so is every user; the ledger's session has no end and will count as cut."""
    before = make(linger_s=60)
    before.take(1)
    before.begin_session(lambda: 41)
    before.leave(linger=True)
    monkeypatch.setattr("otherroof.tunnel.sharing.boot_id", lambda: "the next start")
    tunnel.is_up = False
    clock.step(1e6)
    after = make()
    assert after.session() == 0
    assert after.sweep() is None, "there is nothing to take down"
    assert tunnel.downs == 0
    assert after.take(1).up
    assert tunnel.ups == 2


@pytest.mark.parametrize(
    "spoilt",
    [
        "",
        "{",
        "[]",
        '"up"',
        "null",
        '{"boot": "?", "note": {"whole": true}}',
        "gone",
        pytest.param("[" * 60_000, id="boxes in boxes"),
    ],
)
def test_note_that_is_spoilt_or_lost_costs_no_more_than_bringing_up_what_stands(
    make: Make, tunnel: FakeTunnel, tmp_path: Path, spoilt: str
) -> None:
    """Also one that an earlier version wrote: it has other keys."""
    make().take(1)
    path = tmp_path / "garden.json"
    assert json.loads(path.read_text())["note"]["whole"] is True
    path.unlink() if spoilt == "gone" else path.write_text(spoilt)
    shared = make()
    assert shared.session() == 0
    assert shared.take(1).up
    assert tunnel.ups == 2


def test_keeper_brings_up_what_has_gone_and_leaves_alone_what_is_well(make: Make, tunnel: FakeTunnel) -> None:
    shared = make()
    shared.take(1)
    assert mend_tunnel(shared) is False
    tunnel.is_up = False
    assert mend_tunnel(shared) is True
    assert tunnel.is_up


def test_keeper_lets_a_tunnel_that_has_gone_silent_look_for_the_far_box(make: Make, tunnel: FakeTunnel) -> None:
    shared = make()
    shared.take(1)
    shared.begin_session(lambda: 41)
    tunnel.silent_s = 60.0
    assert mend_tunnel(shared) is True
    assert (tunnel.ups, shared.session()) == (2, 41)


def test_keeper_that_cannot_mend_it_stays_a_user(make: Make, tunnel: FakeTunnel) -> None:
    """Else the next one to leave would take it down under a run, once somebody else has brought it up again."""
    mine, theirs = make(), make()
    mine.take(1)
    tunnel.is_up, tunnel.refuses_up = False, True
    with pytest.raises(TunnelTrouble, match="cannot come up"):
        mend_tunnel(mine)
    tunnel.refuses_up = False
    theirs.take(1)
    assert theirs.leave(linger=False) is None
    assert tunnel.is_up


def test_tunnel_whose_firewall_table_is_gone_is_shut_by_the_keeper_and_by_the_next_use(
    make: Make, tunnel: FakeTunnel
) -> None:
    shared = make()
    shared.take(1)
    shared.begin_session(lambda: 41)
    tunnel.shut = False
    assert mend_tunnel(shared) is True
    assert (tunnel.shut, mend_tunnel(shared)) == (True, False)
    tunnel.shut = False
    assert make().take(1).shut is True
    assert shared.session() == 41, "it was up all the time"


def test_use_that_is_stuck_in_bringing_it_up_does_not_take_it_down_at_the_same_time(
    make: Make, tunnel: FakeTunnel
) -> None:
    """A rung, or a keeper, that took too long is left behind in its thread while its run ends."""
    stuck, go_on = threading.Event(), threading.Event()
    shared = make()
    shared.take(1)
    tunnel.is_up = False
    tunnel.meanwhile = lambda: (stuck.set(), go_on.wait(20))
    thread = threading.Thread(target=mend_tunnel, args=(shared,))
    thread.start()
    assert stuck.wait(10)
    try:
        with pytest.raises(TunnelTrouble, match="bringing it up or taking it down: process"):
            shared.leave(linger=False)
        assert tunnel.downs == 0
    finally:
        go_on.set()
        thread.join(10)
    assert make().sweep(at_once=True) is not None
    assert not tunnel.is_up


def test_many_threads_at_once_leave_nothing_up_and_never_overlap(tmp_path: Path) -> None:
    """The fake cries out where up and down are under way at the same time, or a user finds it down."""
    tunnel = FakeTunnel()
    path, problems = str(tmp_path / "garden"), []

    def use() -> None:
        for _ in range(8):
            shared = SharedTunnel(tunnel, path, SystemClock(), ZONE, stay_up=False, linger_s=0)
            try:
                shared.take(30)
                time.sleep(0.002)
                assert tunnel.is_up, "taken, yet down"
                shared.leave(linger=False)
            except BaseException as error:
                problems.append(error)
                raise

    threads = [threading.Thread(target=use) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert problems == []
    assert not tunnel.is_up
    assert tunnel.ups == tunnel.downs
