"""A place across SFTP: one or several connections, each with one SFTP channel and a thread for its packet loop.

Tasks are taken from the caller's iterator in the caller's thread, so that reading local files and the caller's
databases need no locks; results come back to the same thread.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator
from functools import partial

from otherroof.base.errors import LinkLost, OtherroofError
from otherroof.far.pacing import Pacing
from otherroof.far.place import K, Meter, T, Task, TaskResult
from otherroof.far.session import Session, SshTarget, hang_up, open_session
from otherroof.far.sftp.channel import MAX_SCRIPTS, SftpChannel, TaskFeed
from otherroof.far.sftp.queues import TaskQueues

# Both keep the channels busy while the caller is reading a file or writing to a database, and no more than that: what
# has been handed out holds content in memory, and none of it can be left out again when a run is stopped.
BACKLOG_BYTES = 16 * 1024 * 1024  # memory that tasks handed out may hold
BACKLOG = MAX_SCRIPTS + MAX_SCRIPTS // 4  # tasks for each channel
DISK_BACKLOG = 4096  # tasks that wait for the far disk: enough that the others need not, and not a million
TICK_S = 1.0  # how often the caller's `tick` is called, in its own thread
LOOK_S = 0.25  # how often the caller's iterator is asked again while nothing comes back
NEAR_S = 0.005  # round trip up to which the processor is the limit, not the line
# Small files near by: each further connection is two more threads that the interpreter goes back and forth between.
NEAR_CONNECTIONS = 1
# Large ones gain from a second if the processor here has no AES instructions, and lose next to nothing if it has.
NEAR_CONNECTIONS_LARGE = 2
FAR_CONNECTIONS = 4  # on a long line: one lost packet then slows a quarter of the stream
SPARE_TIME = 3  # times `answer_s` without any byte of SFTP moving before the caller gives up on its own channels
# A server runs the requests of one channel one after the other, so a sync holds up all that were asked behind it. Many
# at a time share the disk's turns: 16 of them are six to eight times as fast as one after the other.
DISK_CHANNELS = 16  # on all connections together
DISK_CHANNELS_EACH = 8  # on one connection; OpenSSH allows 10 channels (`MaxSessions`)
DISK_SCRIPTS = 16  # under way on each of them, so that a long line costs no time
# A further channel costs 0.2 s and a process over there: worth it if so many tasks wait, and if the channels that there
# are get less done in a second than a disk that does not turn.
WORTH_A_CHANNEL = 8
SLOW_DISK = 300
WATCH_S = 0.1  # between two looks at how fast they are
PARTING_S = 0.5  # how long closing waits for a connection that it has hung up while it was being opened


class SftpPlace:
    """The folder `base` on a far box. Raises what `open_session` raises; LinkLost at any later time.

    `pacing` says how fast its connections may send together; it ends with them.
    """

    def __init__(
        self,
        target: SshTarget,
        base: bytes,
        *,
        connections: int = 0,
        pacing: Pacing | None = None,
        meter: Meter | None = None,
    ) -> None:
        self.meter = meter or Meter()
        self._target = target
        self._base = base.rstrip(b"/") + b"/"
        self._pacing = pacing or Pacing()
        self._wanted = connections
        self._lock = threading.Lock()  # guards the fields below; held only for a moment
        self._sessions: list[Session] = []
        self._channels: list[SftpChannel] = []
        self._disk_channels: list[SftpChannel] = []
        self._disk_sessions: list[Session] = []  # the connection of each of these
        self._most_disk_channels = DISK_CHANNELS
        self._opening_for_disk: threading.Thread | None = None
        self._working: TaskQueues | None = None
        self._threads: list[threading.Thread] = []
        self._closed = False
        self._opening: socket.socket | None = None  # a connection that is not logged in yet
        self._widening: threading.Thread | None = None
        try:
            self._add_channel()
        except BaseException:
            self._pacing.close()
            raise
        self.offers = self._channels[0].offers
        self.round_trip_s = self._channels[0].round_trip_s

    @property
    def connections(self) -> int:
        """The number of connections by now."""
        return len(self._channels)

    def widen(self, *, for_much: bool = True, for_large: bool = True) -> None:
        """Open the further connections that a long line or large files want, in the background; work need not wait.

        One takes ten round trips to open, and a key exchange of both machines. So what is not much would be done by
        then, and its end would wait for a connection that nobody needs.
        """
        near = NEAR_CONNECTIONS_LARGE if for_large else NEAR_CONNECTIONS
        several = near if self.round_trip_s <= NEAR_S else FAR_CONNECTIONS
        wanted = self._wanted or (several if for_much else 1)
        with self._lock:  # both the caller and whoever opens channels for the disk ask for it
            if self._widening is None and len(self._channels) < wanted:
                self._widening = threading.Thread(
                    target=self._widen, args=(wanted,), name="otherroof-widen", daemon=True
                )
                self._widening.start()

    def close(self) -> None:
        """Hang up every connection."""
        self._pacing.close()
        with self._lock:
            self._closed = True
            sessions, self._sessions = self._sessions, []
            self._channels, self._disk_channels, self._disk_sessions = [], [], []
            opening = self._opening
        if opening is not None:
            hang_up(opening)
        for session in sessions:
            session.close()
        for thread in (self._widening, self._opening_for_disk):
            if thread is not None:
                thread.join(PARTING_S)

    def carry_out(
        self, work: Iterable[Task[K, T] | None], tick: Callable[[], None] | None = None
    ) -> Generator[TaskResult[K, T], None, None]:
        """See the port. With several connections each takes the next task as it has room."""
        # New queues for each call: a channel that ends late can then give nothing to the caller after.
        queues = TaskQueues()
        with self._lock:
            if self._closed:
                raise LinkLost("was closed", where=self._target.shown_as)
            self._working = queues
            self._threads = []
            for channel in self._channels:
                self._put_to_work(channel, queues)
            for channel in self._disk_channels:
                self._put_to_disk_work(channel, queues)
        try:
            yield from self._exchange(iter(work), queues, tick or _nothing)
        except LinkLost:
            self.close()
            self._part_from(queues)
            # A refusal may wait here behind another connection's break. What went well is not told any more: the next
            # connection asks about it.
            yield from queues.refusals()
            raise
        except BaseException:
            self.close()  # ends the channels at once; what they had in flight is uncertain
            raise
        finally:
            self._part_from(queues)

    def _part_from(self, queues: TaskQueues) -> None:
        """Let the channels end."""
        with self._lock:
            self._working = None
            threads, self._threads = self._threads, []
        queues.close()
        for thread in threads:
            thread.join(self._target.answer_s)

    def _exchange(
        self, work: Iterator[Task[K, T] | None], queues: TaskQueues, tick: Callable[[], None]
    ) -> Iterator[TaskResult[K, T]]:
        handed = weight = for_disk = 0
        ticked = moved_at = time.monotonic()
        moved = self._moved()
        while True:
            most = BACKLOG * len(self._channels)
            while not queues.closed and handed < most and for_disk < DISK_BACKLOG and weight < BACKLOG_BYTES:
                try:
                    task = next(work)
                except StopIteration:
                    queues.close()
                    break
                if task is None:
                    queues.say_nothing_else()
                    break
                weight += task.weight
                if task.waits_for_disk:
                    for_disk += 1
                    self._prepare_for_disk(queues)
                else:
                    handed += 1
                queues.put(task)
                # Results come before more work: what follows from them, such as the next step of a file that is half
                # done, should not wait behind files that have not begun.
                if queues.has_result:
                    break
            # Nothing is under way: either the work has ended, or it said `nothing now` with no result left to wait for.
            if handed + for_disk == 0:
                return
            result = queues.result(LOOK_S)
            now = time.monotonic()
            if now - ticked > TICK_S:
                ticked = now
                tick()
            if result is not None:
                for_disk, handed = (for_disk - 1, handed) if result[0].waits_for_disk else (for_disk, handed - 1)
                weight -= result[0].weight
                yield result[1]
            # Every channel has time-outs of its own. This one is for a thread that hangs where none of them reaches.
            if result is not None or self._moved() != moved:
                moved_at, moved = now, self._moved()
            elif now - moved_at > self._target.answer_s * SPARE_TIME:
                raise LinkLost("nothing has arrived or been sent for too long", where=self._target.shown_as)

    def _moved(self) -> int:
        # Not the bytes on the wire: keepalives would count there.
        return sum(channel.moved for channel in (*self._channels, *self._disk_channels))

    def _add_channel(self) -> None:
        # Outside the lock: it may take as long as the far box is silent. Whether the place was closed meanwhile is
        # looked at afterwards. Paced from the first byte on, before the channel's greeting is sent.
        session = open_session(self._target, self.meter, self._note_opening)
        try:
            self._pacing.add(session.sock)
            reads = self._pacing.reads
            channel = SftpChannel(session, self._base, self.meter, share=reads.share() if reads is not None else None)
        except BaseException:
            session.close()
            raise
        with self._lock:
            self._opening = None
            if not self._closed:
                self._sessions.append(session)
                if self._working is not None:
                    self._put_to_work(channel, self._working)
                # Last: whoever reads `connections`, without the lock, may at once give a task to this one, which needs
                # its queue.
                self._channels.append(channel)
                return
        session.close()

    def _note_opening(self, sock: socket.socket) -> None:
        """One at a time is opened."""
        with self._lock:
            self._opening = sock
            closed = self._closed
        if closed:
            hang_up(sock)

    def _widen(self, wanted: int) -> None:
        while len(self._channels) < wanted and not self._closed:
            try:
                self._add_channel()
            except OtherroofError:
                return  # a server that takes no more connections still takes the copy over those it has

    def _prepare_for_disk(self, queues: TaskQueues) -> None:
        """Open further channels, in the background, if many tasks are about to wait for the far disk."""
        if queues.disk_tasks < WORTH_A_CHANNEL or len(self._disk_channels) >= self._most_disk_channels:
            return
        if self._opening_for_disk is not None and self._opening_for_disk.is_alive():
            return
        queues.holds_disk_tasks = not self._disk_channels
        self._opening_for_disk = threading.Thread(
            target=self._open_for_disk, args=(queues,), name="otherroof-disk-channels", daemon=True
        )
        self._opening_for_disk.start()

    def _open_for_disk(self, queues: TaskQueues) -> None:
        try:
            while queues.disk_tasks >= WORTH_A_CHANNEL and len(self._disk_channels) < self._most_disk_channels:
                if self._disk_channels:
                    self.widen()  # a slow disk gains by more channels than one connection may have
                if not self._add_disk_channel():
                    return
                channels, done = len(self._disk_channels), queues.disk_results
                time.sleep(WATCH_S)
                while queues.disk_results - done > SLOW_DISK * WATCH_S * channels and queues.disk_tasks:
                    done = queues.disk_results
                    time.sleep(WATCH_S)
        except OtherroofError:
            # A server that takes no more channels still syncs over those it has.
            self._most_disk_channels = len(self._disk_channels)
        finally:
            queues.release_disk_tasks()

    def _add_disk_channel(self) -> bool:
        session = self._with_room_for_disk()
        if session is None and self._widening is not None:
            self._widening.join(self._target.answer_s)
            session = self._with_room_for_disk()
        if session is None:
            return False
        channel = SftpChannel(session, self._base, self.meter, most_scripts=DISK_SCRIPTS)
        with self._lock:
            self._disk_channels.append(channel)
            self._disk_sessions.append(session)
            if self._working is not None:
                self._put_to_disk_work(channel, self._working)
        return True

    def _with_room_for_disk(self) -> Session | None:
        """The connection with the fewest channels for syncs, if it may have one more."""
        # Counted for each: a connection that was opened late has none, while the first may have all that it may.
        with self._lock:
            if not self._sessions:  # closed
                return None
            session = min(self._sessions, key=self._disk_sessions.count)
            return session if self._disk_sessions.count(session) < DISK_CHANNELS_EACH else None

    def _put_to_disk_work(self, channel: SftpChannel, queues: TaskQueues) -> None:
        """Called with the lock held."""
        queues.join_for_disk()
        feed = TaskFeed(queues.take_for_disk, queues.give, queues.ended_for_disk)
        self._start(channel, feed, queues)

    def _put_to_work(self, channel: SftpChannel, queues: TaskQueues) -> None:
        """Called with the lock held."""
        number = queues.join()
        give = partial(queues.give_from, number)
        feed = TaskFeed(partial(queues.take, number), give, partial(queues.ended, number))
        self._start(channel, feed, queues)

    def _start(self, channel: SftpChannel, feed: TaskFeed, queues: TaskQueues) -> None:
        thread = threading.Thread(
            target=_run_channel, args=(channel, feed, queues), name="otherroof-channel", daemon=True
        )
        self._threads.append(thread)
        thread.start()


def _run_channel(channel: SftpChannel, feed: TaskFeed, queues: TaskQueues) -> None:
    try:
        channel.work(feed)
    except BaseException as error:  # noqa: BLE001 - carried to the caller's thread, which raises it
        queues.crash(error)


def _nothing() -> None:
    return None
