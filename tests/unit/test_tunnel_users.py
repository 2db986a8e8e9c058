"""One tunnel, used by several processes: killed at any instant, waiting for each other, restarted."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.base.errors import TunnelTrouble
from otherroof.tunnel.sharing import EndedSession, SharedTunnel
from support.tunnel_user import FolderTunnel, TunnelUser, use_of, wait_until

NOW = datetime(2031, 4, 5, tzinfo=UTC)
LATER = SteppedClock(datetime(2131, 4, 5, tzinfo=UTC))  # whatever lingers by the machine's clock has long done so
NOTHING = "None"
SERVICE = 65534


class Bench:
    """The tunnel, and processes that use it."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.folder = folder
        self.tunnel = FolderTunnel(folder)
        self._stack = stack

    def process(self, linger_s: float = 60.0, account: int = 0) -> TunnelUser:
        return self._stack.enter_context(TunnelUser(self.folder, linger_s, account))

    def use(self, clock: SteppedClock | SystemClock | None = None) -> SharedTunnel:
        """A use by this process."""
        return use_of(self.folder, clock or SystemClock())

    def stops_in(self, other: TunnelUser, word: str, step: str) -> None:
        """Let the process do `word`, and stop it in the middle of up or down."""
        before = self.tunnel.count(step)
        self.tunnel.hold(step)
        other.begin(word)
        wait_until(f"in the middle of {step}", lambda: self.tunnel.count(step) > before)

    def killed_in(self, word: str, step: str, other: TunnelUser | None = None) -> None:
        other = other or self.process()
        self.stops_in(other, word, step)
        other.kill()
        self.tunnel.let_go(step)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with ExitStack() as stack:
        yield Bench(tmp_path, stack)


def test_two_processes_use_one_tunnel_and_the_last_takes_it_down(bench: Bench) -> None:
    one, other = bench.process(), bench.process()
    assert [one.do("take"), one.do("session 41"), other.do("take"), other.do("session 42")] == ["up", "41", "up", "41"]
    assert bench.tunnel.count("up") == 1
    assert one.do("leave") == NOTHING
    assert bench.tunnel.is_up
    assert other.do("leave") == "EndedSession(session=41, sent=0, received=0)"
    assert not bench.tunnel.is_up


def test_thread_here_and_process_there_share_it_alike(bench: Bench) -> None:
    other, mine, another = bench.process(), bench.use(), bench.use()
    other.do("take")
    mine.take(1)
    another.take(1)
    assert other.do("leave") == NOTHING
    assert mine.leave(linger=False) is None
    assert another.leave(linger=False) is not None
    assert not bench.tunnel.is_up


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another account")
@pytest.mark.parametrize("first", ["root", "service"])
def test_root_and_the_services_account_share_it_whoever_comes_first(bench: Bench, first: str) -> None:
    """A run by hand may be the first that ever used the state folder, and take hours."""
    (bench.folder / "state").mkdir(0o700)
    for folder in (bench.folder, bench.folder / "state"):
        os.chown(folder, SERVICE, SERVICE)
    for name in ("busy", "steps"):  # the tunnel's own, not the state folder's
        (bench.folder / name).touch()
        (bench.folder / name).chmod(0o666)
    users = [bench.process(), bench.process(account=SERVICE)]
    one, other = users if first == "root" else reversed(users)
    assert [one.do("take"), other.do("take"), other.do("session 41"), one.do("session 42")] == ["up", "up", "41", "41"]
    assert one.do("leave") == NOTHING
    assert other.do("linger") == NOTHING
    assert one.do("take") == "up"
    one.kill()
    assert other.do("take") == "up"
    assert other.do("leave") == "EndedSession(session=41, sent=0, received=0)"
    assert (bench.tunnel.is_up, bench.tunnel.count("up")) == (False, 1)


def test_killed_process_keeps_nothing_up(bench: Bench) -> None:
    """The next one to leave takes the tunnel down all the same, and ends the session that the killed one began."""
    other, mine = bench.process(), bench.use()
    other.do("take")
    other.do("session 41")
    mine.take(1)
    assert bench.tunnel.count("up") == 1, "the other process has brought it up"
    other.kill()
    assert mine.leave(linger=False) == EndedSession(41, 0, 0)
    assert not bench.tunnel.is_up


def test_killed_process_does_not_keep_another_from_using_it(bench: Bench) -> None:
    other, mine = bench.process(), bench.use()
    mine.take(1)
    other.do("take")
    other.kill()
    assert bench.use().sweep(at_once=True) is None
    assert bench.tunnel.is_up


def test_what_killed_processes_left_up_is_used_by_the_next_one_in_the_same_session(bench: Bench) -> None:
    users = [bench.process(), bench.process()]
    for one in users:
        one.do("take")
        one.do("session 41")
    for one in users:
        one.kill()
    mine = bench.use()
    mine.take(1)
    assert (bench.tunnel.count("up"), mine.session()) == (1, 41)
    assert mine.leave(linger=False) == EndedSession(41, 0, 0)


def test_what_killed_processes_left_up_lingers_from_the_moment_that_it_is_found(bench: Bench) -> None:
    other, clock = bench.process(), SteppedClock(NOW)
    other.do("take")
    other.do("session 41")
    other.kill()
    assert bench.use(clock).sweep() is None
    clock.step(59)
    assert bench.use(clock).sweep() is None
    assert bench.tunnel.is_up
    clock.step(1)
    assert bench.use(clock).sweep() == EndedSession(41, 0, 0)
    assert not bench.tunnel.is_up


def test_whoever_comes_while_another_brings_it_up_waits_and_finds_it_up(bench: Bench) -> None:
    one, other = bench.process(), bench.process()
    bench.stops_in(one, "take", "up")
    other.begin("take")
    assert other.waits()
    bench.tunnel.let_go("up")
    assert (one.answer(), other.answer()) == ("up", "up")
    assert bench.tunnel.count("up") == 1
    assert [one.do("leave"), other.do("leave")][0] == NOTHING
    assert not bench.tunnel.is_up


def test_waiting_for_another_who_is_at_it_has_an_end(bench: Bench) -> None:
    other, clock = bench.process(), SteppedClock(NOW)
    bench.stops_in(other, "take", "up")
    busy = "another process is .* up or taking it down"
    said = rf"waited 5 s: {busy}: process {other.process.pid}, since \w+ \d+ \w+ 20.* or end it"
    with pytest.raises(TunnelTrouble, match=said):
        bench.use(clock).take(5)
    assert clock.monotonic() == pytest.approx(5, abs=1)
    bench.tunnel.let_go("up")
    assert other.answer() == "up"
    assert other.do("leave") != NOTHING, "whoever waited in vain has no share of it"


def test_whoever_waits_while_another_fails_tries_it_and_is_told_too(bench: Bench) -> None:
    bench.tunnel.refuse("up")
    one, other = bench.process(), bench.process()
    bench.stops_in(one, "take", "up")
    other.begin("take")
    assert other.waits()
    bench.tunnel.let_go("up")
    for process in (one, other):
        assert process.answer().startswith("TunnelTrouble: folder: cannot go up")
    assert (bench.tunnel.count("up"), bench.tunnel.count("down")) == (2, 2)
    bench.tunnel.allow("up")
    assert other.do("take") == "up"
    assert other.do("leave") != NOTHING


def test_whoever_comes_while_another_takes_it_down_waits_and_brings_it_up_again(bench: Bench) -> None:
    one, other = bench.process(), bench.process()
    one.do("take")
    one.do("session 41")
    bench.stops_in(one, "leave", "down")
    other.begin("take")
    assert other.waits()
    bench.tunnel.let_go("down")
    assert other.answer() == "up"
    assert one.answer() == "EndedSession(session=41, sent=0, received=0)"
    assert bench.tunnel.is_up
    assert bench.tunnel.count("up") == 2
    assert other.do("session 42") == "42"
    assert other.do("leave") == "EndedSession(session=42, sent=0, received=0)"


def test_waiting_for_another_who_takes_it_down_has_an_end(bench: Bench) -> None:
    other, clock = bench.process(), SteppedClock(NOW)
    other.do("take")
    bench.stops_in(other, "leave", "down")
    said = f"waited 5 s: .* taking it down: process {other.process.pid}, "
    with pytest.raises(TunnelTrouble, match=said):
        bench.use(clock).take(5)
    assert clock.monotonic() == pytest.approx(5, abs=1)
    bench.tunnel.let_go("down")
    assert other.answer() != NOTHING


def test_sweep_leaves_it_to_whoever_is_just_taking_it_down(bench: Bench) -> None:
    other = bench.process()
    other.do("take")
    bench.stops_in(other, "leave", "down")
    assert bench.use().sweep(at_once=True) is None
    bench.tunnel.let_go("down")
    assert other.answer() != NOTHING
    assert bench.tunnel.count("down") == 1


def test_whoever_waits_for_one_who_is_killed_goes_on(bench: Bench) -> None:
    """Killed while bringing it up: whoever waits does it anew, over what stands."""
    one, other = bench.process(), bench.process()
    bench.stops_in(one, "take", "up")
    other.begin("take")
    assert other.waits()
    one.kill()
    bench.tunnel.let_go("up")
    assert other.answer() == "up"
    assert (bench.tunnel.count("up"), bench.tunnel.is_up) == (2, True)


def test_half_up_tunnel_of_a_killed_process_is_not_taken_for_a_whole_one(bench: Bench) -> None:
    bench.killed_in("take", "up")
    (bench.folder / "stands").touch()
    mine = bench.use()
    mine.take(1)
    assert bench.tunnel.count("up") == 2
    assert mine.leave(linger=False) is not None


def test_half_up_tunnel_of_a_killed_process_is_swept(bench: Bench) -> None:
    bench.killed_in("take", "up")
    (bench.folder / "stands").touch()
    assert bench.use().sweep() is None
    assert bench.use(LATER).sweep() == EndedSession(0, 0, 0)
    assert not bench.tunnel.is_up


def test_half_down_tunnel_of_a_killed_process_is_swept_and_its_session_ended(bench: Bench) -> None:
    other = bench.process()
    other.do("take")
    other.do("session 41")
    bench.killed_in("leave", "down", other)
    assert bench.tunnel.is_up
    assert bench.use(LATER).sweep() == EndedSession(41, 0, 0)
    assert not bench.tunnel.is_up


def test_half_down_tunnel_of_a_killed_process_is_brought_up_anew_by_the_next_use(bench: Bench) -> None:
    other = bench.process()
    other.do("take")
    other.do("session 41")
    bench.killed_in("leave", "down", other)
    mine = bench.use()
    mine.take(1)
    assert bench.tunnel.count("up") == 2
    assert mine.session() == 0, "it is another session; the ledger takes the one before as cut"


def test_tunnel_that_lingered_when_the_service_was_killed_is_swept_by_the_next_service(bench: Bench) -> None:
    before = bench.process()
    before.do("take")
    before.do("session 41")
    assert before.do("linger") == NOTHING
    before.kill()
    after = bench.process()
    assert after.do("sweep") == NOTHING
    assert bench.tunnel.is_up
    after.kill()
    assert bench.use(LATER).sweep() == EndedSession(41, 0, 0)
    assert not bench.tunnel.is_up


def test_tunnel_that_lingers_is_used_again_by_a_service_that_was_restarted(bench: Bench) -> None:
    before, after = bench.process(), bench.process()
    before.do("take")
    before.do("session 41")
    before.do("linger")
    before.kill()
    assert [after.do("take"), after.do("session 42")] == ["up", "41"]
    assert bench.tunnel.count("up") == 1
    assert bench.use(LATER).sweep() is None, "it is in use again"
    assert after.do("leave") == "EndedSession(session=41, sent=0, received=0)"


def test_many_processes_at_once_leave_nothing_up_and_never_overlap(bench: Bench) -> None:
    """The tunnel cries out where up and down are under way at the same time; then a process ends early."""
    users = [bench.process(linger_s=0.0) for _ in range(4)]

    def work(one: TunnelUser) -> list[str]:
        said = []
        for _ in range(6):
            said += [one.do("take"), "up" if bench.tunnel.is_up else "taken, yet down"]
            one.do("leave")
        return said

    with ThreadPoolExecutor(len(users)) as pool:
        said = [line for lines in pool.map(work, users) for line in lines]
    assert set(said) == {"up"}
    assert not bench.tunnel.is_up
    assert bench.tunnel.count("up") == bench.tunnel.count("down")
