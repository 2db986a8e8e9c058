"""What is read is asked for so that it fills the line and is not felt there, in large files and in many small ones."""

from __future__ import annotations

import heapq
import socket
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from otherroof.far import requests
from otherroof.far.allowance import (
    ANSWER,
    BEGUN,
    BURST_S,
    FIRST_RATE,
    FIRST_WINDOW,
    HEADROOM,
    LEAST_PIECE,
    LEAST_WINDOW,
    NO_BOUND,
    PIECES,
    LineFigures,
    ReadAllowance,
    ReadShare,
)
from otherroof.far.courtesy import Courtesy, Sample
from otherroof.far.place import Meter, Task, TaskResult
from otherroof.far.sftp.channel import SftpChannel, TaskFeed
from otherroof.far.sftp.codec import DATA
from otherroof.far.sftp.streams import Streams
from support.busy_line import At, lateness, never
from support.sftp_servers import SparingChannel, SparingSession, own_server

ALLOWED_S = 0.040
CHANNELS = 4
LONGEST_READ = 261_120
TICK_S = 0.001
LOOK_S = 0.1
FLOW_LOOKS = 5


class Ticks:
    """Seconds that a test moves, or that pass by themselves between two looks."""

    def __init__(self, step_s: float = 0.0) -> None:
        self.now = 100.0
        self._step_s = step_s

    def __call__(self) -> float:
        self.now += self._step_s
        return self.now


def long_rate(rate: float) -> LineFigures:
    """A line so long that what is under way bounds nothing."""
    return LineFigures(rate, 1e6, 1.0)


@settings(max_examples=40)
@given(st.floats(20_000, 50_000_000), st.lists(st.floats(0.0001, 0.3), min_size=20, max_size=200))
def test_what_may_be_asked_for_is_never_more_than_the_rate_and_a_burst(rate: float, pauses: list[float]) -> None:
    ticks = Ticks()
    allowance = ReadAllowance(ticks)
    share = allowance.share()
    allowance.set_rate(rate, rate, long_rate(rate))
    asked = 0
    for pause in pauses:
        ticks.now += pause
        while share.take(size := share.piece(LONGEST_READ)):
            asked += size
    assert asked <= (ticks.now - 100.0) * rate + max(rate * BURST_S, LEAST_PIECE) + LONGEST_READ


@settings(max_examples=40)
@given(st.data())
def test_what_has_not_come_is_never_more_than_the_window_and_one_request_for_each_channel(data: st.DataObject) -> None:
    allowance = ReadAllowance(Ticks(0.001))
    shares = [allowance.share() for _ in range(CHANNELS)]
    under_way: dict[ReadShare, deque[int]] = {share: deque() for share in shares}
    for share in shares:
        share.wants = True
    for _ in range(data.draw(st.integers(1, 60))):
        share = data.draw(st.sampled_from(shares))
        if under_way[share] and data.draw(st.booleans()):
            share.came(under_way[share].popleft())
        elif share.take(size := data.draw(st.integers(1, LONGEST_READ).map(share.piece))):
            under_way[share].append(size)
        assert allowance.under_way == sum(map(sum, under_way.values()))
        assert allowance.under_way <= FIRST_WINDOW + CHANNELS * LEAST_PIECE
        assert all(sum(sizes) < FIRST_WINDOW / CHANNELS + LEAST_PIECE for sizes in under_way.values())


def test_a_channel_alone_has_all_and_each_that_comes_takes_its_part() -> None:
    allowance = ReadAllowance(Ticks(0.01))
    allowance.set_rate(0.0, 1_000_000.0, LineFigures(1_000_000, 0.006, 0.010))  # 16,000 bytes
    first, second = allowance.share(), allowance.share()
    first.wants = True
    assert [first.take(1000) for _ in range(17)] == [True] * 16 + [False]
    second.wants = True
    assert second.take(1000), "one request in any case"
    assert not second.take(1000)
    for _ in range(12):
        first.came(1000)
    assert second.take(1000)
    first.spend(3500)
    assert first.take(1000), "the last may be one too much"
    assert not first.take(1000), "half of all is the other's"


def test_while_nothing_queues_a_quarter_more_than_came_may_be_under_way_and_a_pause_loses_none() -> None:
    allowance = ReadAllowance(Ticks())
    share = allowance.share()
    # 1 MB a second times 40 ms, and times the 20 ms that may be added.
    allowance.set_rate(0.0, 0.0, LineFigures(1_000_000, 0.040, 0.020))
    assert allowance.window == pytest.approx(60_000 * HEADROOM)
    assert allowance.rate == pytest.approx(60_000 * HEADROOM / 0.040)
    assert share.piece(LONGEST_READ) == int(60_000 * HEADROOM / PIECES)
    assert share.piece(1000) == 1000
    allowance.set_rate(0.0, 0.0, LineFigures(0, 0.040, 0.020))
    assert allowance.window == pytest.approx(60_000 * HEADROOM)


def test_what_courtesy_found_and_the_limit_hold_at_once() -> None:
    allowance = ReadAllowance(Ticks())
    allowance.set_rate(0.0, 90_000.0, LineFigures(1_000_000, 0.040, 0.020))
    assert (allowance.rate, allowance.window) == (90_000.0, LEAST_WINDOW)
    allowance.set_rate(300_000.0, 2_000_000.0, LineFigures(1_000_000, 0.040, 0.020))
    assert (allowance.rate, allowance.window) == (300_000.0, pytest.approx(120_000))
    allowance.set_rate(300_000.0, 0.0, LineFigures())
    assert (allowance.rate, allowance.window) == (300_000.0, NO_BOUND), "nobody minds a queue"
    assert allowance.share().piece(LONGEST_READ) == 6_000, "a fiftieth of a second"


def test_nothing_is_read_fast_before_anything_is_known() -> None:
    allowance = ReadAllowance(Ticks())
    assert allowance.rate == FIRST_RATE
    allowance.set_rate(0.0, 0.0, LineFigures(0.0, 0.0, 0.020))
    assert allowance.rate == FIRST_RATE


def test_no_more_files_are_begun_than_will_be_read_soon_and_each_channel_has_its_part() -> None:
    allowance = ReadAllowance(Ticks())
    first, second = allowance.share(), allowance.share()
    begun = 0
    while first.may_begin and begun < 100:
        first.begin(9900)
        begun += 1
    assert begun * (9900 + ANSWER) == pytest.approx(FIRST_WINDOW * BEGUN / 2, abs=10_000)
    assert second.may_begin
    first.end(9900)
    assert first.may_begin


# -- a line with one queue, and channels that read over it as `Streams` do --


@dataclass
class Channel:
    """Reads files of one size without end: each is opened and looked at first, and closed at last."""

    share: ReadShare
    size: int
    opening: deque[float] = field(default_factory=deque)  # when each may be read
    left: int = 0  # of the file that is being read


@dataclass
class Model:
    """A line of `rate` bytes a second towards home, `floor_s` its round trip; the way there is empty. The connection of
    the first channel carries at most `slow` bytes in a round trip, if that is given; what comes is late by `late_s` of
    the time, for another reason than the line's."""

    rate: float
    floor_s: float
    size: int
    slow: int = 0
    late_s: At = never
    ticks: Ticks = field(default_factory=Ticks)
    came: float = 0.0
    seen: float = 0.0  # of what came, at the look before
    delays: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.allowance = ReadAllowance(self.ticks)
        self.channels = [Channel(self.allowance.share(), self.size) for _ in range(CHANNELS)]
        self._free_at = self._slow_at = self.ticks.now
        self._order = 0
        self._courtesy, self._flows = Courtesy(ALLOWED_S), deque[float](maxlen=FLOW_LOOKS)
        self._courtesy.look(Sample(self.ticks.now, self.floor_s, 0))  # logging in leaves the line empty
        self._answers: list[tuple[float, int, Channel, int, bool]] = []

    def ride(self, seconds: float) -> None:
        """Read for so long; the delay of the queue is noted at each look, and what came is counted."""
        courtesy, flows = self._courtesy, self._flows
        for step in range(1, int(seconds / TICK_S)):
            self.ticks.now += TICK_S
            self._collect()
            for channel in self.channels:
                self._work(channel)
            if step % int(LOOK_S / TICK_S) == 0:
                queue_s = max(0.0, self._free_at - self.ticks.now - self.floor_s / 2)  # before what is asked now
                self.delays.append(queue_s)
                trip_s = self.floor_s + queue_s + self.late_s(self.ticks.now)
                waits = not courtesy.rate or self.allowance.held_by_rate
                courtesy.look(Sample(self.ticks.now, trip_s, int(self.came - self.seen), waits=waits))
                flows.append((self.came - self.seen) / LOOK_S)
                self.seen = self.came
                line = LineFigures(sum(flows) / FLOW_LOOKS, courtesy.own_trip_s(), courtesy.aim_s)
                self.allowance.set_rate(0.0, courtesy.rate, line)

    def _work(self, channel: Channel) -> None:
        share, now = channel.share, self.ticks.now
        while (share.may_begin and len(channel.opening) < 1000) or not (channel.opening or channel.left):
            share.begin(channel.size)
            for _ in range(3):
                share.spend(ANSWER)
                self._ask(channel, ANSWER, ends=False)
            channel.opening.append(now + 2 * self.floor_s)
        while True:
            if not channel.left and channel.opening and channel.opening[0] <= now:
                channel.opening.popleft()
                channel.left = channel.size
            share.wants = channel.left > 0
            if not channel.left or not share.take(size := share.piece(min(LONGEST_READ, channel.left))):
                return
            channel.left -= size
            self._ask(channel, size, ends=not channel.left)

    def _ask(self, channel: Channel, size: int, *, ends: bool) -> None:
        there = self.ticks.now + self.floor_s / 2
        self._free_at = max(self._free_at, there) + size / self.rate
        here = self._free_at + self.floor_s / 2 + self.late_s(self.ticks.now)
        if self.slow and channel is self.channels[0]:
            here = self._slow_at = max(here, self._slow_at + size * self.floor_s / self.slow)
        self._order += 1
        heapq.heappush(self._answers, (here, self._order, channel, size, ends))

    def _collect(self) -> None:
        while self._answers and self._answers[0][0] <= self.ticks.now:
            _, _, channel, size, ends = heapq.heappop(self._answers)
            channel.share.came(size)
            self.came += size
            if ends:
                channel.share.end(channel.size)


LINES = [(20, 0.040), (100, 0.020), (2, 0.060)]


@pytest.mark.parametrize("size", [9_000, 5_000_000])
@pytest.mark.parametrize(("mbit", "floor_s"), LINES)
def test_files_large_and_small_fill_the_line_and_are_not_felt(mbit: float, floor_s: float, size: int) -> None:
    rate = mbit * 1e6 / 8
    model = Model(rate, floor_s, size)
    model.ride(4.0)
    assert max(model.delays) < 2 * ALLOWED_S, "also while it finds out about the line"
    begun, came, model.delays = model.ticks.now, model.came, []
    model.ride(6.0)
    assert (model.came - came) / (model.ticks.now - begun) > 0.85 * rate
    assert sorted(model.delays)[int(len(model.delays) * 0.95)] < ALLOWED_S


@pytest.mark.parametrize("kind", ["all", "some"])
def test_answers_that_come_late_for_another_reason_do_not_stop_what_is_read(kind: str) -> None:
    rate, begins = 20e6 / 8, Ticks().now + 5.0
    some = lateness("even", 0.020, 0.05, seed=7)
    model = Model(rate, 0.040, 5_000_000)
    model.late_s = some if kind == "some" else lambda now: 0.100 if now > begins else 0.0
    model.ride(25.0)
    begun, came = model.ticks.now, model.came
    model.ride(10.0)
    assert (model.came - came) / (model.ticks.now - begun) > (0.85 if kind == "some" else 0.6) * rate


def test_a_connection_that_is_slow_takes_nothing_from_the_others() -> None:
    rate = 20e6 / 8
    model = Model(rate, 0.040, 9_000, slow=4_000)
    model.ride(4.0)
    begun, came = model.ticks.now, model.came
    model.ride(4.0)
    assert (model.came - came) / (model.ticks.now - begun) > 0.6 * rate


# -- streams count what they ask for, and give back what came --


class Reading:
    """A stream of its own channel that goes on as far as it may, and whose oldest request may be answered."""

    def __init__(self, share: ReadShare, length: int) -> None:
        self.asked: list[tuple[requests.Read, Callable[[bytes], None]]] = []
        self._streams = Streams(lambda op, heard: self.asked.append((op, heard)), Meter(), share)  # type: ignore[arg-type]
        self._streams.begin(requests.ReadStream(b"h", 0, length, requests.BytesSink()), lambda _came, _failure: None)
        self.go_on()

    def go_on(self) -> int:
        self._streams.fill(LONGEST_READ, idle=False)
        return len(self.asked)

    def answer_oldest(self, *, short_by: int = 0) -> None:
        op, heard = self.asked.pop(0)
        data = b"x" * (op.size - short_by)
        heard(bytes([DATA]) + bytes(4) + len(data).to_bytes(4, "big") + data)


def test_streams_share_what_may_be_under_way_and_give_back_what_came() -> None:
    allowance = ReadAllowance(Ticks(0.1))
    allowance.set_rate(0.0, 1_000_000.0, LineFigures(1_000_000, 0.044, 0.020))  # 64,000 bytes
    first = Reading(allowance.share(), 1_000_000)
    assert len(first.asked) == 64_000 // LEAST_PIECE + 1
    second = Reading(allowance.share(), 2 * LEAST_PIECE)
    assert len(second.asked) == 1, "one in any case"
    for _ in range(8):
        first.answer_oldest()
    assert first.go_on() == 8, "half is the other's"
    first.answer_oldest(short_by=96)
    assert first.asked[-1][0].size == 96, "the rest is asked for again"
    assert allowance.under_way == 7 * LEAST_PIECE + 96 + LEAST_PIECE
    assert second.go_on() == 2, "all of it"
    assert first.go_on() > 9, "nobody else wants any"
    while first.asked or second.asked:
        (first if first.asked else second).answer_oldest()
    assert allowance.under_way == 0


def test_a_channel_begins_no_script_beyond_its_share(tmp_path: Path) -> None:
    allowance = ReadAllowance(Ticks(0.1))
    share, most, begun = allowance.share(), [0], [0]

    def script() -> requests.Script[None]:
        begun[0] += 1
        most[0] = max(most[0], begun[0])
        yield requests.Stat(b"name")
        begun[0] -= 1

    (tmp_path / "name").touch()
    waiting = deque(Task(number, script(), 20_000) for number in range(40))
    ours, theirs = socket.socketpair()
    ours.settimeout(20)
    done: list[TaskResult[Any, Any]] = []
    with own_server(tmp_path, theirs, read_only=True), ours:
        channel = SftpChannel(SparingSession(SparingChannel(ours, [1 << 20])), b"/", Meter(), share=share)  # type: ignore[arg-type]
        feed = TaskFeed(
            take=lambda _wait: waiting.popleft() if waiting else None,
            give=lambda _task, result: done.append(result),
            ended=lambda: not waiting,
        )
        channel.work(feed)
    assert [one.error for one in done] == [None] * 40
    assert most[0] == 8, "so many are the first that are more than six times the first window"
    assert allowance.under_way == 0
    assert share.may_begin


def test_what_the_rate_allows_is_asked_for_without_waiting_for_answers(tmp_path: Path) -> None:
    """Else each answer would let go another burst, one for each round trip, however long that is."""
    allowance = ReadAllowance()
    allowance.set_rate(400_000.0, 0.0, LineFigures())  # 8,000 bytes are a burst
    most, length = [0], 40_000

    class LateAnswers(SparingChannel):
        def recv_ready(self) -> bool:
            return allowance.under_way >= length

        def recv(self, count: int) -> bytes:
            most[0] = max(most[0], allowance.under_way)
            return super().recv(count)

    def script() -> requests.Script[None]:
        handle = yield requests.OpenFile(b"name", requests.Mode.READ)
        yield requests.ReadStream(handle, 0, length, requests.BytesSink())
        yield requests.CloseFile(handle)

    (tmp_path / "name").write_bytes(b"x" * length)
    waiting = deque([Task(0, script())])
    ours, theirs = socket.socketpair()
    ours.settimeout(20)
    with own_server(tmp_path, theirs, read_only=True), ours:
        session = SparingSession(LateAnswers(ours, [1 << 20]))
        channel = SftpChannel(session, b"/", Meter(), share=allowance.share())  # type: ignore[arg-type]
        channel.work(
            TaskFeed(lambda _: waiting.popleft() if waiting else None, lambda _task, _done: None, lambda: not waiting)
        )
    assert most[0] >= length
