"""A far box that means harm, as a value: scripted answers to SFTP requests, with no socket, no SSH and no waiting.

`ScriptedChannel` stands where the SSH library's channel does. It hands every request to a function and gives back what
that answers, byte for byte; where it answers nothing, time-outs pass at once. `Lies` is such a function for any seed:
it takes true answers, and twists some of them.
"""

from __future__ import annotations

import random
import socket
import struct
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from unittest.mock import patch

from otherroof.far.allowance import ReadShare
from otherroof.far.place import Meter
from otherroof.far.session import SshTarget
from otherroof.far.sftp.channel import SftpChannel, TaskFeed
from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.confined import ConfinedFolder
from otherroof.rehearsal.far_box.sftp_extensions import OFFERED
from otherroof.rehearsal.far_box.sftp_server import HANDLERS
from otherroof.rehearsal.far_box.sftp_session import SftpSession

HELLO = words.counted(bytes([words.VERSION]) + (3).to_bytes(4, "big"))
Answer = Callable[[bytes], bytes]  # one request's packet, without its length → any bytes


@dataclass
class Seconds:
    """The time that passes in a ScriptedChannel; `advance` adds to it before each piece that comes."""

    now: float = 0.0
    advance: float = 0.0

    def __call__(self) -> float:
        return self.now


class ScriptedChannel:
    """See above. What was answered is received in pieces of at most `piece` bytes."""

    def __init__(self, answer: Answer, *, piece: int = 1 << 20, seconds: Seconds | None = None) -> None:
        self.answer = answer
        self.requests = 0
        self._piece = piece
        self._seconds = seconds or Seconds()
        self._in = bytearray()
        self._out = bytearray()

    def send(self, data: bytes) -> int:
        self._in += data
        while len(self._in) >= 4 and len(self._in) - 4 >= (size := int.from_bytes(self._in[:4], "big")):
            packet = bytes(self._in[4 : 4 + size])
            del self._in[: 4 + size]
            self.requests += 1
            self._out += self.answer(packet)
        return len(data)

    def recv(self, count: int) -> bytes:
        self._seconds.now += self._seconds.advance
        if not self._out:
            raise TimeoutError  # it only ever answers, so nothing would come
        piece = bytes(self._out[: min(count, self._piece)])
        del self._out[: len(piece)]
        return piece

    def recv_ready(self) -> bool:
        return bool(self._out)

    def recv_stderr_ready(self) -> bool:
        return False

    def settimeout(self, seconds: float) -> None: ...

    def close(self) -> None: ...


class ScriptedSession:
    """A logged-in session whose only channel is a scripted one."""

    def __init__(self, channel: ScriptedChannel, answer_s: float = 60.0) -> None:
        self.target = SshTarget("192.0.2.7", 22, "copykeeper", "", "", answer_s)
        self.sock = socket.socket()
        self._channel = channel

    def open_channel(self) -> Any:
        return self._channel

    def why_ended(self) -> str:
        return "ended"

    def close(self) -> None:
        self.sock.close()


def channel_to(
    answer: Answer, *, piece: int = 1 << 20, seconds: Seconds | None = None, share: ReadShare | None = None
) -> SftpChannel:
    """The product's channel to a box that greets as usual, offers nothing, and then answers so."""
    session = ScriptedSession(ScriptedChannel(_greeting_first(answer), piece=piece, seconds=seconds))
    session.sock.close()
    return SftpChannel(session, b"/", Meter(), share=share)  # type: ignore[arg-type]


def _greeting_first(answer: Answer) -> Answer:
    return lambda packet: HELLO if packet[0] == words.INIT else answer(packet)


def carry_out(channel: SftpChannel, *tasks: Any) -> list[Any]:
    """Carry out tasks on one channel in this thread; their results in the order of their ends."""
    waiting, done = list(tasks), []
    take = lambda _wait: waiting.pop(0) if waiting else None  # noqa: E731
    channel.work(TaskFeed(take, lambda _task, result: done.append(result), lambda: not waiting))
    return done


@contextmanager
def passing(seconds: Seconds) -> Iterator[None]:
    """The channel's clock is this one while inside."""
    with patch("otherroof.far.sftp.channel.time.monotonic", seconds):
        yield


def number_of(packet: bytes) -> int:
    """A request's number."""
    return int.from_bytes(packet[1:5], "big")


def names_answer(number: int, names: Iterable[bytes], mode: int = 0o40755) -> bytes:
    """An answer to a listing, with these names, all of this mode."""
    attrs = struct.pack(">II", words.ATTR_PERMISSIONS, mode)
    rows = [words.counted(name) + words.counted(b"") + attrs for name in names]
    return words.framed(words.NAME, number, len(rows).to_bytes(4, "big") + b"".join(rows))


class TrueServer:
    """What a well-behaved server answers, over one real folder."""

    def __init__(self, folder: str) -> None:
        self._folder = ConfinedFolder(folder)
        self._session = SftpSession(_NoWire(), self._folder, HANDLERS, OFFERED)

    def answer(self, packet: bytes) -> bytes:
        return self._session.answer(packet)

    def close(self) -> None:
        self._session.handles.close_all()
        self._folder.close()


class _NoWire:
    def recv(self, count: int, /) -> bytes:
        raise AssertionError

    def sendall(self, block: bytes, /) -> None:
        raise AssertionError


@dataclass
class Lies:
    """A far box that answers the truth but for some: `often` of a thousand answers are twisted, as `seed` has it."""

    seed: int
    often: int
    truth: Answer
    answers: int = 0
    dice: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.dice = random.Random(self.seed)

    def answer(self, packet: bytes) -> bytes:
        self.answers += 1
        true = self.truth(packet)
        if self.dice.randrange(1000) >= self.often:
            return true
        kind, number = packet[0], number_of(packet)
        if kind == words.INIT:
            return self.dice.choice((_twisted, _random_bytes, _hello))(self.dice, true, number)
        return self.dice.choice(_FOR[kind] if kind in _FOR and self.dice.random() < 0.6 else _FOR_ANY)(
            self.dice, true, number
        )


Twist = Callable[[random.Random, bytes, int], bytes]
WEIRD = (0, 1, 2, 255, 4096, 2**31 - 1, 2**31, 2**32 - 1, 2**60, 2**63 - 1, 2**63, 2**64 - 1)


def _u32(dice: random.Random) -> bytes:
    return (dice.choice(WEIRD) & 0xFFFFFFFF).to_bytes(4, "big")


def _u64(dice: random.Random) -> bytes:
    return dice.choice(WEIRD).to_bytes(8, "big")


def _twisted(dice: random.Random, true: bytes, number: int) -> bytes:
    """Some bytes of the truth are others; its length and number mostly stay."""
    changed = bytearray(true)
    for _ in range(dice.randrange(1, 4)):
        at = dice.randrange(0 if dice.random() < 0.1 else min(9, len(changed) - 1), len(changed)) if changed else 0
        if changed:
            changed[at] = dice.choice((0, 1, 0x7F, 0x80, 0xFF, dice.randrange(256)))
    return bytes(changed)


def _cut(dice: random.Random, true: bytes, number: int) -> bytes:
    """A packet that ends too early, its length put right."""
    body = true[4 : dice.randrange(5, len(true) + 1)] if len(true) > 5 else b"\x65"
    return words.counted(body)


def _random_bytes(dice: random.Random, true: bytes, number: int) -> bytes:
    return dice.randbytes(dice.randrange(1, 300))


def _hello(dice: random.Random, true: bytes, number: int) -> bytes:
    pairs = [words.counted(dice.randbytes(20)) + words.counted(dice.randbytes(9)) for _ in range(dice.randrange(99))]
    return words.counted(b"\2" + _u32(dice) + b"".join(pairs))


def _status(dice: random.Random, true: bytes, number: int) -> bytes:
    text = words.counted(dice.choice((b"", b"\x1b[2J\x07\n\r" * 9, b"x" * 60_000)))
    return words.framed(words.STATUS, number, (dice.choice((*range(10), 2**32 - 1))).to_bytes(4, "big") + text + text)


def _nothing(dice: random.Random, true: bytes, number: int) -> bytes:
    return b""


def _twice(dice: random.Random, true: bytes, number: int) -> bytes:
    return true + true


def _other_number(dice: random.Random, true: bytes, number: int) -> bytes:
    return true[:5] + _u32(dice) + true[9:]


def _other_kind(dice: random.Random, true: bytes, number: int) -> bytes:
    return true[:4] + bytes([dice.choice((0, 2, 101, 102, 103, 104, 105, 201, 255))]) + true[5:]


def _huge(dice: random.Random, true: bytes, number: int) -> bytes:
    return (dice.choice((2**20, 4 * 2**20, 2**32 - 1))).to_bytes(4, "big") + bytes(70_000)


def _names(dice: random.Random, true: bytes, number: int) -> bytes:
    every = (b"", b".", b"..", b"a/b", b"../../planted", b"/tmp/planted", b"\0", b"\x1b[2J", b"x" * 255, b"x" * 5000,
             b"x" * 200_000, b"\xff\xfe", b"9999-12-31T235959Z-ffff", b"2031-99-99T999999Z-ffff.jsonl.gz",
             b"2031-04-05T013000Z-7f3a.under-way", b"a", b"b")  # fmt: skip
    chosen = [dice.choice(every) for _ in range(dice.choice((0, 1, 3, 20)))]
    if dice.random() < 0.2:
        chosen = [b"%x" % dice.getrandbits(40) for _ in range(8_000)]
    return names_answer(number, chosen, dice.choice((0o40755, 0o100644, 0o120777, 0, 2**32 - 1)))


def _false_count(dice: random.Random, true: bytes, number: int) -> bytes:
    return true[:9] + _u32(dice) + true[13:]


def _attrs(dice: random.Random, true: bytes, number: int) -> bytes:
    mode = dice.choice((0o40755, 0o100644, 0o120777, 0o140777, 0, 2**32 - 1)).to_bytes(4, "big")
    flags = dice.choice((0xD, 0xF, 0, 0x8000000D, 2**32 - 1)).to_bytes(4, "big")
    return words.framed(words.ATTRS, number, flags + _u64(dice) + mode + _u32(dice) + _u32(dice) + _u32(dice))


def _data(dice: random.Random, true: bytes, number: int) -> bytes:
    data = true[13:]
    size = len(data)
    other = (b"", data[:1], data[: size // 2], data + b"more", dice.randbytes(size), bytes(size), bytes(300_000))
    return words.framed(words.DATA, number, words.counted(dice.choice(other)))


def _handle(dice: random.Random, true: bytes, number: int) -> bytes:
    other = (b"", b"\0\0\0\0", b"h" * 257, b"h" * 200_000)
    return words.framed(words.HANDLE, number, words.counted(dice.choice(other)))


def _numbers(dice: random.Random, true: bytes, number: int) -> bytes:
    """For the extensions whose answer is a row of numbers: limits, free space."""
    return words.framed(words.EXTENDED_REPLY, number, b"".join(_u64(dice) for _ in range(dice.choice((0, 3, 4, 11)))))


_FOR_ANY: tuple[Twist, ...] = (
    _twisted, _twisted, _twisted, _cut, _random_bytes, _status, _status, _nothing, _twice, _other_number, _other_kind,
    _huge,
)  # fmt: skip
_FOR: dict[int, tuple[Twist, ...]] = {
    words.READDIR: (_names, _names, _false_count, _twisted),
    words.LSTAT: (_attrs,),
    words.FSTAT: (_attrs,),
    words.READ: (_data,),
    words.OPEN: (_handle,),
    words.OPENDIR: (_handle,),
    words.EXTENDED: (_numbers,),
}


@contextmanager
def every_connection_to(answer_for: Callable[[], Answer], answer_s: float = 60.0) -> Iterator[None]:
    """While inside, each login of the product leads to a scripted box; `answer_for` is called for each connection."""

    def open_session(target: SshTarget, meter: Meter, begun: object) -> ScriptedSession:
        return ScriptedSession(ScriptedChannel(answer_for()), answer_s)

    with patch("otherroof.far.sftp.place.open_session", open_session):
        yield
