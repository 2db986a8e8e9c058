"""The queues between a caller and the channels that work for it: tasks on their way out, results on their way back.

One queue is for whichever channel has room, and each channel has one of its own besides. What waits for the far disk
goes to channels that do nothing else, once there are any; while nothing else is to be done the others help, as a
sync holds up nobody then. Channels may join while work is under way. It knows neither requests nor connections.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from otherroof.far.place import Task, TaskResult

POLL_S = 0.25  # how often a channel without work looks whether more will come
MOST_FOR_DISK = 32  # tasks that such a helper takes at once: the rest is for the channels that are being opened
MOST_LONG = 2  # long streams that a channel takes at once: one that moves, and one to follow


_NO_TASKS: deque[Task[Any, Any]] = deque()


@dataclass(frozen=True, slots=True)
class ChannelCrash:
    """A channel ended by an error that is not one task's own."""

    error: BaseException


class TaskQueues:
    """Tasks and results of one call; closed when no more tasks will come."""

    def __init__(self) -> None:
        self._results: queue.SimpleQueue[tuple[Task[Any, Any], TaskResult[Any, Any]] | ChannelCrash] = (
            queue.SimpleQueue()
        )
        self._for_all: deque[Task[Any, Any]] = deque()
        self._for_disk: deque[Task[Any, Any]] = deque()
        self._for_channel: list[deque[Task[Any, Any]]] = []
        self._long_streams: list[int] = []  # under way, by channel
        self._disk_tasks_taken: list[int] = []  # tasks under way that wait for the far disk, by channel
        self._nothing_else = True  # no task is about to come but such as wait for the far disk
        self._disk_channels = 0
        self.disk_results = 0  # how many files that waited for the far disk are done
        self.holds_disk_tasks = False  # further channels are being opened: no other channel takes what is for them
        self._changed = threading.Condition()
        self._waiting = 0
        self._closed = False

    @property
    def closed(self) -> bool:
        """Whether no more tasks will come."""
        return self._closed

    def join(self) -> int:
        """A channel joins; answers its number."""
        with self._changed:
            self._for_channel.append(deque())
            self._long_streams.append(0)
            self._disk_tasks_taken.append(0)
            return len(self._for_channel) - 1

    def join_for_disk(self) -> None:
        """A channel joins that takes only what waits for the far disk."""
        with self._changed:
            self._disk_channels += 1

    def release_disk_tasks(self) -> None:
        """No further channel is being opened; if there is none, the others take what waits for the far disk."""
        with self._changed:
            self.holds_disk_tasks = False
            self._changed.notify_all()

    def say_nothing_else(self) -> None:
        """The caller has handed out all that it can for now: channels that are free may help with what waits for the
        far disk, until another task comes."""
        with self._changed:
            if not self._nothing_else:
                self._nothing_else = True
                if self._for_disk and self._waiting:
                    self._changed.notify_all()

    @property
    def disk_tasks(self) -> int:
        """How many tasks that wait for the far disk nobody has taken yet."""
        return len(self._for_disk)

    def close(self) -> None:
        """No more tasks will come."""
        with self._changed:
            self._closed = self._nothing_else = True
            self._changed.notify_all()

    def put(self, task: Task[Any, Any]) -> None:
        """Hand out a task."""
        with self._changed:
            self._queue_of(task).append(task)
            self._nothing_else = self._nothing_else and task.waits_for_disk
            # All are woken, since the task may be for one certain channel. With nobody asleep the call is saved.
            if self._waiting:
                self._changed.notify_all()

    def _queue_of(self, task: Task[Any, Any]) -> deque[Task[Any, Any]]:
        if task.waits_for_disk:
            return self._for_disk
        if task.connection is None:
            return self._for_all
        return self._for_channel[task.connection % len(self._for_channel)]

    def take(self, channel: int, wait: bool) -> Task[Any, Any] | None:
        """The next task for this channel, or None; with `wait`, waits up to POLL_S seconds for one."""
        own = self._for_channel[channel]
        with self._changed:
            if wait and not own and not self._for_all and not self._disk_tasks_for(channel) and not self._closed:
                self._wait()
            # Its own first: nobody else may take these.
            for tasks in (own, self._for_all, self._disk_tasks_for(channel)):
                if tasks and not (tasks[0].long_stream and self._long_streams[channel] >= MOST_LONG):
                    self._long_streams[channel] += tasks[0].long_stream
                    self._disk_tasks_taken[channel] += tasks[0].waits_for_disk
                    return tasks.popleft()
            return None

    def take_for_disk(self, wait: bool) -> Task[Any, Any] | None:
        """The next task that waits for the far disk, or None; with `wait`, waits up to POLL_S seconds for one."""
        with self._changed:
            if wait and not self._for_disk and not self._closed:
                self._wait()
            return self._for_disk.popleft() if self._for_disk else None

    def _wait(self) -> None:
        self._waiting += 1
        # With a time-out, so that a channel whose caller is gone looks around again by itself.
        self._changed.wait(POLL_S)
        self._waiting -= 1

    def _disk_tasks_for(self, channel: int) -> deque[Task[Any, Any]]:
        """What waits for the far disk, if a channel that is not there for it may take that."""
        nobody_else = not self._disk_channels and not self.holds_disk_tasks
        helps = self._nothing_else and self._disk_tasks_taken[channel] < MOST_FOR_DISK
        return self._for_disk if nobody_else or helps else _NO_TASKS

    def ended(self, channel: int) -> bool:
        """Whether nothing will come any more for this channel."""
        with self._changed:
            mine = self._for_all or self._for_channel[channel] or (self._for_disk and not self._disk_channels)
            return self._closed and not mine

    def ended_for_disk(self) -> bool:
        """Whether nothing will come any more for the channels that wait for the far disk."""
        with self._changed:
            return self._closed and not self._for_disk

    def give_from(self, channel: int, task: Task[Any, Any], result: TaskResult[Any, Any]) -> None:
        """A task that this channel took has ended."""
        if task.long_stream or task.waits_for_disk:
            with self._changed:
                self._long_streams[channel] -= task.long_stream
                self._disk_tasks_taken[channel] -= task.waits_for_disk
        self.give(task, result)

    def give(self, task: Task[Any, Any], result: TaskResult[Any, Any]) -> None:
        """A task has ended."""
        if task.waits_for_disk:
            self.disk_results += task.files  # read by whoever opens channels; a count that is one short does no harm
        self._results.put((task, result))

    def crash(self, error: BaseException) -> None:
        """A channel has ended by `error`; `result` raises it in the caller's thread."""
        self._results.put(ChannelCrash(error))

    def refusals(self) -> Iterator[TaskResult[Any, Any]]:
        """What tasks failed of and nobody has heard of yet, after a channel has ended by an error."""
        with suppress(queue.Empty):
            while True:
                found = self._results.get_nowait()
                if not isinstance(found, ChannelCrash) and found[1].error is not None:
                    yield found[1]

    @property
    def has_result(self) -> bool:
        """Whether something waits for the caller."""
        return not self._results.empty()

    def result(self, wait_s: float) -> tuple[Task[Any, Any], TaskResult[Any, Any]] | None:
        """The next result, None if none came in time. Raises the error that ended a channel."""
        try:
            found = self._results.get(timeout=wait_s)
        except queue.Empty:
            return None
        if isinstance(found, ChannelCrash):
            raise found.error
        return found
