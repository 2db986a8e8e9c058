"""A place across SFTP: one or several connections, each a lane with its own packet loop in its own thread.

Tasks are taken from the caller's iterator in the caller's thread, so that reading local files and the caller's
databases need no locks; results come back to the same thread.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator
from functools import partial

from otherroof.base.errors import LinkLost, OtherroofError
from otherroof.far.pacing import Pacing
from otherroof.far.place import K, Meter, T, Task, TaskResult
from otherroof.far.session import Session, SshTarget, open_session
from otherroof.far.sftp.channel import MAX_SCRIPTS, SftpChannel, TaskFeed
from otherroof.far.sftp.queues import TaskQueues

BACKLOG_BYTES = 16 * 1024 * 1024  # memory that tasks handed out may hold
BACKLOG = MAX_SCRIPTS + MAX_SCRIPTS // 4  # tasks for each lane
TICK_S = 1.0  # how often the caller's `tick` is called, where it works
LOOK_S = 0.25  # how often the caller's iterator is asked again while nothing comes back
NEAR_S = 0.005  # round trip up to which the processor is the limit, not the line
NEAR_CONNECTIONS = 2  # two connections: one encrypts while the other waits for the interpreter
FAR_CONNECTIONS = 4  # on a long line: one lost packet then slows a quarter of the stream
SPARE_TIME = 3  # times `answer_s` without any byte moving before the caller gives up on its own lanes
PARTING_S = 2.0  # how long closing waits for a connection that is just being opened


class SftpPlace:
    """The folder `base` on a far box. Raises what `open_session` raises; LinkLost at any later time.

    `pacing` says how fast its connections may send together; it ends with them.
    """

    def __init__(
        self,
        doorway: SshTarget,
        base: bytes,
        *,
        connections: int = 0,
        pacing: Pacing | None = None,
        meter: Meter | None = None,
    ) -> None:
        self.meter = meter or Meter()
        self._doorway = doorway
        self._base = base.rstrip(b"/") + b"/"
        self._pacing = pacing or Pacing()
        self._wanted = connections
        self._lock = threading.Lock()  # guards the fields below; held only for a moment
        self._sessions: list[Session] = []
        self._lanes: list[SftpChannel] = []
        self._working: TaskQueues | None = None
        self._threads: list[threading.Thread] = []
        self._closed = False
        self._widening: threading.Thread | None = None
        try:
            self._add_lane()
        except BaseException:
            self._pacing.close()
            raise
        self.offers = self._lanes[0].offers
        self.round_trip_s = self._lanes[0].round_trip_s

    @property
    def lanes(self) -> int:
        """The number of connections by now."""
        return len(self._lanes)

    def widen(self) -> None:
        """Open the further connections that a long line wants, in the background; work need not wait for them."""
        wanted = self._wanted or (NEAR_CONNECTIONS if self.round_trip_s <= NEAR_S else FAR_CONNECTIONS)
        if self._widening is None and len(self._lanes) < wanted:
            self._widening = threading.Thread(target=self._widen, args=(wanted,), name="otherroof-widen", daemon=True)
            self._widening.start()

    def close(self) -> None:
        """Hang up every connection."""
        self._pacing.close()
        with self._lock:
            self._closed = True
            sessions, self._sessions, self._lanes = self._sessions, [], []
        for session in sessions:
            session.close()
        if self._widening is not None:
            self._widening.join(PARTING_S)

    def carry_out(
        self, work: Iterable[Task[K, T] | None], tick: Callable[[], None] | None = None
    ) -> Generator[TaskResult[K, T], None, None]:
        """See the port. With several lanes each takes the next task as it has room."""
        hand_out = TaskQueues()
        with self._lock:
            if self._closed:
                raise LinkLost("was closed", where=self._doorway.where)
            self._working = hand_out
            self._threads = []
            for lane in self._lanes:
                self._put_to_work(lane, hand_out)
        try:
            yield from self._exchange(iter(work), hand_out, tick or _nothing)
        except BaseException:
            self.close()  # ends the channels at once; what they had in flight is uncertain
            raise
        finally:
            with self._lock:
                self._working = None
            hand_out.close()
            for thread in self._threads:
                thread.join(self._doorway.answer_s)

    def _exchange(
        self, work: Iterator[Task[K, T] | None], hand_out: TaskQueues, tick: Callable[[], None]
    ) -> Iterator[TaskResult[K, T]]:
        handed = held = 0
        ticked = moved_at = time.monotonic()
        moved = self._moved()
        while True:
            while not hand_out.closed and handed < BACKLOG * len(self._lanes) and held < BACKLOG_BYTES:
                try:
                    task = next(work)
                except StopIteration:
                    hand_out.close()
                    break
                if task is None:
                    break
                handed += 1
                held += task.weight
                hand_out.put(task)
                if hand_out.has_result:
                    break
            if handed == 0:
                return
            result = hand_out.result(LOOK_S)
            now = time.monotonic()
            if now - ticked > TICK_S:
                ticked = now
                tick()
            if result is not None:
                handed -= 1
                held -= result[0].weight
                yield result[1]
            if result is not None or self._moved() != moved:
                moved_at, moved = now, self._moved()
            elif now - moved_at > self._doorway.answer_s * SPARE_TIME:
                raise LinkLost("nothing moves any more", where=self._doorway.where)

    def _moved(self) -> tuple[int, int]:
        return self.meter.wire_up, self.meter.wire_down

    def _add_lane(self) -> None:
        session = open_session(self._doorway, self.meter)
        try:
            self._pacing.add(session.sock)
            lane = SftpChannel(session, self._base, self.meter)
        except BaseException:
            session.close()
            raise
        with self._lock:
            if not self._closed:
                self._sessions.append(session)
                self._lanes.append(lane)
                if self._working is not None:
                    self._put_to_work(lane, self._working)
                return
        session.close()

    def _widen(self, wanted: int) -> None:
        while len(self._lanes) < wanted and not self._closed:
            try:
                self._add_lane()
            except OtherroofError:
                return  # a server that takes no more connections still takes the copy over those it has

    def _put_to_work(self, lane: SftpChannel, hand_out: TaskQueues) -> None:
        """Called with the lock held."""
        number = hand_out.join()
        thread = threading.Thread(target=_run_lane, args=(lane, number, hand_out), name="otherroof-lane", daemon=True)
        self._threads.append(thread)
        thread.start()


def _run_lane(lane: SftpChannel, number: int, hand_out: TaskQueues) -> None:
    try:
        lane.work(TaskFeed(partial(hand_out.take, number), hand_out.give, partial(hand_out.ended, number)))
    except BaseException as error:  # noqa: BLE001 - carried to the caller's thread, which raises it
        hand_out.crash(error)


def _nothing() -> None:
    return None
