"""A place across SFTP: one or several connections, each a lane with its own packet loop in its own thread.

Tasks are taken from the caller's iterator in the caller's thread, so that reading local files and the caller's
databases need no locks; results come back to the same thread.
"""

from __future__ import annotations

import queue
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

from otherroof.errors import LinkLost, OtherroofError, Unreached
from otherroof.far import ops
from otherroof.far.courtesy_watch import CourtesyWatch
from otherroof.far.lane import MAX_SCRIPTS, Feed, Lane
from otherroof.far.ops import Done, K, Meter, T, Task
from otherroof.far.pace import Pacer
from otherroof.far.session import Doorway, Session, open_session

BACKLOG_BYTES = 16 * 1024 * 1024  # memory that tasks handed out may hold
TICK_S = 1.0  # how often the caller's `tick` is called at least, where nothing else comes
POLL_S = 0.25  # how often a lane without work looks whether more will come
NEAR_S = 0.005  # round trip up to which the processor is the limit, not the line
NEAR_CONNECTIONS = 2  # one encrypts while the other waits for the interpreter
FAR_CONNECTIONS = 4  # on a long line: one lost packet then slows a quarter of the stream
SPARE_TIME = 3  # times `answer_s` without any byte moving before the caller gives up on its own lanes


@dataclass(slots=True)
class _Crash:
    error: BaseException


class _Work:
    """The queues between the caller and its lanes: one for all lanes, and one for each."""

    def __init__(self, lanes: int) -> None:
        self.results: queue.SimpleQueue[tuple[Task[Any, Any], Done[Any, Any]] | _Crash] = queue.SimpleQueue()
        self.most = lanes * (MAX_SCRIPTS + MAX_SCRIPTS // 4)
        self._all: deque[Task[Any, Any]] = deque()
        self._own: list[deque[Task[Any, Any]]] = [deque() for _ in range(lanes)]
        self._changed = threading.Condition()
        self._waiting = 0
        self._closed = False

    @property
    def closed(self) -> bool:
        return self._closed

    def close(self) -> None:
        """No more tasks will come."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def put(self, task: Task[Any, Any]) -> None:
        with self._changed:
            (self._all if task.lane is None else self._own[task.lane % len(self._own)]).append(task)
            if self._waiting:
                self._changed.notify_all()

    def take(self, lane: int, wait: bool) -> Task[Any, Any] | None:
        own = self._own[lane]
        with self._changed:
            if wait and not own and not self._all and not self._closed:
                self._waiting += 1
                self._changed.wait(POLL_S)
                self._waiting -= 1
            if own:
                return own.popleft()
            return self._all.popleft() if self._all else None

    def ended(self, lane: int) -> bool:
        with self._changed:
            return self._closed and not self._all and not self._own[lane]


class SftpPlace:
    """The folder `base` on a far box. Raises what `open_session` raises; LinkLost at any later time.

    `courtesy_s` is the delay that the copy may add on the line, in seconds; 0: it does not look.
    """

    def __init__(
        self,
        doorway: Doorway,
        base: bytes,
        *,
        connections: int = 0,
        pacer: Pacer | None = None,
        meter: Meter | None = None,
        courtesy_s: float = 0.0,
    ) -> None:
        self.meter = meter or Meter()
        self._doorway = doorway
        self._base = base.rstrip(b"/") + b"/"
        self._pacer = pacer or Pacer()
        self._wanted = connections
        self._sessions: list[Session] = []
        self._lanes: list[Lane] = []
        self._add_lane()
        self.offers = self._lanes[0].offers
        self.round_trip_s = self._measure()
        self._watch = CourtesyWatch(lambda: self.sockets, courtesy_s) if courtesy_s else None

    @property
    def server(self) -> str:
        """What the far SSH server calls itself."""
        return self._sessions[0].server

    @property
    def sockets(self) -> list[socket.socket]:
        """The connections' sockets, for those who watch their round-trip time."""
        return [session.sock for session in list(self._sessions)]

    def widen(self) -> None:
        """Open the further connections that a long line wants; one after the other, as sshd likes it."""
        wanted = self._wanted or (NEAR_CONNECTIONS if self.round_trip_s <= NEAR_S else FAR_CONNECTIONS)
        while len(self._lanes) < wanted:
            try:
                self._add_lane()
            except Unreached:
                return  # a server that takes no more connections still takes the copy over those it has

    def close(self) -> None:
        """Hang up every connection."""
        if self._watch is not None:
            self._watch.close()
            self._watch = None
        for session in self._sessions:
            session.close()
        self._sessions.clear()
        self._lanes.clear()

    @property
    def lanes(self) -> int:
        """The number of connections."""
        return len(self._lanes)

    def carry_out(
        self, work: Iterable[Task[K, T] | None], tick: Callable[[], None] | None = None
    ) -> Iterator[Done[K, T]]:
        """See the port. With several lanes each takes the next task as it has room."""
        shared = _Work(len(self._lanes))
        threads = [
            threading.Thread(target=_run_lane, args=(lane, number, shared), name="otherroof-lane", daemon=True)
            for number, lane in enumerate(self._lanes)
        ]
        for thread in threads:
            thread.start()
        try:
            yield from self._exchange(iter(work), shared, tick or _nothing)
        except BaseException:
            self.close()  # lanes under way end at once; what they had in flight is uncertain
            raise
        finally:
            shared.close()
            for thread in threads:
                thread.join(self._doorway.answer_s)

    def _exchange(
        self, work: Iterator[Task[K, T] | None], shared: _Work, tick: Callable[[], None]
    ) -> Iterator[Done[K, T]]:
        handed = held = 0
        ticked = time.monotonic()
        while True:
            while not shared.closed and handed < shared.most and held < BACKLOG_BYTES:
                try:
                    task = next(work)
                except StopIteration:
                    shared.close()
                    break
                if task is None:
                    break
                handed += 1
                held += task.weight
                shared.put(task)
                if not shared.results.empty():
                    break
            if handed == 0:
                return
            finished, done = self._next_result(shared, tick)
            handed -= 1
            held -= finished.weight
            yield done
            if time.monotonic() - ticked > TICK_S:
                ticked = time.monotonic()
                tick()

    def _next_result(self, shared: _Work, tick: Callable[[], None]) -> tuple[Task[Any, Any], Done[Any, Any]]:
        """The next result. Raises LinkLost where for long nothing moves at all, in either direction."""
        moved_at, moved = time.monotonic(), self._moved()
        while True:
            try:
                result = shared.results.get(timeout=TICK_S)
            except queue.Empty:
                tick()
                if self._moved() != moved:
                    moved_at, moved = time.monotonic(), self._moved()
                if time.monotonic() - moved_at > self._doorway.answer_s * SPARE_TIME:
                    raise LinkLost("nothing moves any more", where=self._doorway.where) from None
                continue
            if isinstance(result, _Crash):
                raise result.error
            return result

    def _moved(self) -> tuple[int, int]:
        return self.meter.wire_up, self.meter.wire_down

    def _add_lane(self) -> None:
        session = open_session(self._doorway, self.meter)
        self._sessions.append(session)
        self._lanes.append(Lane(session, self._base, self._pacer, self.meter))

    def _measure(self) -> float:
        """The quicker of two round trips, in seconds."""
        times = []
        for _ in range(2):
            begun = time.monotonic()
            for _ in self.carry_out([Task(None, _glance())]):
                times.append(time.monotonic() - begun)
        return min(times)


def _glance() -> ops.Script[bool]:
    try:
        yield ops.Look(b".")
    except OtherroofError:
        return False  # a refusal takes as long as an answer
    return True


def _run_lane(lane: Lane, number: int, shared: _Work) -> None:
    try:
        lane.work(
            Feed(
                take=partial(shared.take, number),
                give=lambda task, done: shared.results.put((task, done)),
                ended=partial(shared.ended, number),
            )
        )
    except BaseException as error:  # noqa: BLE001 - carried to the caller's thread, which raises it
        shared.results.put(_Crash(error))


def _nothing() -> None:
    return None
