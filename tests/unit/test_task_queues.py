"""Which channel takes which task: long streams are left for connections that are only being opened."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from otherroof.far.place import Task, TaskResult
from otherroof.far.requests import Script
from otherroof.far.sftp.queues import MOST_LONG, TaskQueues
from support.main_job import one_job


def nothing() -> Script[None]:
    yield ()


def task(key: str, *, long_stream: bool = False) -> Task[str, None]:
    return Task(key, nothing(), long_stream=long_stream)


def taken(queues: TaskQueues, channel: int) -> list[str]:
    found: list[Task[Any, Any]] = []
    while (one := queues.take(channel, wait=False)) is not None:
        found.append(one)
    return [one.key for one in found]


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
