"""A far box that means harm: whatever it answers, memory, time and disk stay bounded, and a person gets one line.

The answers are scripted, with no socket and no waiting; what is below SFTP is in `test_hostile_ssh.py`.
"""

from __future__ import annotations

import gc
import itertools
import json
import os
import subprocess
import sys
import tracemalloc
import weakref
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import Damaged, HomeTrouble, LinkLost, OtherroofError, Refused
from otherroof.far import requests
from otherroof.far.place import Meter, PlaceOffers, Task
from otherroof.far.requests import BytesSink, Script
from otherroof.far.session import SshTarget
from otherroof.far.sftp import codec
from otherroof.far.sftp.channel import SftpChannel
from otherroof.far.sftp.deadline import ProgressDeadline
from otherroof.far.sftp.place import SftpPlace
from otherroof.far.sftp.streams import WINDOW
from otherroof.layouts.open import steps, walk
from otherroof.layouts.open.aside import move_aside
from otherroof.layouts.open.job_folder import OpenJobFolder
from otherroof.layouts.open.paths import JobPaths
from otherroof.rehearsal.far_box import sftp_words as words
from support.hostile_server import (
    HELLO,
    Answer,
    ScriptedChannel,
    ScriptedSession,
    Seconds,
    carry_out,
    channel_to,
    every_connection_to,
    names_answer,
    number_of,
    passing,
)

MIB = 1024 * 1024
HANDLE = words.counted(b"h")


def opens(packet: bytes) -> bytes:
    """A handle for whatever is to be opened; all is well with the rest."""
    number = number_of(packet)
    if packet[0] in (words.OPEN, words.OPENDIR):
        return words.framed(words.HANDLE, number, HANDLE)
    return words.framed_status(number, words.OK)


def box(kind: int, answer: Callable[[int], bytes]) -> Answer:
    """A box that opens everything, and answers requests of this kind so; `answer` is given the request's number."""
    return lambda packet: answer(number_of(packet)) if packet[0] == kind else opens(packet)


@contextmanager
def memory_below(most: int) -> Iterator[None]:
    """No more than so many bytes are allocated at once while inside."""
    tracemalloc.start()
    try:
        yield
        assert tracemalloc.get_traced_memory()[1] < most
    finally:
        tracemalloc.stop()


def script_of(op: requests.Op) -> Script[Any]:
    return (yield op)


# -- listings of folders --


def test_names_of_megabytes_are_refused_before_they_gather() -> None:
    long = names_answer(0, [b"x" * 3_900_000])[4:]
    assert len(long) < 4 * MIB
    answer = box(words.READDIR, lambda n: words.counted(long[:1] + n.to_bytes(4, "big") + long[5:]))
    with memory_below(32 * MIB), pytest.raises(LinkLost, match="makes no sense"):
        carry_out(channel_to(answer), Task("list", steps.list_names(b"a")))


@pytest.mark.parametrize("names", [[b"x" * 5000], [b"y" * 200] * 2000], ids=["one name", "one answer"])
def test_name_or_answer_longer_than_any_is_refused(names: list[bytes]) -> None:
    with pytest.raises(LinkLost, match="makes no sense"):
        carry_out(
            channel_to(box(words.READDIR, lambda n: names_answer(n, names))), Task("list", steps.list_names(b"a"))
        )


def test_answers_without_an_entry_end_the_folder() -> None:
    (done,) = carry_out(
        channel_to(box(words.READDIR, lambda n: names_answer(n, []))), Task("list", steps.list_names(b"a"))
    )
    assert (done.value, done.error) == ([], None)


@pytest.mark.parametrize("names", [[b"."], [b"a"], [b"%d" % n for n in range(3000)]], ids=["dot", "same", "many"])
def test_listing_that_never_ends_is_refused(names: list[bytes], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(steps, "MOST_NAME_BYTES", steps.MOST_NAME_BYTES // 60)
    with memory_below(64 * MIB):
        (done,) = carry_out(
            channel_to(box(words.READDIR, lambda n: names_answer(n, names))),
            Task("list", steps.list_names(b"a", 10_000)),
        )
    assert isinstance(done.error, Refused)
    assert "without end" in str(done.error)


def test_folders_in_folders_without_end_do_not_end_in_a_recursion() -> None:
    """What is to be moved aside is a folder that holds a folder that holds a folder …, and no rename is taken."""

    def answer(packet: bytes) -> bytes:
        number = number_of(packet)
        if packet[0] == words.LSTAT:
            return words.framed(words.ATTRS, number, b"\0\0\0\4" + (0o40755).to_bytes(4, "big"))
        if packet[0] == words.RENAME:
            return words.framed_status(number, words.FAILURE)
        if packet[0] == words.READDIR:
            return names_answer(number, [b"d" * 9]) if next(turn) % 2 else words.framed_status(number, words.EOF)
        return opens(packet)

    turn = itertools.count(1)
    (done,) = carry_out(channel_to(answer), Task("aside", move_aside(PlaceOffers(), b"latest/a", b"earlier/a")))
    assert isinstance(done.error, Refused)
    assert "without end" in str(done.error)


RUN = "2031-04-05T013000Z-7f3a"


def place_of(answer: Answer) -> SftpPlace:
    """A place whose one connection leads to this box."""
    with every_connection_to(lambda: lambda packet: HELLO if packet[0] == words.INIT else answer(packet)):
        return SftpPlace(SshTarget("192.0.2.7", 22, "copykeeper", "", ""), b"/")


@pytest.mark.slow
@pytest.mark.parametrize("mode", [0o40755, 0o100644], ids=["folders", "files"])
def test_walk_of_a_tree_without_end_is_left_in_bounded_memory(mode: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every folder holds two thousand, or a folder goes on for ever with files."""
    monkeypatch.setattr(walk, "MOST_WAITING", MIB // 4)
    monkeypatch.setattr("otherroof.far.sftp.place.BACKLOG_BYTES", MIB)  # fewer at once, so that it ends sooner
    names = [b"%d" % n for n in range(2000)]
    refused: list[str] = []
    with closing(place_of(box(words.READDIR, lambda n: names_answer(n, names, mode)))) as place, memory_below(24 * MIB):
        found = sum(
            folder.weight
            for folder in walk.walk_aside(
                place, JobPaths("papers"), [RUN], lambda run, folder, why: refused.append(why.what), most=8 * MIB
            )
        )
    assert refused == [f"lists {'folders' if mode == 0o40755 else 'names'} without end, so no more was looked at"]
    assert found < 9 * MIB


def test_folder_that_names_nothing_but_itself_for_ever_is_left() -> None:
    with (
        closing(place_of(box(words.READDIR, lambda n: names_answer(n, [b"."])))) as place,
        pytest.raises(Refused, match="lists without a name in them"),
    ):
        list(walk.walk_aside(place, JobPaths("papers"), [RUN]))


def test_large_folder_comes_in_portions_whole_and_in_order() -> None:
    turns = iter(range(10**6))

    def answer(number: int) -> bytes:
        turn = next(turns)
        if turn >= 300:
            return words.framed_status(number, words.EOF)
        return names_answer(number, [b"%06d" % (turn * 100 + n) for n in range(100)], 0o100644)

    with closing(place_of(box(words.READDIR, answer))) as place:
        portions = list(walk.walk_aside(place, JobPaths("papers"), [RUN]))
    assert len(portions) > 1
    assert [path for portion in portions for path in portion.files] == [b"%06d" % n for n in range(30_000)]


# -- files that are read --


def reads(length: int) -> tuple[Task[str, bytes], BytesSink]:
    sink = BytesSink()

    def script() -> Script[int]:
        handle = yield requests.OpenFile(b"a", requests.Mode.READ)
        return (yield requests.ReadStream(handle, 0, length, sink))

    return Task("read", script()), sink


def range_of(packet: bytes) -> tuple[int, int]:
    """Where a request to read begins, and how much it asks for."""
    fields = words.Fields(memoryview(packet), 5)
    fields.string()
    return fields.u64(), fields.u32()


def test_content_in_crumbs_is_refused() -> None:
    channel = channel_to(box(words.READ, lambda n: words.framed(words.DATA, n, words.counted(b"x"))))
    task, sink = reads(10 * MIB)
    (done,) = carry_out(channel, task)
    assert "in pieces of a few bytes" in str(done.error)
    assert len(sink.data) < 1000


def test_answers_that_overtake_a_held_back_one_do_not_gather() -> None:
    """The first read of a large file is never answered, all others are: no more than a window may wait here."""
    asked: list[int] = []

    def answer(packet: bytes) -> bytes:
        if packet[0] != words.READ:
            return opens(packet)
        at, size = range_of(packet)
        asked.append(size)
        return words.framed(words.DATA, number_of(packet), words.counted(bytes(size))) if at else b""

    task, _ = reads(1 << 40)
    with memory_below(6 * WINDOW), pytest.raises(LinkLost, match="did not answer"):
        carry_out(channel_to(answer), task)
    assert WINDOW <= sum(asked) < 2 * WINDOW


def test_answers_that_overtake_each_other_come_out_in_order() -> None:
    held: list[bytes] = []

    def answer(packet: bytes) -> bytes:
        if packet[0] != words.READ:
            return opens(packet)
        at, size = range_of(packet)
        held.append(words.framed(words.DATA, number_of(packet), words.counted(at.to_bytes(8, "big") * (size // 8))))
        if len(held) < 4:
            return b""
        late, held[:] = list(held), []
        return b"".join(reversed(late))

    task, sink = reads(64 * requests.LEAST)
    (done,) = carry_out(channel_to(answer), task)
    assert done.value == 64 * requests.LEAST
    assert sink.data == b"".join((n * requests.LEAST).to_bytes(8, "big") * (requests.LEAST // 8) for n in range(64))


# -- time --


def test_byte_every_five_seconds_is_no_answer() -> None:
    seconds = Seconds()
    with passing(seconds):
        channel = channel_to(box(words.READDIR, lambda n: names_answer(n, [b"a" * 250])), piece=1, seconds=seconds)
        seconds.advance = 5.0
        begun = seconds.now
        with pytest.raises(LinkLost, match="no complete answer within 60 s"):
            carry_out(channel, Task("list", steps.list_names(b"a")))
    assert 60 < seconds.now - begun < 90


def test_greeting_of_a_byte_every_five_seconds_is_none() -> None:
    seconds = Seconds(advance=5.0)
    long = words.counted(HELLO[4:] + words.counted(b"extension") + words.counted(b"x" * 200))
    session = ScriptedSession(ScriptedChannel(lambda packet: long, piece=1, seconds=seconds))
    session.sock.close()
    with passing(seconds), pytest.raises(LinkLost, match="no complete answer within 60 s"):
        SftpChannel(session, b"/", Meter())  # type: ignore[arg-type]
    assert seconds.now < 90


def test_slow_line_on_which_an_answer_comes_in_pieces_is_waited_for() -> None:
    """Longer than the longest wait for an answer, while bytes of this one keep coming."""
    seconds = Seconds()
    with passing(seconds):
        answer = box(words.READ, lambda n: words.framed(words.DATA, n, words.counted(bytes(30_000))))
        channel = channel_to(answer, piece=300, seconds=seconds)
        seconds.advance = 1.0
        task, sink = reads(30_000)
        (done,) = carry_out(channel, task)
    assert done.error is None, done.error
    assert len(sink.data) == 30_000
    assert seconds.now > 90


def test_request_that_is_passed_over_while_others_are_answered_ends_the_wait() -> None:
    def ever() -> Script[None]:
        while True:
            yield requests.Remove(b"b")

    seconds = Seconds()
    with passing(seconds):
        channel = channel_to(lambda packet: b"" if b"held" in packet else opens(packet), seconds=seconds)
        seconds.advance = 5.0
        begun = seconds.now
        with pytest.raises(LinkLost, match="left one without an answer for 180 s"):
            carry_out(channel, Task("held", script_of(requests.Remove(b"held"))), Task("ever", ever()))
    assert seconds.now - begun < 300


def test_whole_answers_that_come_too_slowly_for_any_work_end_it_too() -> None:
    seconds = Seconds()
    with passing(seconds):
        channel = channel_to(box(words.READDIR, lambda n: names_answer(n, [b"%d" % n])), seconds=seconds)
        seconds.advance = 55.0
        begun = seconds.now
        with pytest.raises(LinkLost, match="answers too slowly to be of use"):
            carry_out(channel, Task("list", steps.list_names(b"a")))
    assert seconds.now - begun < 2 * 3600


def test_time_in_which_home_is_busy_does_not_count() -> None:
    deadline = ProgressDeadline(60)
    deadline.begin()
    for number in range(1000):  # an hour of waits that each end in an answer, and any time between them
        assert deadline.waited(3.6, 100, number) == ""
        deadline.answered(10_000)
    assert deadline.waited(61, 0, 1000) != ""


def test_what_was_waited_for_before_does_not_count_while_nobody_waits() -> None:
    """A closing that goes out alone may have to wait for room on the line."""
    deadline = ProgressDeadline(60)
    deadline.begin()
    for _ in range(3):
        assert deadline.waited(55, 0, 7) == ""
        deadline.answered(0)
    deadline.begin()
    assert deadline.waited(55, 0, None) == ""


@pytest.mark.parametrize("empty", [(), ((),)], ids=["once", "in a script that goes on"])
def test_empty_tuple_of_requests_is_answered_at_once(empty: tuple[Any, ...]) -> None:
    def script() -> Script[Any]:
        first = yield ()
        return first, (yield requests.Remove(b"a"))

    (done,) = carry_out(channel_to(opens), Task("empty", script()))
    assert done.value == ((), None)


def test_what_a_refused_script_held_is_let_go_at_once_and_not_only_by_the_collector() -> None:
    class Content:
        pass

    def script(content: Content) -> Script[Any]:
        return content, (yield (requests.Remove(b"a"), requests.Remove(b"b")))

    def refuse_one() -> weakref.ref[Content]:
        content = Content()
        done = carry_out(channel_to(refuses), Task(content, script(content)))
        assert isinstance(done.pop().error, Refused)  # taken out: the channel goes on holding the list
        return weakref.ref(content)

    def refuses(packet: bytes) -> bytes:
        return words.framed(words.STATUS, number_of(packet), words.FAILURE.to_bytes(4, "big") + bytes(8))

    gc.disable()
    try:
        assert refuse_one()() is None
    finally:
        gc.enable()


# -- limits and numbers --


@pytest.mark.parametrize("said", [1, 2, 100, 2**64 - 1])
def test_longest_write_and_read_are_sensible_whatever_the_box_says(said: int) -> None:
    def answer(packet: bytes) -> bytes:
        if packet[0] == words.INIT:
            return words.counted(HELLO[4:] + words.counted(b"limits@openssh.com") + words.counted(b"1"))
        return words.framed(words.EXTENDED_REPLY, 0, said.to_bytes(8, "big") * 4)

    session = ScriptedSession(ScriptedChannel(answer))
    session.sock.close()
    offers = SftpChannel(session, b"/", Meter()).offers  # type: ignore[arg-type]
    assert 4096 <= offers.max_write <= MIB
    assert 4096 <= offers.max_read <= MIB


def test_file_system_of_sixteen_eib_is_reckoned_with() -> None:
    full = (2**64 - 1).to_bytes(8, "big")
    space = codec.decode(requests.GetSpace(b""), bytes([words.EXTENDED_REPLY]) + bytes(4) + full * 11)
    assert {space.total, space.free, space.files, space.files_free} == {2**63 - 1}


def test_handle_longer_than_the_protocol_has_is_refused() -> None:
    def answered(handle: bytes) -> bytes:
        return words.framed(words.HANDLE, 0, words.counted(handle))[4:]

    assert codec.decode(requests.OpenFolder(b"a"), answered(b"h" * 256)) == b"h" * 256
    with pytest.raises(LinkLost, match="makes no sense"):
        codec.decode(requests.OpenFolder(b"a"), answered(b"h" * 257))


# -- listings of runs --


class OnlyOffers:
    offers = None


def fetch(said: int, into: Path) -> OtherroofError | None:
    """The error of fetching a listing that the far box says to be so long."""
    attrs = b"\0\0\0\1" + said.to_bytes(8, "big")
    channel = channel_to(box(words.FSTAT, lambda n: words.framed(words.ATTRS, n, attrs)))
    folder = OpenJobFolder(OnlyOffers(), JobPaths("papers"))  # type: ignore[arg-type]
    (done,) = carry_out(channel, Task("fetch", folder.fetch_listing("2031-04-05T013000Z-7f3a", str(into))))
    return done.error


def test_listing_larger_than_any_is_not_fetched(tmp_path: Path) -> None:
    error = fetch(2**60, tmp_path / "scratch" / "listing")
    assert isinstance(error, Damaged)
    assert "PB" in str(error)
    assert not (tmp_path / "scratch").exists()


def test_listing_that_would_fill_this_disk_is_not_fetched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("otherroof.layouts.open.job_folder._free_bytes", lambda folder: 10**9)
    error = fetch(900_000_000, tmp_path / "listing")
    assert isinstance(error, HomeTrouble)
    assert "would fill this disk (1.00 GB free)" in str(error)
    assert not (tmp_path / "listing").exists()


# -- any lies --


@pytest.mark.slow
@pytest.mark.lasts(25)
def test_thousands_of_lies_do_no_harm(tmp_path: Path) -> None:
    """Invariant 5: run by run and restore by restore, in a process of its own whose memory can be told."""
    script = Path(__file__).parent.parent / "support" / "hostile_fuzz.py"
    given = ["--answers", "6000", "--seed", str(int.from_bytes(os.urandom(3), "big"))]
    ran = subprocess.run(
        [sys.executable, script, *given], capture_output=True, text=True, timeout=400, check=False,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    )  # fmt: skip
    assert ran.stdout, ran.stderr
    seen = json.loads(ran.stdout)
    assert seen["wrong"] == [], given
    assert seen["peak_mib"] < 150, given
    assert seen["processor_s"] < 20, given
    assert len(seen["ended"]) > 8, "the lies were of many kinds, and so were the ends"
