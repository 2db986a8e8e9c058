"""Answers of the far box byte by byte, with values that an ordinary server hardly ever gives.

The bytes are put together here after draft-ietf-secsh-filexfer-02 (read) and OpenSSH's PROTOCOL (read), with no code of
the product's.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from contextlib import closing
from typing import Any

import pytest

from otherroof.base.errors import LinkLost, Refused
from otherroof.far import requests
from otherroof.far.allowance import LineFigures, ReadAllowance
from otherroof.far.place import Meter, Task
from otherroof.far.requests import NOT_YET, Attrs, BytesSink, DataPiece, Mode, Script
from otherroof.far.sftp import channel as channel_module
from otherroof.far.sftp import codec, streams
from otherroof.far.sftp.channel import SftpChannel, TaskFeed
from otherroof.far.sftp.streams import Streams
from support.hostile_server import ScriptedChannel, ScriptedSession, Seconds, carry_out, channel_to, number_of, passing
from support.places import ask

STATUS, HANDLE, DATA, NAME, ATTRS, EXTENDED_REPLY = 101, 102, 103, 104, 105, 201
U32, U64 = struct.Struct(">I").pack, struct.Struct(">Q").pack


def text(data: bytes) -> bytes:
    return U32(len(data)) + data


def answer(kind: int, body: bytes, number: int = 1) -> bytes:
    """A packet as `Packets` gives it out: without its length."""
    return bytes([kind]) + U32(number) + body


# -- statvfs@openssh.com (OpenSSH's PROTOCOL 3.4): eleven numbers in this order --

BSIZE, FRSIZE, BLOCKS, BFREE, BAVAIL, FILES, FFREE, FAVAIL, FSID, FLAG, NAMEMAX = range(11)


def test_room_is_counted_in_fragments_and_without_what_is_kept_for_root() -> None:
    numbers = [0] * 11
    numbers[BSIZE], numbers[FRSIZE] = 1_048_576, 4096
    numbers[BLOCKS], numbers[BFREE], numbers[BAVAIL] = 1000, 500, 300
    numbers[FILES], numbers[FFREE], numbers[FAVAIL] = 90, 80, 70
    for flag, read_only in ((0, False), (1, True), (2, False), (3, True)):  # 1 is ST_RDONLY, 2 ST_NOSUID
        numbers[FLAG] = flag
        packet = answer(EXTENDED_REPLY, struct.pack(">11Q", *numbers))
        space = codec.decode(requests.GetSpace(b""), packet)
        assert space == requests.Space(4_096_000, 1_228_800, 90, 70, read_only)


# -- ATTRS (draft §5) --


@pytest.mark.parametrize("owner", [b"", struct.pack(">II", 1000, 1001)])
@pytest.mark.parametrize("more", [[], [(b"a@b", b"x"), (b"c@d", b"yz")]])
def test_attributes_are_read_over_those_of_no_interest(owner: bytes, more: list[tuple[bytes, bytes]]) -> None:
    flags = 0x1 | (0x2 if owner else 0) | 0x4 | 0x8 | (0x80000000 if more else 0)
    body = U32(flags) + U64(12345) + owner + U32(0o100640) + struct.pack(">II", 111, 222)
    body += U32(len(more)) + b"".join(text(kind) + text(data) for kind, data in more) if more else b""
    found, at = codec.unpack_attrs(body + b"rest", 0)
    assert (found, at) == (Attrs(12345, 0o100640, 222), len(body)), "the time of change is the second of the two"


@pytest.mark.parametrize(
    ("mtime", "sent"), [(-5, 0), (0, 0), (2**32 - 1, 2**32 - 1), (2**32, 2**32 - 1), (2**40, 2**32 - 1)]
)
def test_times_beyond_2106_or_before_1970_are_the_nearest_that_fit(mtime: int, sent: int) -> None:
    packet = codec.encode(9, requests.SetProperties(b"h", mtime=mtime), b"")
    assert packet == text(bytes([10]) + U32(9) + text(b"h") + U32(0x8) + U32(sent) * 2)


# -- packets that are too short, too long, or say nothing --


@pytest.mark.parametrize(
    "packet",
    [
        answer(HANDLE, b""),
        answer(HANDLE, b"\0\0\0"),
        answer(HANDLE, text(b"handle")[:-1]),
        answer(HANDLE, text(b"h" * 257)),  # draft §6.3
        answer(ATTRS, b""),
        answer(ATTRS, U32(0x1) + b"\0" * 7),
        answer(STATUS, b""),
        answer(STATUS, b"\0\0"),
        answer(STATUS, U32(0)),  # all well, and no handle
        bytes([HANDLE]) + b"\0\0",
    ],
)
def test_a_packet_that_says_too_little_or_too_much_breaks_the_connection(packet: bytes) -> None:
    op: requests.Op = requests.Stat(b"a") if packet[0] == ATTRS else requests.OpenFile(b"a", Mode.READ)
    with pytest.raises(LinkLost, match="makes no sense"):
        codec.decode(op, packet)


@pytest.mark.parametrize(("length", "fits"), [(4096, True), (4097, False)])
def test_a_name_is_no_longer_than_any_file_system_has(length: int, fits: bool) -> None:
    packet = answer(NAME, U32(1) + text(b"n" * length) + text(b"") + U32(0))
    names = codec.decode(requests.ReadFolder(b"h"), packet)
    if fits:
        assert [len(name) for name, _ in names] == [length]
    else:
        with pytest.raises(LinkLost):
            list(names)


def test_an_answer_without_names_ends_the_folder() -> None:
    assert codec.decode(requests.ReadFolder(b"h"), answer(NAME, U32(0))) is None


def test_a_sync_is_done_or_not_offered_and_any_other_status_is_a_refusal() -> None:
    """draft §7: 0 is all well, 8 not supported, 4 a failure."""
    sync = requests.Sync(b"h")
    assert codec.decode(sync, answer(STATUS, U32(0))) is True
    assert codec.decode(sync, answer(STATUS, U32(8))) is False
    with pytest.raises(Refused):
        codec.decode(sync, answer(STATUS, U32(4)))
    assert codec.decode(requests.CloseFile(b"h"), answer(STATUS, U32(0))) is None


@pytest.mark.parametrize("size", [0, 4, 1024 * 1024 + 1025])
def test_a_packet_of_no_possible_length_is_not_waited_for(size: int) -> None:
    with pytest.raises(LinkLost):
        codec.Packets().feed(U32(size))


def test_a_packet_is_given_out_only_whole() -> None:
    whole = U32(9) + answer(STATUS, U32(0))
    packets = codec.Packets()
    assert [packets.feed(whole[at : at + 1]) for at in range(len(whole))] == [[]] * (len(whole) - 1) + [[whole[4:]]]


# -- limits@openssh.com (PROTOCOL 4.8): longest packet, read, write, number of handles --


def test_limits_are_taken_each_for_itself() -> None:
    assert codec.parse_limits(answer(EXTENDED_REPLY, struct.pack(">4Q", 262144, 261120, 131072, 1019))) == (
        261120,
        131072,
        1019,
    )
    assert codec.parse_limits(answer(EXTENDED_REPLY, struct.pack(">4Q", 1, 1, 1, 5))) == (4096, 4096, 5)
    assert codec.parse_limits(answer(EXTENDED_REPLY, struct.pack(">4Q", 0, 0, 0, 0))) == (0, 0, 0)
    assert codec.parse_limits(answer(EXTENDED_REPLY, struct.pack(">3Q", 1, 1, 1))) == (0, 0, 0)
    assert codec.parse_limits(answer(STATUS, U32(8) + bytes(40))) == (0, 0, 0)


# -- what is asked for --


def test_a_range_is_copied_from_and_to_where_it_was_asked() -> None:
    """draft-ietf-secsh-filexfer-extensions-00 §7: handle, offset, length, handle, offset."""
    packet = codec.encode(7, requests.CopyRange(b"from", 1, 2, b"to", 3), b"/base/")
    assert packet == text(
        bytes([200]) + U32(7) + text(b"copy-data") + text(b"from") + U64(1) + U64(2) + text(b"to") + U64(3)
    )


def test_a_link_is_asked_for_with_its_target_first() -> None:
    """OpenSSH's PROTOCOL 4.1: its server has the two the other way round than draft §6.10."""
    packet = codec.encode(7, requests.MakeSymlink(b"target", b"name"), b"/base/")
    assert packet == text(bytes([20]) + U32(7) + text(b"target") + text(b"/base/name"))


def test_links_are_looked_at_and_not_followed() -> None:
    """draft §6.8: LSTAT is 7, STAT 17."""
    assert codec.encode(7, requests.Stat(b"a"), b"/base/") == text(bytes([7]) + U32(7) + text(b"/base/a"))


# -- streams: the answers of one file overtake each other, are short, or too long --


class Wire:
    """What a stream has put on the line, to be answered in any order."""

    def __init__(self) -> None:
        self.asked: list[tuple[requests.Op, Any]] = []
        self.streams = Streams(lambda op, heard: self.asked.append((op, heard)), Meter())
        self.ended: list[Any] = []

    def end(self, answered: Any, failure: Any) -> None:
        self.ended.append((answered, failure))

    def read(self, length: int, max_read: int = 10) -> BytesSink:
        sink = BytesSink()
        self.streams.begin(requests.ReadStream(b"h", 0, length, sink), self.end)
        self.streams.fill(max_read, idle=False)
        return sink

    def data(self, at: int, data: bytes) -> None:
        _, heard = self.asked[at]
        heard(answer(DATA, text(data)))


def test_what_overtakes_waits_for_what_is_in_front_of_it() -> None:
    wire = Wire()
    sink = wire.read(30)
    wire.data(2, b"c" * 10)
    wire.data(1, b"b" * 10)
    assert (sink.data, wire.ended) == (b"", [])
    wire.data(0, b"a" * 10)
    wire.streams.fill(10, idle=False)
    assert (sink.data, wire.ended) == (b"a" * 10 + b"b" * 10 + b"c" * 10, [(30, None)])


def test_the_rest_of_a_short_answer_is_asked_for() -> None:
    wire = Wire()
    sink = wire.read(10)
    wire.data(0, b"abcdef")
    assert wire.ended == []
    (again, _) = wire.asked[1]
    assert again == requests.Read(b"h", 6, 4)
    wire.data(1, b"ghij")
    wire.streams.fill(10, idle=False)
    assert (sink.data, wire.ended) == (b"abcdefghij", [(10, None)])


def test_more_than_was_asked_for_breaks_the_connection() -> None:
    wire = Wire()
    wire.read(20)
    with pytest.raises(LinkLost):
        wire.data(0, b"a" * 11)


def test_a_window_is_free_again_when_all_was_answered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(streams, "WINDOW", 25)
    wire = Wire()
    wire.read(1000)
    assert wire.streams.full
    for at in range(20):
        wire.data(at, b"x" * 10)
        wire.streams.fill(10, idle=False)
        assert len(wire.asked) > at + 1
    held = Wire()
    held.read(1000)
    for at in range(1, 3):
        held.data(at, b"x" * 10)
        held.streams.fill(10, idle=False)
    assert len(held.asked) == 3, "what a held-back answer keeps waiting counts in the window"


class Source:
    """Pieces of a file on its way out."""

    def __init__(self, *pieces: Any) -> None:
        self.pieces, self.got, self.not_taken = list(pieces), [], []  # type: ignore[var-annotated]

    def take(self, *, wait: bool) -> Any:
        return self.pieces.pop(0) if self.pieces else None

    def refused(self, piece: Any) -> None:
        self.not_taken.append(piece)

    def landed(self, piece: Any) -> None:
        self.got.append(piece)


OK, NO = answer(STATUS, U32(0)), answer(STATUS, U32(4))


def test_a_piece_has_landed_when_the_far_box_says_so_and_a_stream_ends_after_its_last() -> None:
    wire, source = Wire(), Source(DataPiece(0, b"a"), DataPiece(1, b"b"))
    wire.streams.begin(requests.WriteStream(b"h", source, None), wire.end)
    wire.streams.fill(10, idle=False)
    wire.streams.fill(10, idle=False)
    assert (source.got, wire.ended) == ([], [])
    wire.asked[1][1](OK)
    assert ([piece.offset for piece in source.got], wire.ended) == ([1], [])
    wire.asked[0][1](OK)
    assert ([piece.offset for piece in source.got], wire.ended) == ([1, 0], [(None, None)])


def test_a_refused_piece_ends_its_stream_after_all_that_are_on_the_way() -> None:
    wire, source = Wire(), Source(DataPiece(0, b"a"), DataPiece(1, b"b"), NOT_YET)
    wire.streams.begin(requests.WriteStream(b"h", source, None), wire.end)
    wire.streams.fill(10, idle=False)
    wire.asked[0][1](NO)
    assert wire.ended == []
    assert [piece.offset for piece in source.not_taken] == [0], "at once: the line may break before all are answered"
    wire.asked[1][1](OK)
    ((answered, failure),) = wire.ended
    assert answered is None
    assert isinstance(failure, Refused)
    assert [piece.offset for piece in source.got] == [1]


def test_the_window_of_what_is_sent_is_free_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(streams, "WINDOW", 2)
    wire = Wire()
    wire.streams.begin(requests.WriteStream(b"h", Source(*(DataPiece(at, b"x") for at in range(50))), None), wire.end)
    for at in range(50):
        wire.streams.fill(10, idle=False)
        wire.asked[at][1](OK)
    wire.streams.fill(10, idle=False)
    assert wire.ended == [(None, None)]


# -- a channel: a script goes on after the last answer of what it asked for together --


def test_a_script_goes_on_only_after_all_its_answers_also_if_the_first_was_a_refusal() -> None:
    """Until then some of its requests may still be carried out, and nobody could say what stands there."""
    order: list[bytes] = []
    held: list[bytes] = []

    def far_box(packet: bytes) -> bytes:
        number = number_of(packet)
        path = packet[9:]
        order.append(path)
        code = 4 if path == b"/a" else 0
        reply = text(answer(STATUS, U32(code) + text(b"") + text(b""), number))
        if path == b"/a":
            return reply
        held.append(reply)
        return b"".join(held) if path == b"/c" else b""

    def script() -> Script[str]:
        try:
            yield tuple(requests.Remove(name) for name in (b"a", b"b", b"c"))
        except Refused:
            order.append(b"told")
        return "done"

    (result,) = carry_out(channel_to(far_box), Task("key", script()))
    assert (result.value, order) == ("done", [b"/a", b"/b", b"/c", b"told"])


def test_where_nothing_can_be_synced_nothing_counts_as_synced() -> None:
    def script() -> Script[Any]:
        return (yield requests.Sync(b"h"))

    (result,) = carry_out(channel_to(lambda _packet: b""), Task("key", script()))
    assert result.value is False


EXTENSIONS = ("hardlink@openssh.com", "copy-data", "fsync@openssh.com", "statvfs@openssh.com")


def greeting(*names: str, limits: bytes = b"") -> Any:
    """A far box that offers these extensions, and tells these limits if it is asked for them."""
    offered = [*names, *["limits@openssh.com"] * bool(limits)]
    hello = text(bytes([2]) + U32(3) + b"".join(text(name.encode()) + text(b"1") for name in offered))
    return lambda packet: hello if packet[0] == 1 else text(answer(EXTENDED_REPLY, limits, number_of(packet)))


def channel(answers: Any) -> SftpChannel:
    session = ScriptedSession(ScriptedChannel(answers))
    session.sock.close()
    return SftpChannel(session, b"/", Meter())  # type: ignore[arg-type]


@pytest.mark.parametrize("offered", [*EXTENSIONS, None])
def test_only_what_the_greeting_names_is_offered(offered: str | None) -> None:
    offers = channel(greeting(*[offered] * bool(offered))).offers
    told = (offers.link, offers.copy_range, offers.sync, offers.space)
    assert told == tuple(name == offered for name in EXTENSIONS)


@pytest.mark.parametrize(("handles", "scripts"), [(0, 256), (1019, 256), (100, 50), (1, 1)])
def test_no_more_scripts_at_once_than_the_far_box_has_handles_for(handles: int, scripts: int) -> None:
    """A script may hold two files open."""
    limits = struct.pack(">4Q", 262144, 261120, 261120, handles)
    assert channel(greeting(limits=limits))._most_scripts == scripts


def test_no_more_files_at_once_than_the_far_box_has_handles_for_however_few_scripts() -> None:
    held: list[int] = []

    def script(made: SftpChannel) -> Script[None]:
        held.append(made._files)
        yield requests.CloseFile(b"handle")

    greet = greeting(limits=struct.pack(">4Q", 262144, 261120, 261120, 100))
    all_well = struct.pack(">I", codec.OK)
    made = channel(
        lambda packet: (
            text(answer(codec.STATUS, all_well, number_of(packet))) if packet[0] == codec.CLOSE else greet(packet)
        )
    )
    tasks = [Task(number, script(made), files=10) for number in range(20)]
    made.work(TaskFeed(lambda _wait: tasks.pop() if tasks else None, lambda *_: None, lambda: not tasks))
    assert (len(held), max(held)) == (20, 50)


@pytest.mark.parametrize("direction", ["send", "recv"])
def test_a_closed_channel_ends_the_wait_and_lets_go_of_what_scripts_hold(direction: str) -> None:
    let_go: list[str] = []

    def script() -> Script[None]:
        try:
            yield requests.Stat(b"a")
        finally:
            let_go.append("closed")

    made = channel(greeting())
    tasks = [Task("key", script())]
    setattr(made._channel, direction, (lambda _data: 0) if direction == "send" else (lambda _count: b""))
    kept = tasks[0]  # so that it is not the collector who closes it
    feed = TaskFeed(lambda _wait: tasks.pop() if tasks else None, lambda *_: None, lambda: not tasks)
    with pytest.raises(LinkLost, match="ended"):
        made.work(feed)
    assert let_go == ["closed"]
    assert kept.key == "key"


def test_a_channel_waits_for_tasks_until_there_will_be_none() -> None:
    """One that has nothing to do may get what another would have been too slow for."""
    waits: list[bool] = []
    late = iter([None, None, Task("late", (value for value in ()))])
    done: list[Any] = []

    def take(wait: bool) -> Any:
        waits.append(wait)
        return next(late, None)

    channel(greeting()).work(TaskFeed(take, lambda task, _result: done.append(task.key), lambda: bool(done)))
    assert done == ["late"]
    assert all(waits), "with nothing under way it may wait"


def test_the_first_refusal_of_several_is_told() -> None:
    def far_box(packet: bytes) -> bytes:
        return text(answer(STATUS, U32(3 if packet[9:] == b"/a" else 0) + text(b"") * 2, number_of(packet)))

    def script() -> Script[None]:
        yield (requests.Remove(b"a"), requests.Remove(b"b"))

    (result,) = carry_out(channel_to(far_box), Task("key", script()))
    assert type(result.error).__name__ == "Denied"


def without_closing(closed: list[int], answers: Callable[[int], bytes] = lambda _number: b"") -> SftpChannel:
    """A channel to a box that finds nothing at any name, and answers a file's closing so."""

    def far_box(packet: bytes) -> bytes:
        if packet[0] == codec.CLOSE:
            closed.append(number_of(packet))
            return answers(number_of(packet))
        return text(answer(ATTRS, U32(0), number_of(packet)))

    return channel_to(far_box)


def lets_go(times: int = 1) -> Script[str]:
    for _ in range(times):
        yield requests.LetGo(b"handle")
    yield requests.Stat(b"a")
    yield requests.LetGo(b"handle")
    return "done"


def test_nobody_waits_for_what_is_let_go_of() -> None:
    closed: list[int] = []
    (result,) = carry_out(without_closing(closed), Task("key", lets_go()))
    assert (result.value, len(closed)) == ("done", 2), "and it is sent at once, whether or not more is to be done"


def test_no_more_closings_are_outstanding_than_may_be() -> None:
    closed: list[int] = []
    with pytest.raises(LinkLost):
        carry_out(without_closing(closed), Task("key", lets_go(channel_module.MOST_LET_GO + 5)))
    assert len(closed) == channel_module.MOST_LET_GO + 1, "the last of them is waited for"


def test_answers_that_nobody_waits_for_are_taken_by_whatever_work_follows() -> None:
    closed: list[int] = []
    made = without_closing(closed, lambda number: text(answer(STATUS, U32(4) + text(b"") * 2, number)))
    for _ in range(channel_module.MOST_LET_GO):
        assert [result.value for result in carry_out(made, Task("key", lets_go()))] == ["done"]
    assert (len(made._waiting), len(made._let_go)) == (0, 1)
    mad = without_closing([], lambda number: text(answer(DATA, text(b""), number)))
    with pytest.raises(LinkLost, match="makes no sense"):
        carry_out(mad, Task("key", lets_go()))


SYNCS = text(bytes([2]) + U32(3) + text(b"fsync@openssh.com") + text(b"1"))  # a greeting (draft §4) with fsync


@pytest.mark.parametrize(
    ("asked", "is_told"),
    [
        (requests.Sync(b"h"), True),
        ((requests.Sync(b"h"), requests.Stat(b"never answered")), True),
        ((requests.Remove(b"refused"), requests.Sync(b"h"), requests.Stat(b"never answered")), True),
        (requests.Attempts((requests.Sync(b"h"), requests.Stat(b"never answered"))), False),
    ],
)
def test_a_refused_sync_is_told_though_the_line_breaks_as_something_is_sent(asked: Any, is_told: bool) -> None:
    """Its answer has come and is not read yet. Over another connection the same sync would be answered well."""

    def far_box(packet: bytes) -> bytes:
        if packet[0] == codec.INIT:
            return SYNCS
        if b"the line breaks" in packet:
            raise BrokenPipeError
        if b"never answered" in packet:
            return b""
        code, what = (4, b"no space") if b"fsync" in packet else (3, b"no")
        return text(answer(STATUS, U32(code) + text(what) + text(b""), number_of(packet)))

    session = ScriptedSession(ScriptedChannel(far_box))
    with closing(session):
        made = SftpChannel(session, b"/", Meter())  # type: ignore[arg-type]
        tasks, ended = [Task("first", ask(asked)), Task("second", ask(requests.Stat(b"the line breaks")))], list[Any]()
        feed = TaskFeed(
            lambda _wait: tasks.pop(0) if tasks else None, lambda _task, done: ended.append(done), lambda: not tasks
        )
        with pytest.raises(LinkLost):
            made.work(feed)
    told = [(done.key, done.error.what) for done in ended]
    assert told == ([("first", "making the file durable was refused (status 4)")] if is_told else [])


def test_a_source_is_waited_for_though_a_closing_is_outstanding() -> None:
    """Only what somebody waits for keeps the line from being idle."""
    waits: list[bool] = []

    class Late:
        def take(self, *, wait: bool) -> requests.NotYet | None:
            waits.append(wait)
            return NOT_YET if len(waits) < 3 else None

        def refused(self, piece: object) -> None: ...

        def landed(self, piece: object) -> None: ...

    def script() -> Script[None]:
        yield requests.LetGo(b"handle")
        yield requests.WriteStream(b"other", Late())

    carry_out(without_closing([]), Task("key", script()))
    assert waits == [True] * 3


def test_a_closing_that_nobody_waits_for_and_no_answer_comes_to_ends_no_connection() -> None:
    """However long the work lasts that follows: only what somebody waits for may be passed over."""
    seconds = Seconds()

    def far_box(packet: bytes) -> bytes:
        return b"" if packet[0] == codec.CLOSE else text(answer(ATTRS, U32(0), number_of(packet)))

    with passing(seconds):
        made = channel_to(far_box, seconds=seconds)
        carry_out(made, Task("key", lets_go()))
        seconds.advance = 50.0  # of the 60 that an answer may take
        for _ in range(20):
            (result,) = carry_out(made, Task("key", ask(requests.Stat(b"a"))))
            assert result.error is None


def always_one_behind(total: int) -> Callable[[bytes], bytes]:
    """A box that closes nothing, and answers a look only as it is asked for the next one, up to the last of so many."""
    held: list[bytes] = []
    asked: list[bytes] = []

    def far_box(packet: bytes) -> bytes:
        if packet[0] == codec.CLOSE:
            return b""
        asked.append(packet)
        held.append(text(answer(ATTRS, U32(0), number_of(packet))))
        return b"".join(held.pop(0) for _ in range(len(held) - (len(asked) < total)))

    return far_box


def looks(times: int) -> Script[str]:
    for _ in range(times):
        yield requests.Stat(b"a")
    return "done"


@pytest.mark.parametrize("let_go", [1, channel_module.MOST_LET_GO])
def test_such_a_closing_ends_none_either_in_the_middle_of_work_that_never_pauses(let_go: int) -> None:
    """A restore of many files always waits for something, and its clocks do not begin anew."""
    seconds, times = Seconds(), 20

    def lets_go_and_looks() -> Script[str]:
        for _ in range(let_go):
            yield requests.LetGo(b"handle")
        return (yield from looks(times))

    with passing(seconds):
        made = channel_to(always_one_behind(2 * times), seconds=seconds)
        seconds.advance = 25.0  # of the 60 that an answer may take, and the 180 that one may be passed over
        results = carry_out(made, Task("a", lets_go_and_looks()), Task("b", looks(times)))
    assert [(result.value, result.error) for result in results] == [("done", None)] * 2
    assert (len(made._let_go), seconds.now > 500) == (let_go, True)


def test_what_somebody_waits_for_may_not_be_passed_over_behind_such_a_closing() -> None:
    seconds = Seconds()
    passed_over: list[bytes] = []

    def far_box(packet: bytes) -> bytes:
        if packet[0] == codec.CLOSE or packet.endswith(b"never"):
            passed_over.append(packet)
            return b""
        return text(answer(ATTRS, U32(0), number_of(packet)))

    with passing(seconds), pytest.raises(LinkLost, match="left one without an answer for 180 s"):
        made = channel_to(far_box, seconds=seconds)
        carry_out(made, Task("a", lets_go()))
        seconds.advance = 25.0
        carry_out(made, Task("b", ask(requests.Stat(b"never"))), Task("c", looks(20)))
    assert len(passed_over) == 3
    assert 180 < seconds.now <= 225


def test_closings_that_were_answered_leave_their_part_of_what_may_be_asked_for() -> None:
    """Else a file that is read after many others would wait for ever, with the answers lying there."""
    waits: list[float] = []
    allowance = ReadAllowance(now=lambda: sum(waits))
    share, other = allowance.share(), allowance.share()
    allowance.set_rate(0.0, 1e6, LineFigures(1e6, 0.001, 0.001))  # so quick that its window is the narrowest there is
    other.wants = True

    def far_box(packet: bytes) -> bytes:
        if packet[0] == codec.CLOSE:
            return text(answer(STATUS, U32(0) + text(b"") * 2, number_of(packet)))
        return text(answer(DATA, text(b"x" * 10), number_of(packet)))

    def script() -> Script[int]:
        for _ in range(channel_module.MOST_LET_GO):
            yield requests.LetGo(b"handle")
        came: int = yield requests.ReadStream(b"handle", 0, 10, BytesSink())
        return came

    def wait(seconds: float) -> None:
        waits.append(seconds)
        assert len(waits) < 1000, "nothing is asked for any more"

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("otherroof.far.sftp.streams.time.sleep", wait)
        (result,) = carry_out(channel_to(far_box, share=share), Task("key", script()))
    assert (result.value, share.under_way) == (10, 0)


def test_what_was_opened_beside_a_refusal_is_closed_before_the_script_hears_of_it() -> None:
    opens, closes, removes = 3, 4, 13  # SSH_FXP_OPEN, CLOSE and REMOVE, draft §6
    order: list[object] = []

    def far_box(packet: bytes) -> bytes:
        kind, number = packet[0], number_of(packet)
        order.append(kind)
        if kind == opens:
            return text(answer(HANDLE, text(b"held"), number))
        return text(answer(STATUS, U32(4 if kind == removes else 0) + text(b"") * 2, number))

    def script() -> Script[None]:
        try:
            yield (requests.OpenFile(b"a", Mode.READ), requests.Remove(b"b"))
        except Refused:
            order.append("told")

    carry_out(channel_to(far_box), Task("key", script()))
    assert order == [opens, removes, closes, "told"]
