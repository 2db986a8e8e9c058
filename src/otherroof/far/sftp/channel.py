"""One SFTP channel with a packet loop of its own: many scripts at once, many requests in flight.

It runs in one thread, and waits for an answer before the next request only if a script does so itself. It knows
nothing of layouts: scripts decide what is asked, the channel only how fast.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import paramiko

from otherroof.base.errors import LinkLost, NotOffered, OtherroofError, PlaceError
from otherroof.far import requests
from otherroof.far.allowance import ANSWER, FOLDER_PART, WAIT_S, ReadShare
from otherroof.far.place import Meter, PlaceOffers, Task, TaskResult
from otherroof.far.session import Session, as_link_lost
from otherroof.far.sftp import codec
from otherroof.far.sftp.deadline import ProgressDeadline
from otherroof.far.sftp.streams import Streams

MAX_SCRIPTS = 256  # at once on one channel, and files: the most that was seen to help on a line of 40 ms
# A request is some 50 bytes. Each sent by itself would cost a system call, a cipher's tag and a TCP segment.
GATHER = 32_768  # bytes of small requests that go out together
SSH_PACKET = 32_768  # bytes; what OpenSSH takes in one channel packet

# Files that are being closed without anybody waiting for it. With more a script waits: a far box that never answered
# them would have us remember them all.
MOST_LET_GO = 64

_LET_GO = requests.LetGo(None)  # stands for any of them
_STREAMS = (requests.WriteStream, requests.ReadStream)

Give = Callable[[Task[Any, Any], TaskResult[Any, Any]], None]


@dataclass(slots=True, eq=False)
class _RunningScript:
    """A script under way and the answers its last request still waits for."""

    task: Task[Any, Any]
    request: requests.Op | tuple[requests.Op, ...] | requests.Attempts = ()
    answers: list[Any] = field(default_factory=list)
    waiting: int = 0
    failure: OtherroofError | None = None
    refused_sync: OtherroofError | None = None  # how a sync of its last request was refused


# What somebody waits for: the work it asks for, the request, and who takes the answer: a script, at one place of its
# tuple, or a stream's function. No object of its own: there are ten for each of a million files.
_Asker = _RunningScript | Callable[[bytes], None]
_Asked = tuple[int, requests.Op, _Asker, int]


@dataclass(slots=True)
class TaskFeed:
    """What a channel takes its tasks from and gives its results to.

    `take(wait)` answers a task, or None if there is none now; `ended()` says that none will come.
    """

    take: Callable[[bool], Task[Any, Any] | None]
    give: Give
    ended: Callable[[], bool]


class SftpChannel:
    """The packet loop over one channel. `round_trip_s` is how long its greeting took to be answered.

    `moved` counts the bytes of SFTP both ways, for whoever asks from another thread whether it gets on.
    """

    def __init__(
        self,
        session: Session,
        base: bytes,
        meter: Meter,
        *,
        most_scripts: int = MAX_SCRIPTS,
        share: ReadShare | None = None,
    ) -> None:
        self._session = session
        self._target = session.target
        self._channel: paramiko.Channel = session.open_channel()
        self._base = base
        self._packets = codec.Packets()
        self._out: list[bytes] = []
        self._out_size = 0
        self._number = 0
        self._heard: deque[bytes] = deque()  # answers that have come and were not looked at yet
        self._is_gone = False  # the connection is
        self._waiting: dict[int, _Asked] = {}  # by the request's number, the oldest first
        # Numbers of closings that nobody waits for. Not among the others, of which the oldest is asked for at each send
        # and receive: it ends the connection if it is passed over for too long, which one of these must not.
        self._let_go: set[int] = set()
        self._deadline = ProgressDeadline(session.target.answer_s)
        self.moved = 0
        self._running: set[_RunningScript] = set()
        self._files = 0  # that these work on
        self._most_files = MAX_SCRIPTS
        self._share = share
        self._streams = Streams(self._put, meter, share)
        self._give: Give = _nobody
        self._most_scripts = most_scripts
        self.offers = self._greet()
        self._lacking = _lacking(self.offers)

    def work(self, feed: TaskFeed) -> None:
        """Carry out tasks until none will come any more. Raises LinkLost when the connection breaks."""
        self._give = feed.give
        try:
            while True:
                # No more than can be worked on is taken: what waits in the queue can still go to another channel. With
                # no script under way there is no answer to wait for either, and only then may `take` wait.
                while self._has_room:
                    if not self._running:
                        self._flush()  # what nobody waits for does not wait for more work
                    task = feed.take(not self._running)
                    if task is None:
                        break
                    self._begin(task)
                if not self._running:
                    if feed.ended():
                        return
                    continue
                # Everything that the last answers made possible goes out before the next wait, so that the line never
                # idles while something could be asked.
                takes_long = self._streams.fill(self.offers.max_read, idle=not self._waiting)
                self._flush()
                # While more could go out no answer is waited for, so that the line never idles for one.
                if self._may_collect() and not self._rests() and (not takes_long or self._channel.recv_ready()):
                    self._collect()
        except LinkLost:
            self._is_gone = True
            self._hear_the_rest()
            self._tell_refused_syncs()
            raise
        finally:
            # Their `finally` parts run here and now, in this thread, and not whenever the collector finds them.
            for running in self._running:
                running.task.script.close()
            self._running.clear()
            self._files = 0

    def _tell_refused_syncs(self) -> None:
        """A script of which a sync was refused hears of that, though what it asked together with it is never answered.

        A kernel tells once that it could not write, and over the next connection the same sync would be answered well.
        Any other refusal comes again.
        """
        for running in list(self._running):
            # `Attempts` take their answers all together; what they sync is written anew over the next connection.
            if running.waiting and running.refused_sync is not None and type(running.request) is not requests.Attempts:
                with suppress(LinkLost):  # it may want to ask for more
                    self._advance(running, None, running.refused_sync)

    def _hear_the_rest(self) -> None:
        """What had come before the connection broke: a break often shows as something is sent, with answers unread."""
        with suppress(LinkLost):
            self._hear()
            while self._channel.recv_ready():
                self._collect()

    # -- greeting --

    def _greet(self) -> PlaceOffers:
        begun = time.monotonic()
        self._send_now(codec.hello_packet())
        found = codec.parse_hello(self._next_packet())
        longest_read = longest_write = handles = 0
        if b"limits@openssh.com" in found:
            begun = time.monotonic()  # the greeting waits for the server to start, this answer for the line alone
            self._send_now(codec.ask_limits(0))
            longest_read, longest_write, handles = codec.parse_limits(self._next_packet())
        self.round_trip_s = time.monotonic() - begun
        # OpenSSH allows as many as the account's limit on open files leaves; a server that says 0 has no limit.
        # A script may hold two files open.
        if handles:
            self._most_files = min(self._most_files, max(1, handles // 2))
            self._most_scripts = min(self._most_scripts, self._most_files)
        return PlaceOffers(
            link=b"hardlink@openssh.com" in found,
            copy_range=b"copy-data" in found,
            sync=b"fsync@openssh.com" in found,
            space=b"statvfs@openssh.com" in found,
            # 0 stands for a server that does not say. More than a megabyte would save nothing, and wait in memory.
            max_write=min(longest_write, 1 << 20) or requests.LEAST,
            max_read=min(longest_read, 1 << 20) or requests.LEAST,
        )

    def _next_packet(self) -> bytes:
        self._deadline.begin()
        while not self._heard:
            self._listen()
        packet = self._heard.popleft()
        self._heard.clear()  # there is no other: in the greeting one thing is asked at a time
        return packet

    # -- scripts --

    def _may_collect(self) -> bool:
        """Whether an answer is waited for, or one that nobody waits for is there."""
        return bool(self._waiting) or (bool(self._let_go) and self._channel.recv_ready())

    def _rests(self) -> bool:
        """Wait a moment if more may be asked for soon: to wait for an answer would be to ask in bursts, one for each
        round trip. False if there is an answer, or none of that."""
        if self._share is None or not self._share.held_by_rate or self._channel.recv_ready():
            return False
        time.sleep(WAIT_S)
        return True

    @property
    def _has_room(self) -> bool:
        if len(self._running) >= self._most_scripts or self._files >= self._most_files or self._streams.full:
            return False
        # One at least: each channel has files of its own.
        return self._share is None or not self._running or self._share.may_begin

    def _begin(self, task: Task[Any, Any]) -> None:
        running = _RunningScript(task)
        self._running.add(running)
        self._files += task.files
        if self._share is not None:
            self._share.begin(task.weight)
        self._advance(running, None, None)

    def _advance(self, running: _RunningScript, answer: Any, failure: OtherroofError | None) -> None:
        try:
            request = running.task.script.throw(failure) if failure is not None else running.task.script.send(answer)
        except StopIteration as ended:
            self._end(running, TaskResult(running.task.key, value=ended.value))
        except LinkLost:
            raise
        except OtherroofError as error:
            # Its traceback would hold this call, and this call the error: a ring with the content of a refused file in
            # it, which stays until the collector finds it.
            self._end(running, TaskResult(running.task.key, error=error.with_traceback(None)))
        else:
            self._submit(running, request)

    def _end(self, running: _RunningScript, result: TaskResult[Any, Any]) -> None:
        self._running.discard(running)
        self._files -= running.task.files
        if self._share is not None:
            self._share.end(running.task.weight)
        self._give(running.task, result)

    def _submit(self, running: _RunningScript, request: requests.Request) -> None:
        if isinstance(request, _STREAMS):
            self._streams.begin(request, lambda answer, failure: self._advance(running, answer, failure))
            return
        running.failure = running.refused_sync = None
        self._ask_all(running, request)

    def _ask_all(
        self, running: _RunningScript, request: requests.Op | tuple[requests.Op, ...] | requests.Attempts
    ) -> None:
        running.request = request
        ops = request.ops if isinstance(request, requests.Attempts) else request
        if not isinstance(ops, tuple):
            ops = (ops,)
        if not ops:  # nothing to wait for: no answer would ever let the script go on
            self._advance(running, (), None)
            return
        running.answers = [None] * len(ops)
        running.waiting = len(ops)
        for index, op in enumerate(ops):
            self._ask(running, index, op)

    def _ask(self, running: _RunningScript, index: int, op: requests.Op) -> None:
        kind = type(op)
        if kind is requests.LetGo and len(self._let_go) < MOST_LET_GO:
            self._put(op, None)
            self._answered(running, index, None, None)
        elif kind not in self._lacking:
            self._put(op, running, index)
        elif isinstance(op, requests.Sync):
            # Not sent at all: a server need not know the name of an extension that it did not offer.
            self._answered(running, index, False, None)
        else:
            what = f"{requests.IN_WORDS[type(op)]} is not offered"
            self._answered(running, index, None, NotOffered(what, where=codec.request_path(op)))

    def _hear_let_go(self, number: int, packet: bytes) -> None:
        """A handle that was let go of is closed, or that was refused, from which nothing follows."""
        if number not in self._let_go:  # nothing was asked by this number
            raise codec.malformed()
        self._let_go.remove(number)
        self._deadline.answered(len(packet))
        if self._share is not None:
            self._share.came(ANSWER)
        with suppress(PlaceError):
            codec.decode(_LET_GO, packet)

    def _decode(self, running: _RunningScript, index: int, op: requests.Op, packet: bytes) -> None:
        try:
            answer = codec.decode(op, packet)
        except LinkLost:
            raise
        except OtherroofError as error:
            refusal = error.with_traceback(None) if not isinstance(op, requests.LetGo) else None  # as in `_advance`
            if isinstance(op, requests.Sync):
                running.refused_sync = refusal
            self._answered(running, index, None, refusal)
        else:
            self._answered(running, index, answer, None)

    def _answered(self, running: _RunningScript, index: int, answer: Any, failure: OtherroofError | None) -> None:
        # The script goes on only after the last answer of its tuple, also if the first was a refusal: until then some
        # of its requests may still be carried out, and nobody could say what stands at the far end.
        if failure is not None and type(running.request) is requests.Attempts:
            answer, failure = failure, None
        running.answers[index] = answer
        running.failure = running.failure or failure
        running.waiting -= 1
        if running.waiting:
            return
        request, answers = running.request, running.answers
        if isinstance(request, requests.Attempts):
            self._advance(running, tuple(answers), None)
        elif not isinstance(request, tuple):
            self._advance(running, answers[0], running.failure)
        elif running.failure is not None and (closing := requests.closing_all(request, answers)):
            self._ask_all(running, closing)  # the refusal is kept, and raised after this
        else:
            self._advance(running, tuple(answers), running.failure)

    # -- bytes --

    def _put(self, op: requests.Op, asker: _Asker | None, index: int = 0) -> None:
        """Ask for it, and give the answer to `asker`; None: nobody waits for it."""
        # The numbers may wrap: fewer than a hundred thousand requests are ever under way, so none is in use twice.
        self._number = (self._number + 1) & 0xFFFFFFFF
        packet = codec.encode(self._number, op, self._base)
        if not self._waiting:
            self._deadline.begin()
        if asker is None:
            self._let_go.add(self._number)
        else:
            self._waiting[self._number] = codec.work_of(op), op, asker, index
        if self._share is not None:
            self._share.spend(_answer_of(op, asker))
        self._out.append(packet)
        self._out_size += len(packet)
        if self._out_size >= GATHER:
            self._flush()

    def _flush(self) -> None:
        if self._is_gone:
            self._out.clear()
        if self._out:
            data = b"".join(self._out) if len(self._out) > 1 else self._out[0]
            self._out.clear()
            self._out_size = 0
            self._send_now(data)

    def _send_now(self, data: bytes) -> None:
        with as_link_lost(self._target):
            start = 0
            while start < len(data):
                # Takes as much as the far end's window has room for (RFC 4254 §5.2), and waits if there is none.
                # Answers go on being read meanwhile by the library's own thread, so the two ends cannot wait for each
                # other.
                begun = time.monotonic()
                sent = self._channel.send(data[start : start + SSH_PACKET])
                if sent == 0:
                    raise EOFError(self._session.why_ended())
                start += sent
                self._note_wait(begun, sent)

    def _receive(self) -> bytes:
        with as_link_lost(self._target):
            data: bytes = self._channel.recv(1 << 18)
            if not data:
                raise EOFError(self._session.why_ended())
            # What the server writes to its standard error takes from the same window, and would close it in the end.
            if self._channel.recv_stderr_ready():
                self._channel.recv_stderr(1 << 18)
        return data

    def _note_wait(self, begun: float, moved: int) -> None:
        self.moved += moved
        verdict = self._deadline.waited(time.monotonic() - begun, moved, next(iter(self._waiting), None))
        if verdict:
            raise LinkLost(verdict, where=self._target.shown_as)

    def _collect(self) -> None:
        self._listen()
        self._hear()

    def _listen(self) -> None:
        begun = time.monotonic()
        data = self._receive()
        # Kept before the wait is judged: what came late has come all the same.
        self._heard.extend(self._packets.feed(data))
        self._note_wait(begun, len(data))

    def _hear(self) -> None:
        while self._heard:
            packet = self._heard.popleft()
            # Byte 0 is the type.
            number = int.from_bytes(packet[1:5], "big")
            asked = self._waiting.pop(number, None)
            if asked is None:
                self._hear_let_go(number, packet)
                continue
            work, op, asker, index = asked
            self._deadline.answered(max(work, len(packet)))
            if self._share is not None:
                self._share.came(_answer_of(op, asker))
            if isinstance(asker, _RunningScript):
                self._decode(asker, index, op, packet)
            else:
                asker(packet)


def _answer_of(op: requests.Op, asker: _Asker | None) -> int:
    """About how many bytes the answer has that a channel is to count; streams count what they read themselves."""
    if isinstance(op, requests.Read):
        return op.size if isinstance(asker, _RunningScript) else 0
    return FOLDER_PART if isinstance(op, requests.ReadFolder) else ANSWER


def _lacking(offers: PlaceOffers) -> frozenset[type]:
    """The requests that this server does not offer."""
    offered = {
        requests.Sync: offers.sync,
        requests.Link: offers.link,
        requests.CopyRange: offers.copy_range,
        requests.GetSpace: offers.space,
    }
    return frozenset(kind for kind, is_there in offered.items() if not is_there)


def _nobody(_task: Task[Any, Any], _done: TaskResult[Any, Any]) -> None:
    raise AssertionError("a result that nobody asked for")
