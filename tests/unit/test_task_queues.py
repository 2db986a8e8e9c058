"""Which channel takes which task: long streams are left for connections that are only being opened, and what waits for
the far disk for the channels that do nothing else."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.errors import LinkLost, Refused
from otherroof.far import requests
from otherroof.far.place import Meter, Task, TaskResult
from otherroof.far.requests import Script
from otherroof.far.sftp import place as place_module
from otherroof.far.sftp.place import (
    DISK_CHANNELS,
    DISK_CHANNELS_EACH,
    FAR_CONNECTIONS,
    NEAR_CONNECTIONS,
    NEAR_CONNECTIONS_LARGE,
    NEAR_S,
    SftpPlace,
)
from otherroof.far.sftp.queues import MOST_FOR_DISK, MOST_LONG, TaskQueues
from support.faulty_box import Offers
from support.main_job import one_job, stand_in_door
from support.places import ask, open_door


def test_a_refusal_that_waits_behind_a_break_is_told_and_what_went_well_is_not() -> None:
    queues, refusal = TaskQueues(), Refused("input/output error")
    queues.crash(LinkLost("broke"))
    queues.give(task("well"), TaskResult("well", value=None))
    queues.give(task("refused"), TaskResult("refused", error=refusal))
    queues.crash(LinkLost("broke too"))
    with pytest.raises(LinkLost, match="broke"):
        queues.result(0.0)
    assert [(one.key, one.error) for one in queues.refusals()] == [("refused", refusal)]


def test_a_connection_counts_only_once_it_has_a_queue(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A share of a large file that is given to the last of them would go to the first, which then has two."""
    counted, put_to_work = list[int](), SftpPlace._put_to_work

    def putting(self: SftpPlace, channel: Any, queues: TaskQueues) -> None:
        counted.append(self.connections)
        put_to_work(self, channel, queues)

    with stand_in_door(tmp_path, Offers()) as door, closing(open_door(door)) as place:
        (first,) = place.carry_out(iter([Task("first", ask(requests.Stat(b".")))]))
        assert first.error is None
        monkeypatch.setattr(SftpPlace, "_put_to_work", putting)

        def work() -> Iterator[Task[str, Any]]:
            place._add_channel()
            yield Task("second", ask(requests.Stat(b".")), connection=1)

        (second,) = place.carry_out(work())
        assert second.error is None
    assert counted == [1, 1], "the one that is there, and the new one before it counts"


def test_whoever_asks_at_the_same_time_further_connections_are_opened_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The caller asks, and so does whoever opens channels for a slow disk."""
    started, together = list[Any](), threading.Barrier(2)

    def starting(**given: Any) -> threading.Thread:
        started.append(given)
        with suppress(threading.BrokenBarrierError):
            together.wait(0.5)  # for another that has seen that there is none yet; it may be late on a full machine
        return threading.Thread(**given)

    with stand_in_door(tmp_path, Offers()) as door, closing(open_door(door)) as place:
        place._wanted = 2
        monkeypatch.setattr(SftpPlace, "_widen", lambda *_: None)
        monkeypatch.setattr(place_module, "threading", SimpleNamespace(Thread=starting))
        askers = [threading.Thread(target=place.widen) for _ in range(2)]
        for asker in askers:
            asker.start()
        for asker in askers:
            asker.join(10)
    assert len(started) == 1


def test_no_byte_is_lost_to_a_meter_that_several_connections_share() -> None:
    meter = Meter()
    in_the_middle, other_is_done = threading.Event(), threading.Event()

    class Slow(int):
        """An amount that takes its time to be added."""

        def __radd__(self, other: int) -> int:
            in_the_middle.set()
            other_is_done.wait(0.5)
            return int(self) + other

    first = threading.Thread(target=lambda: meter.add(landed=Slow(10)))
    first.start()
    assert in_the_middle.wait(10)
    second = threading.Thread(target=lambda: (meter.add(landed=20), other_is_done.set()))
    second.start()
    first.join(10)
    second.join(10)
    assert meter.landed == 30


def nothing() -> Script[None]:
    yield ()


def task(key: str, *, long_stream: bool = False, waits_for_disk: bool = False) -> Task[str, None]:
    return Task(key, nothing(), long_stream=long_stream, waits_for_disk=waits_for_disk)


def for_disk(queues: TaskQueues, count: int) -> list[Task[str, None]]:
    tasks = [task(f"sync {place}", waits_for_disk=True) for place in range(count)]
    for one in tasks:
        queues.put(one)
    return tasks


def taken(queues: TaskQueues, channel: int) -> list[str]:
    found: list[Task[Any, Any]] = []
    while (one := queues.take(channel, wait=False)) is not None:
        found.append(one)
    return [one.key for one in found]


def with_a_file_under_way(syncs: int) -> tuple[TaskQueues, int]:
    """A channel that took a file, one for the disk, and so many syncs that wait."""
    queues = TaskQueues()
    channel = queues.join()
    queues.join_for_disk()
    queues.put(task("file"))
    for_disk(queues, syncs)
    assert taken(queues, channel) == ["file"]
    return queues, channel


def test_a_channel_leaves_long_streams_for_those_that_join_later() -> None:
    queues = TaskQueues()
    first = queues.join()
    keys = [f"range {place}" for place in range(2 * MOST_LONG)]
    tasks = {key: task(key, long_stream=True) for key in keys}
    for one in tasks.values():
        queues.put(one)
    assert taken(queues, first) == keys[:MOST_LONG]
    second = queues.join()
    assert taken(queues, second) == keys[MOST_LONG:]


def test_a_channel_takes_the_next_long_stream_when_one_has_ended() -> None:
    queues = TaskQueues()
    only = queues.join()
    tasks = [task(f"range {place}", long_stream=True) for place in range(MOST_LONG + 2)]
    for one in tasks:
        queues.put(one)
    assert len(taken(queues, only)) == MOST_LONG
    queues.give_from(only, tasks[0], TaskResult(tasks[0].key))
    assert taken(queues, only) == [tasks[MOST_LONG].key]
    queues.close()
    assert not queues.ended(only), "one is left, and nobody else is there to take it"


def test_short_tasks_are_taken_without_such_a_bound() -> None:
    queues = TaskQueues()
    only = queues.join()
    for place in range(4 * MOST_LONG):
        queues.put(task(f"file {place}"))
    assert len(taken(queues, only)) == 4 * MOST_LONG


@pytest.mark.parametrize("opened", [True, False], ids=["opened", "being opened"])
def test_a_channel_helps_with_a_few_that_wait_for_the_disk_if_nothing_else_came(opened: bool) -> None:
    queues = TaskQueues()
    helper = queues.join()
    queues.holds_disk_tasks = not opened
    if opened:
        queues.join_for_disk()
    tasks = for_disk(queues, MOST_FOR_DISK + 3)
    assert taken(queues, helper) == [one.key for one in tasks[:MOST_FOR_DISK]]
    queues.give_from(helper, tasks[0], TaskResult(tasks[0].key))
    assert taken(queues, helper) == [tasks[MOST_FOR_DISK].key]
    queues.join_for_disk()
    left = queues.take_for_disk(wait=False)
    assert left is not None
    assert left.key == tasks[MOST_FOR_DISK + 1].key


def test_a_channel_that_has_other_work_is_held_up_by_no_sync() -> None:
    queues, other = with_a_file_under_way(3)
    assert taken(queues, other) == [], "nor once that has ended: the next file may come at any moment"
    queues.say_nothing_else()
    assert len(taken(queues, other)) == 3
    queues.put(task("another file"))
    for_disk(queues, 1)
    assert taken(queues, other) == ["another file"]


def test_if_no_channel_is_there_for_the_disk_the_others_take_all() -> None:
    queues = TaskQueues()
    only = queues.join()
    queues.put(task("file"))
    for_disk(queues, MOST_FOR_DISK * 2)
    assert len(taken(queues, only)) == 1 + MOST_FOR_DISK * 2


def test_over_a_line_syncs_go_on_while_a_further_channel_is_only_being_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a full line that takes seconds, behind all that waits to be sent."""
    may_open, waited_in_vain = threading.Event(), threading.Event()

    def opens_late(_: SftpPlace) -> bool:
        if not may_open.wait(60):
            waited_in_vain.set()
        return False

    monkeypatch.setattr(SftpPlace, "_add_disk_channel", opens_late)
    ended: list[str] = []

    def work() -> Iterator[Task[str, Any] | None]:
        yield Task("file", ask(requests.Stat(b".")))
        for place in range(20):
            yield Task(f"sync {place}", ask(requests.Stat(b".")), waits_for_disk=True)
        while len(ended) < 21:
            yield None

    with stand_in_door(tmp_path, Offers()) as door, closing(open_door(door)) as place:
        for done in place.carry_out(work()):
            assert done.error is None
            ended.append(done.key)
        may_open.set()
    assert len(ended) == 21
    assert not waited_in_vain.is_set()


@pytest.mark.slow
def test_ranges_of_large_files_come_back_as_long_streams_and_small_files_do_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes: list[tuple[bool, int]] = []
    put = TaskQueues.put

    def noting(self: TaskQueues, one: Task[Any, Any]) -> None:
        sizes.append((one.long_stream, one.weight))
        put(self, one)

    with one_job(tmp_path) as job:
        job.put("film", b"x" * 2_000_000)
        job.put("note", b"y" * 2_000)
        run = job.done().run
        monkeypatch.setattr(TaskQueues, "put", noting)
        assert job.unlike(run) == []
    assert (False, 2_000) in sizes, "the small file"
    assert [long for long, _ in sizes].count(True) == 1, "the one range of the large file"


def test_at_the_end_channels_help_with_what_waits_for_the_disk() -> None:
    queues, helper = with_a_file_under_way(2)
    queues.close()
    assert taken(queues, helper) == ["sync 0", "sync 1"]


def test_what_is_held_for_channels_that_are_being_opened_is_left_to_them() -> None:
    queues = TaskQueues()
    other = queues.join()
    queues.holds_disk_tasks = True
    queues.put(task("file"))
    for_disk(queues, 1)
    assert taken(queues, other) == ["file"]
    queues.release_disk_tasks()
    assert taken(queues, other) == ["sync 0"], "none came"


def test_no_channel_ends_before_what_it_has_to_take() -> None:
    queues = TaskQueues()
    first = queues.join()
    assert (queues.ended(first), queues.ended_for_disk()) == (False, False), "work may come"
    (waits,) = for_disk(queues, 1)
    queues.close()
    assert (queues.ended(first), queues.ended_for_disk()) == (False, False), "nobody else is there to take it"
    queues.join_for_disk()
    assert (queues.ended(first), queues.ended_for_disk()) == (True, False), "that is the other's"
    assert queues.take_for_disk(wait=False) is waits
    assert (queues.ended(first), queues.ended_for_disk()) == (True, True)


def test_what_is_for_one_channel_is_taken_by_no_other() -> None:
    queues = TaskQueues()
    first, second = queues.join(), queues.join()
    queues.put(Task("second", nothing(), connection=second))
    queues.put(Task("first", nothing(), connection=first))
    assert (taken(queues, first), taken(queues, second)) == (["first"], ["second"])


def test_what_ended_a_channel_is_raised_in_the_caller() -> None:
    queues = TaskQueues()
    queues.crash(ZeroDivisionError("a slip"))
    with pytest.raises(ZeroDivisionError, match="a slip"):
        queues.result(0.0)


def test_what_waited_for_the_disk_is_counted_in_files() -> None:
    """By that it is told how fast the far disk is, and whether further channels are of use."""
    queues = TaskQueues()
    for one in (Task("two files", nothing(), waits_for_disk=True, files=2), task("file")):
        queues.give(one, TaskResult(one.key))
    assert queues.disk_results == 2


@dataclass(slots=True)
class Workers:
    """Channels as `SftpChannel.work` is one, without a thread: each takes, ends a task or looks whether all has ended,
    in whatever order a test says."""

    queues: TaskQueues
    held: dict[int | str, list[Task[str, None]]] = field(default_factory=dict)
    ended: set[int | str] = field(default_factory=set)
    done: list[str] = field(default_factory=list)

    def join(self) -> None:
        self.held[self.queues.join()] = []

    def join_for_disk(self) -> None:
        self.queues.join_for_disk()
        self.held[f"disk {len(self.held)}"] = []

    def step(self, who: int | str, pick: int) -> bool:
        """One thing that this channel does next; False if it has left, or would only wait for another one."""
        if who in self.ended:
            return False
        mine = self.held[who]
        if pick % 2 == 0 and len(mine) < MOST_SCRIPTS:
            one = self.queues.take(who, False) if isinstance(who, int) else self.queues.take_for_disk(False)
            if one is not None:
                mine.append(one)
                return True
        if mine:
            one = mine.pop(pick % len(mine))
            give = partial(self.queues.give_from, who) if isinstance(who, int) else self.queues.give
            give(one, TaskResult(one.key))
            self.done.append(one.key)
            return True
        if self.queues.ended(who) if isinstance(who, int) else self.queues.ended_for_disk():
            self.ended.add(who)
            return True
        return False

    def alive(self) -> list[int | str]:
        return [who for who in self.held if who not in self.ended]

    def run_dry(self, chance: Random) -> None:
        """Every channel goes on as long as any gets on."""
        picks = [(0, 1), (1, 0)]
        while sum(self.step(who, pick) for who in self.alive() for pick in chance.choice(picks)):
            pass


MOST_SCRIPTS = 40
KINDS = ("file", "file of one channel", "sync", "range")


def of_kind(kind: str, number: int) -> Task[str, None]:
    connection = number if kind == "file of one channel" else None
    key = f"{kind} {number}"
    return Task(key, nothing(), connection=connection, long_stream=kind == "range", waits_for_disk=kind == "sync")


def put_some(queues: TaskQueues, chance: Random, put: list[str]) -> None:
    kind = chance.choice(KINDS)
    for _ in range(chance.choice((1, MOST_FOR_DISK + 2))):
        put.append(f"{kind} {len(put)}")
        queues.put(of_kind(kind, len(put) - 1))


@pytest.mark.slow
@pytest.mark.parametrize("seeds", [range(begin, begin + 75) for begin in (0, 75)], ids=str)
def test_in_whatever_order_channels_get_on_each_task_is_done_once_and_none_is_left(seeds: range) -> None:
    """Nobody sleeps while there is something that nobody else would take, and nobody leaves before it is done."""
    for seed in seeds:
        chance, queues, put = Random(seed), TaskQueues(), list[str]()
        workers = Workers(queues)
        for _ in range(chance.randint(1, 4)):
            workers.join()
        # Those for the disk are there, are being opened, or are not to be had, as with `MaxSessions 1`.
        queues.holds_disk_tasks = seed % 3 == 0
        for _ in range(chance.randint(1, 3) if seed % 3 == 1 else 0):
            workers.join_for_disk()
        for _ in range(chance.randint(1, 40)):
            deed = chance.randrange(24)
            if deed < 8:
                put_some(queues, chance, put)
            elif deed == 8:
                queues.say_nothing_else()
                workers.run_dry(chance)
                assert sorted(workers.done) == sorted(put), f"{seed}: nothing else is to come, and some would wait"
            elif deed == 9 and queues.holds_disk_tasks:
                chance.choice((workers.join_for_disk, queues.release_disk_tasks))()
            elif deed == 10:
                workers.join()
            else:
                workers.step(chance.choice(workers.alive()), chance.randrange(10))
        queues.close()
        workers.run_dry(chance)  # whether or not the channels that are being opened ever come
        assert sorted(workers.done) == sorted(put), seed
        assert workers.alive() == [], f"{seed}: all have left"


@pytest.mark.parametrize(
    ("named", "for_much", "opened"), [(0, False, 1), (0, True, NEAR_CONNECTIONS_LARGE), (3, False, 3), (1, True, 1)]
)
def test_little_is_done_over_one_connection_unless_somebody_named_a_number(
    tmp_path: Path, named: int, for_much: bool, opened: int
) -> None:
    with stand_in_door(tmp_path, Offers()) as door, closing(open_door(door, named)) as place:
        place.round_trip_s = 0.0
        place.widen(for_much=for_much)
        if place._widening is not None:
            place._widening.join(20.0)
        assert place.connections == opened


@pytest.mark.parametrize(("named", "channels"), [(0, DISK_CHANNELS), (1, DISK_CHANNELS_EACH)])
def test_a_slow_disk_near_by_is_synced_over_more_channels_than_one_connection_may_have(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, named: int, channels: int
) -> None:
    """Unless somebody named the number of connections."""
    monkeypatch.setattr("otherroof.far.sftp.place.WATCH_S", 0.001)
    queues = TaskQueues()
    for number in range(DISK_CHANNELS):
        queues.put(Task(number, iter(()), waits_for_disk=True))  # type: ignore[arg-type]
    with stand_in_door(tmp_path, Offers()) as door, closing(open_door(door, named)) as place:
        place.round_trip_s = 0.0
        place.widen(for_large=False)
        assert place.connections == NEAR_CONNECTIONS
        place._open_for_disk(queues)  # nothing is taken from the queues, as by a disk that stands still
        assert len(place._disk_channels) == channels


def test_no_connection_is_given_more_channels_than_it_may_have_if_the_second_comes_late(tmp_path: Path) -> None:
    """OpenSSH refuses the eleventh, and then none would be opened any more."""
    with stand_in_door(tmp_path, Offers()) as door, closing(open_door(door, 1)) as place:
        for _ in range(DISK_CHANNELS_EACH):
            assert place._add_disk_channel()
        assert not place._add_disk_channel()
        place._add_channel()
        for _ in range(DISK_CHANNELS_EACH):
            assert place._add_disk_channel()
        assert not place._add_disk_channel()
        first, second = place._sessions
        used = [channel._session for channel in place._disk_channels]
        assert used == [first] * DISK_CHANNELS_EACH + [second] * DISK_CHANNELS_EACH


def test_channels_for_syncs_are_shared_out_evenly(tmp_path: Path) -> None:
    with stand_in_door(tmp_path, Offers()) as door, closing(open_door(door, 1)) as place:
        place._add_channel()
        for _ in range(4):
            assert place._add_disk_channel()
        used = [channel._session for channel in place._disk_channels]
        assert [used.count(session) for session in place._sessions] == [2, 2]


@pytest.mark.parametrize(
    ("trip_s", "for_large", "opened"),
    [
        (0.0, False, NEAR_CONNECTIONS),
        (NEAR_S, True, NEAR_CONNECTIONS_LARGE),
        (NEAR_S * 2, False, FAR_CONNECTIONS),
        (NEAR_S * 2, True, FAR_CONNECTIONS),
    ],
)
def test_near_by_only_large_files_are_given_a_further_connection(
    tmp_path: Path, trip_s: float, for_large: bool, opened: int
) -> None:
    assert NEAR_CONNECTIONS < NEAR_CONNECTIONS_LARGE < FAR_CONNECTIONS
    with stand_in_door(tmp_path, Offers()) as door, closing(open_door(door, 0)) as place:
        place.round_trip_s = trip_s
        place.widen(for_large=for_large)
        if place._widening is not None:
            place._widening.join(20.0)
        assert place.connections == opened
