"""One tunnel for many uses: nobody is cut off by another's end, and nothing stays up for nobody."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.base.errors import TunnelTrouble
from otherroof.tunnel import usage
from otherroof.tunnel.port import TunnelState
from otherroof.tunnel.sharing import ClosedTunnel, SharedTunnel, is_alive, new_user
from otherroof.tunnel.upkeep import mend_tunnel
from otherroof.tunnel.usage import Book, Do, User

NOW = datetime(2031, 4, 5, tzinfo=UTC)


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
        self._busy = threading.Lock()

    def up(self) -> None:
        assert self._busy.acquire(blocking=False), "up and down at the same time"
        try:
            self.ups += 1
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
        return TunnelState(self.is_up, True, 5.0, self.sent, self.received, shut=self.shut)


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
        return SharedTunnel(tunnel, str(tmp_path / "garden"), clock, stay_up=stay_up, linger_s=linger_s)

    return one


def test_two_jobs_use_one_tunnel_and_the_last_takes_it_down(make: Make, tunnel: FakeTunnel) -> None:
    one, other = make(), make()
    mine, theirs = new_user(), new_user()
    one.take(mine, 1)
    other.take(theirs, 1)
    assert tunnel.ups == 1
    one.leave(mine, linger=False)
    assert tunnel.is_up
    other.leave(theirs, linger=False)
    assert not tunnel.is_up


def test_bytes_of_a_session_are_those_since_it_began(make: Make, tunnel: FakeTunnel) -> None:
    shared, me = make(), new_user()
    tunnel.sent, tunnel.received = 1000, 500
    shared.take(me, 1)
    shared.note_session(41)
    tunnel.sent, tunnel.received = 1300, 900
    assert shared.session() == 41
    assert shared.leave(me, linger=False) == ClosedTunnel(41, 300, 400)
    assert shared.session() == 0, "the next time it is up is another session"


def test_lingering_tunnel_goes_down_only_when_it_was_idle_for_long_enough(
    make: Make, tunnel: FakeTunnel, clock: SteppedClock
) -> None:
    shared, me = make(linger_s=60), new_user()
    shared.take(me, 1)
    assert shared.leave(me, linger=True) is None
    clock.step(59)
    assert shared.sweep(new_user()) is None
    assert tunnel.is_up
    clock.step(1)
    assert shared.sweep(new_user()) is not None
    assert not tunnel.is_up


def test_use_while_it_lingers_begins_the_waiting_anew(make: Make, tunnel: FakeTunnel, clock: SteppedClock) -> None:
    shared = make(linger_s=60)
    for _ in range(2):
        me = new_user()
        shared.take(me, 1)
        shared.leave(me, linger=True)
        clock.step(50)
    assert shared.sweep(new_user()) is None
    assert tunnel.ups == 1


def test_tunnel_that_is_to_stay_up_is_never_taken_down(make: Make, tunnel: FakeTunnel, clock: SteppedClock) -> None:
    shared, me = make(stay_up=True), new_user()
    shared.take(me, 1)
    shared.leave(me, linger=False)
    clock.step(1e6)
    assert shared.sweep(new_user()) is None
    assert tunnel.is_up


def test_tunnel_that_vanished_is_brought_up_again_for_the_next_use(make: Make, tunnel: FakeTunnel) -> None:
    shared = make()
    shared.take(new_user(), 1)
    tunnel.is_up = False
    assert shared.take(new_user(), 1).up
    assert tunnel.ups == 2


def test_tunnel_that_cannot_come_up_is_cleared_away_and_held_by_nobody(make: Make, tunnel: FakeTunnel) -> None:
    shared = make()
    tunnel.refuses_up = True
    with pytest.raises(TunnelTrouble, match="cannot come up"):
        shared.take(new_user(), 1)
    assert tunnel.downs == 1
    tunnel.refuses_up = False
    me = new_user()
    shared.take(me, 1)
    assert shared.leave(me, linger=False) is not None


def test_tunnel_that_cannot_go_down_is_tried_again_later(make: Make, tunnel: FakeTunnel, clock: SteppedClock) -> None:
    shared, me = make(linger_s=60), new_user()
    shared.take(me, 1)
    tunnel.refuses_down = True
    with pytest.raises(TunnelTrouble, match="cannot go down"):
        shared.leave(me, linger=False)
    tunnel.refuses_down = False
    clock.step(60)
    assert shared.sweep(new_user()) is not None
    assert not tunnel.is_up


def test_killed_process_keeps_nothing_up(make: Make, tunnel: FakeTunnel, tmp_path: Path, clock: SteppedClock) -> None:
    """Another process takes the tunnel and is killed; the next one to leave takes it down all the same."""
    code = (
        "import sys; from otherroof.base.atomic_file import replace_file; from otherroof.tunnel import usage;"
        "from otherroof.tunnel.marks import *;"
        "from otherroof.tunnel.sharing import *\n"
        "path = sys.argv[1]\n"
        "with locked(path + '.lock'):\n"
        "    book = usage.from_text(read_text(path + '.json'), boot_id())\n"
        "    usage.take(book, new_user(), is_alive); usage.risen(book, 0, 0)\n"
        "    replace_file(path + '.json', usage.as_text(book))\n"
        "print('taken', flush=True); sys.stdin.read()"
    )
    argv = [sys.executable, "-c", code, str(tmp_path / "garden")]
    with subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "taken\n"
        tunnel.is_up = True
        shared, me = make(), new_user()
        shared.take(me, 1)
        assert tunnel.ups == 0, "the book says that the other process has brought it up"
        shared.leave(me, linger=False)
        assert tunnel.is_up, "the other process still uses it"
        other.kill()
        other.wait(10)
    assert shared.sweep(new_user()) is None, "it lingers from the moment that the death is noticed"
    clock.step(60)
    assert shared.sweep(new_user()) is not None
    assert not tunnel.is_up


def test_waiting_for_another_who_is_at_it_has_an_end(make: Make, tmp_path: Path, clock: SteppedClock) -> None:
    shared = make()
    book = Book(boot="")
    usage.take(book, new_user(), is_alive)
    from otherroof.base.atomic_file import replace_file
    from otherroof.tunnel.marks import boot_id

    book.boot = boot_id()
    replace_file(str(tmp_path / "garden.json"), usage.as_text(book))
    with pytest.raises(TunnelTrouble, match="another process has been bringing it up or down for 5 s"):
        shared.take(new_user(), 5)
    assert clock.monotonic() == pytest.approx(5, abs=1)


def test_book_of_an_earlier_start_of_the_machine_or_a_spoilt_one_is_forgotten(make: Make, tmp_path: Path) -> None:
    shared = make()
    shared.take(new_user(), 1)
    shared.note_session(7)
    path = tmp_path / "garden.json"
    text = path.read_text()
    path.write_text(text.replace('"boot": "', '"boot": "earlier-'))
    assert shared.session() == 0
    path.write_text(text[: len(text) // 2])
    assert shared.session() == 0


def test_keeper_brings_up_what_has_gone_and_leaves_alone_what_is_well(make: Make, tunnel: FakeTunnel) -> None:
    shared, me = make(), new_user()
    shared.take(me, 1)
    assert mend_tunnel(shared, me) is False
    tunnel.is_up = False
    assert mend_tunnel(shared, me) is True
    assert tunnel.is_up


def test_tunnel_whose_firewall_table_is_gone_is_shut_by_the_keeper_and_by_the_next_use(
    make: Make, tunnel: FakeTunnel
) -> None:
    shared, me = make(), new_user()
    shared.take(me, 1)
    shared.note_session(41)
    tunnel.shut = False
    assert mend_tunnel(shared, me) is True
    assert (tunnel.shut, mend_tunnel(shared, me)) == (True, False)
    tunnel.shut = False
    assert make().take(new_user(), 1).shut is True
    assert shared.session() == 41, "it was up all the time"


def test_many_threads_at_once_leave_nothing_up_and_never_overlap(tmp_path: Path) -> None:
    """The fake cries out where up and down are under way at the same time, or a user finds it down."""
    tunnel = FakeTunnel()
    path, problems = str(tmp_path / "garden"), []

    def use() -> None:
        shared = SharedTunnel(tunnel, path, SystemClock(), stay_up=False, linger_s=0)
        for _ in range(8):
            me = new_user()
            try:
                shared.take(me, 30)
                assert tunnel.is_up, "taken, yet down"
                shared.leave(me, linger=False)
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


def test_process_number_given_again_is_not_taken_for_the_same_user() -> None:
    me = new_user()
    assert is_alive(me)
    assert not is_alive(User(me.pid, me.started + 1, me.token))
    assert not is_alive(User(2**22 + 1, 1, "nobody"))
    assert me.pid == os.getpid()


class SharingModel(RuleBasedStateMachine):
    """Any order of taking, leaving, dying and sweeping: whoever holds it has it up, and at rest nobody's is down."""

    def __init__(self) -> None:
        super().__init__()
        self.book = Book()
        self.living: dict[str, User] = {}
        self.holding: set[str] = set()
        self.really_up = False
        self.now = 0.0
        self.born = 0

    def one(self, token: str) -> User:
        """The living user of that token; whoever comes after a dead one is another process."""
        self.born += 1
        return self.living.setdefault(token, User(self.born, 1, token))

    def alive(self, user: User) -> bool:
        return self.living.get(user.token) == user

    def carry_out(self, do: Do, me: User, *, dies: bool) -> None:
        if do is Do.NOTHING or do is Do.WAIT:
            return
        if dies:
            self.really_up = True  # half up or half down: the worse of the two for either check
            del self.living[me.token]
            self.holding.discard(me.token)
            return
        self.really_up = do is Do.RAISE
        usage.risen(self.book, 0, 0) if do is Do.RAISE else usage.sunk(self.book)

    @rule(token=st.sampled_from("abc"), dies=st.booleans())
    def take(self, token: str, dies: bool) -> None:
        me = self.one(token)
        do = usage.take(self.book, me, self.alive)
        assert do is not Do.WAIT, "nobody alive is at it here"
        self.holding.add(token)
        self.carry_out(do, me, dies=dies)

    @rule(token=st.sampled_from("abc"), keep=st.booleans(), dies=st.booleans())
    def leave(self, token: str, keep: bool, dies: bool) -> None:
        if token in self.holding:
            self.holding.discard(token)
            me = self.living[token]
            self.carry_out(usage.leave(self.book, me, self.alive, now=self.now, keep=keep), me, dies=dies)

    @rule(token=st.sampled_from("abc"))
    def die(self, token: str) -> None:
        self.living.pop(token, None)
        self.holding.discard(token)

    @rule(dies=st.booleans(), passes=st.sampled_from([0.0, 30.0, 90.0]))
    def sweep(self, dies: bool, passes: float) -> None:
        self.now += passes
        me = self.one("sweeper")
        self.carry_out(usage.sweep(self.book, me, self.alive, now=self.now, linger_s=60), me, dies=dies)

    @rule()
    def written_and_read_again(self) -> None:
        self.book = usage.from_text(usage.as_text(self.book), "")

    @invariant()
    def whoever_holds_it_has_it_up(self) -> None:
        assert self.really_up or not self.holding

    def teardown(self) -> None:
        for token in list(self.holding):
            self.leave(token, keep=True, dies=False)
        for _ in range(2):
            self.sweep(dies=False, passes=90.0)
        assert not self.really_up, "nobody uses it, yet it stays up"


TestSharingModel = SharingModel.TestCase
TestSharingModel.settings = hypothesis_settings(max_examples=150, stateful_step_count=25, deadline=None)
