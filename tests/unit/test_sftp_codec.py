"""Packets: every request is what the protocol says, and no answer of any bytes ends otherwise than told.

The requests are read back by the stand-in's own parser, which shares no code with the one under test.
"""

from __future__ import annotations

import random
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.errors import Denied, LinkLost, NotOffered, NotThere, PlaceError, Refused
from otherroof.far import requests
from otherroof.far.requests import Mode
from otherroof.far.sftp import codec
from otherroof.rehearsal.far_box.sftp_words import Fields

H = b"\0\0\0\7"
EVERY_OP: tuple[requests.Op, ...] = (
    requests.OpenFile(b"a", Mode.READ),
    requests.Write(H, 5, b"data"),
    requests.Read(H, 5, 10),
    requests.SetProperties(H, 1, 0o600, 7),
    requests.StatOpen(H),
    requests.Sync(H),
    requests.CloseFile(H),
    requests.CopyRange(H, 1, 2, b"x", 3),
    requests.Rename(b"a", b"b"),
    requests.Link(b"a", b"b"),
    requests.MakeSymlink(b"t", b"a"),
    requests.MakeFolder(b"a"),
    requests.RemoveFolder(b"a"),
    requests.Remove(b"a"),
    requests.Stat(b"a"),
    requests.OpenFolder(b"a"),
    requests.ReadFolder(H),
    requests.GetSpace(b"a"),
)
ASKING = {
    requests.OpenFile: codec.HANDLE,
    requests.OpenFolder: codec.HANDLE,
    requests.Read: codec.DATA,
    requests.ReadFolder: codec.NAME,
    requests.Stat: codec.ATTRS,
    requests.StatOpen: codec.ATTRS,
    requests.GetSpace: codec.EXTENDED_REPLY,
}


ANSWERS = {
    codec.HANDLE: bytes, codec.DATA: bytes, codec.NAME: list | None, codec.ATTRS: requests.Attrs,
    codec.EXTENDED_REPLY: requests.Space,
}  # fmt: skip
# Which request takes which code of a status for an answer and no refusal (draft §7).
SAID_BY_STATUS = ((requests.Read, b"", 1), (requests.ReadFolder, None, 1), (requests.Sync, False, 8))


def opened(packet: bytes) -> tuple[int, int, Fields]:
    """Kind, number and fields of one packet with its length."""
    assert int.from_bytes(packet[:4], "big") == len(packet) - 4, "the length is not the packet's"
    return packet[4], int.from_bytes(packet[5:9], "big"), Fields(memoryview(packet), 9)


def status(code: int) -> bytes:
    return struct.pack(">BII", codec.STATUS, 1, code) + codec.pack_string(b"") + codec.pack_string(b"")


def attrs(flags: int, body: bytes) -> bytes:
    return struct.pack(">BII", codec.ATTRS, 1, flags) + body


def test_write_carries_handle_offset_and_data() -> None:
    kind, number, fields = opened(codec.encode(9, requests.Write(H, 2**40, b"some data"), b"base/"))
    assert (kind, number) == (codec.WRITE, 9)
    assert (bytes(fields.string()), fields.u64(), bytes(fields.string())) == (H, 2**40, b"some data")


def test_paths_are_below_the_base_and_a_link_target_is_as_it_is() -> None:
    kind, _, fields = opened(codec.encode(1, requests.MakeSymlink(b"../anywhere", b"name"), b"/base/"))
    assert kind == codec.SYMLINK
    # OpenSSH has the target first, the other way round than the draft (its PROTOCOL file, section 4.1).
    assert (bytes(fields.string()), bytes(fields.string())) == (b"../anywhere", b"/base/name")


@given(st.binary(min_size=1, max_size=300).filter(lambda name: b"\0" not in name))
def test_names_of_any_bytes_arrive_as_they_are(name: bytes) -> None:
    _, _, fields = opened(codec.encode(1, requests.Rename(name, name + b"2"), b"/b/"))
    assert (bytes(fields.path()), bytes(fields.path())) == (b"/b/" + name, b"/b/" + name + b"2")


@given(st.integers(-(2**40), 2**40), st.integers(0, 0o7777), st.integers(0, 2**63))
def test_times_outside_the_protocol_are_cut_to_it_and_the_rest_arrives(mtime: int, mode: int, size: int) -> None:
    _, _, fields = opened(codec.encode(1, requests.SetProperties(H, size, mode, mtime), b""))
    assert bytes(fields.string()) == H
    wanted = fields.attributes()
    seconds = min(max(mtime, 0), 2**32 - 1)
    assert (wanted.size, wanted.mode, wanted.times) == (size, mode, (seconds, seconds))


def test_copy_within_the_box_names_both_handles_and_both_places() -> None:
    kind, _, fields = opened(codec.encode(1, requests.CopyRange(b"from", 1, 2, b"to", 3), b""))
    assert kind == codec.EXTENDED
    told: list[Any] = [bytes(fields.string()), bytes(fields.string()), fields.u64(), fields.u64()]
    assert [*told, bytes(fields.string()), fields.u64()] == [b"copy-data", b"from", 1, 2, b"to", 3]


def test_answers_hold_what_was_packed() -> None:
    assert (
        codec.decode(requests.OpenFile(b"a", Mode.READ), struct.pack(">BI", codec.HANDLE, 1) + codec.pack_string(H))
        == H
    )
    assert codec.decode(requests.Read(H, 0, 9), struct.pack(">BI", codec.DATA, 1) + codec.pack_string(b"abc")) == b"abc"
    body = struct.pack(">QIIIII", 2**40, 3, 4, 0o100644, 5, 6)
    assert codec.decode(requests.Stat(b"a"), attrs(0xF, body)) == requests.Attrs(2**40, 0o100644, 6)


def test_attributes_that_are_not_given_are_nothing_and_further_ones_are_passed_over() -> None:
    more = struct.pack(">I", 1) + codec.pack_string(b"acl@example.org") + codec.pack_string(b"rwx")
    assert codec.decode(requests.Stat(b"a"), attrs(0x80000000, more)) == requests.Attrs(0, 0, 0)


@pytest.mark.parametrize(
    ("code", "kind"), [(2, NotThere), (3, Denied), (4, Refused), (8, NotOffered), (5, Refused), (77, Refused)]
)
@pytest.mark.parametrize("op", EVERY_OP, ids=lambda op: type(op).__name__)
def test_every_refusal_is_told_as_what_it_means(op: requests.Op, code: int, kind: type[PlaceError]) -> None:
    if isinstance(op, requests.Sync) and code == 8:
        assert codec.decode(op, status(code)) is False
        return
    with pytest.raises(PlaceError) as caught:
        codec.decode(op, status(code))
    assert type(caught.value) is kind


def test_end_of_file_and_of_folder_are_no_refusals() -> None:
    assert codec.decode(requests.Read(H, 0, 1), status(1)) == b""
    assert codec.decode(requests.ReadFolder(H), status(1)) is None


@pytest.mark.parametrize("op", EVERY_OP, ids=lambda op: type(op).__name__)
@pytest.mark.parametrize(
    "kind", [codec.STATUS, codec.HANDLE, codec.DATA, codec.NAME, codec.ATTRS, codec.EXTENDED_REPLY, 77]
)
def test_answer_of_another_kind_than_asked_for_breaks_the_connection(op: requests.Op, kind: int) -> None:
    """Invariant 5: an answer that does not fit never reaches those who asked."""
    bodies = {codec.STATUS: struct.pack(">I", 0), codec.ATTRS: bytes(4), codec.NAME: bytes(4)}
    long_enough = codec.pack_string(bytes(84))  # for every request
    packet = struct.pack(">BI", kind, 1) + bodies.get(kind, long_enough)
    if kind == ASKING.get(type(op), codec.STATUS):
        codec.decode(op, packet)
        return
    with pytest.raises(LinkLost):
        codec.decode(op, packet)


@pytest.mark.parametrize("op", EVERY_OP, ids=lambda op: type(op).__name__)
@given(body=st.binary(max_size=120), kind=st.sampled_from((101, 102, 103, 104, 105, 201)))
def test_no_bytes_end_otherwise_than_told(op: requests.Op, body: bytes, kind: int) -> None:
    """Invariant 5: whatever a far box says, the answer is a value or one of the house's own errors."""
    wanted = ASKING.get(type(op), codec.STATUS)
    try:
        answer = codec.decode(op, bytes([kind]) + bytes(4) + body)
        if isinstance(answer, codec.FolderNames):
            answer = list(answer)
    except LinkLost:
        return
    except PlaceError:
        assert kind == codec.STATUS, "only a status refuses"
        return
    assert kind in (wanted, codec.STATUS)
    if kind == codec.STATUS:
        assert (type(op), answer, int.from_bytes(body[:4], "big")) in SAID_BY_STATUS or (
            wanted == codec.STATUS and body[:4] == bytes(4) and answer in (None, isinstance(op, requests.Sync))
        )
    else:
        assert isinstance(answer, ANSWERS[wanted])
        assert not isinstance(answer, bytes) or answer in body


@given(st.binary(max_size=60))
def test_greeting_of_any_bytes_is_taken_or_refused(body: bytes) -> None:
    try:
        found = codec.parse_hello(bytes([codec.VERSION]) + body)
    except LinkLost:
        return
    told = b"".join(codec.pack_string(name) + codec.pack_string(value) for name, value in found.items())
    assert len(body) >= 4
    assert len(told) <= len(body) - 4, "nothing comes out that was not in it"
    assert all(name in body and value in body for name, value in found.items())


@given(st.dictionaries(st.binary(max_size=20), st.binary(max_size=9), max_size=5))
def test_greeting_names_what_was_packed_into_it(offered: dict[bytes, bytes]) -> None:
    told = b"".join(codec.pack_string(name) + codec.pack_string(value) for name, value in offered.items())
    assert codec.parse_hello(bytes([codec.VERSION]) + b"\0\0\0\3" + told) == offered


@pytest.mark.parametrize("packet", [b"", b"\2", b"\x65\0\0\0\3", b"SSH-2.0-x"])
def test_greeting_that_is_none_breaks_the_connection(packet: bytes) -> None:
    with pytest.raises(LinkLost):
        codec.parse_hello(packet)


def test_packets_come_out_whole_however_they_arrive() -> None:
    dice = random.Random(1)
    sent = [bytes([codec.DATA]) + dice.randbytes(dice.randrange(4, 3000)) for _ in range(200)]
    stream = b"".join(codec.pack_string(packet) for packet in sent)
    packets, got, at = codec.Packets(), [], 0
    while at < len(stream):
        step = dice.choice((1, 2, 3, 5, 1000, 9000))
        got += packets.feed(stream[at : at + step])
        at += step
    assert got == sent


@pytest.mark.parametrize("size", [0, 4, codec.MAX_PACKET + 1, 0xFFFFFFFF])
def test_packet_of_impossible_length_breaks_the_connection_before_it_is_waited_for(size: int) -> None:
    with pytest.raises(LinkLost):
        codec.Packets().feed(size.to_bytes(4, "big"))
