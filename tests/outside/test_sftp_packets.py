"""What crosses to the far box, byte by byte: the expected packets are written by hand from the documents.

draft-ietf-secsh-filexfer-02 (numbers of packets, flags and codes read second-hand, sections from memory); OpenSSH's
PROTOCOL file (read in a stored copy); draft-ietf-secsh-filexfer-extensions-00 for `copy-data` (from memory).
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from otherroof.base.errors import Denied, NotOffered, NotThere, Refused
from otherroof.far import requests
from otherroof.far.requests import Attrs, Mode, Space
from otherroof.far.sftp import codec
from support.outside import outside

DRAFT = "draft-ietf-secsh-filexfer-02"
OPENSSH = "OpenSSH, PROTOCOL"
ID = b"\0\0\0\x09"
HANDLE = b"\0\0\0\x04\0\0\0\x07"  # a string of four bytes
H = b"\0\0\0\x07"


def asked(name: str, op: requests.Op, wanted: bytes, section: str, source: str = DRAFT) -> Any:
    mark = outside(source, section, f"bytes of the request: {name}", value="from memory, recomputed", main=True)
    return pytest.param(op, wanted, id=name, marks=mark)


@pytest.mark.parametrize(
    ("op", "wanted"),
    [
        asked("open to read", requests.OpenFile(b"a", Mode.READ),
              b"\0\0\0\x19" b"\x03" + ID + b"\0\0\0\x08copies/a" b"\0\0\0\x01" b"\0\0\0\0", "§6.3, SSH_FXP_OPEN"),
        asked("open a new file", requests.OpenFile(b"a", Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW, 0o640),
              b"\0\0\0\x1d" b"\x03" + ID + b"\0\0\0\x08copies/a" b"\0\0\0\x2a" b"\0\0\0\x04" b"\0\0\x01\xa0",
              "§6.3, SSH_FXF_WRITE, CREAT, EXCL"),
        asked("open and empty", requests.OpenFile(b"a", Mode.READ | Mode.WRITE | Mode.CREATE | Mode.EMPTY, 0o600),
              b"\0\0\0\x1d" b"\x03" + ID + b"\0\0\0\x08copies/a" b"\0\0\0\x1b" b"\0\0\0\x04" b"\0\0\x01\x80",
              "§6.3, SSH_FXF_READ, WRITE, CREAT, TRUNC"),
        asked("close", requests.CloseFile(H), b"\0\0\0\x0d" b"\x04" + ID + HANDLE, "§6.3, SSH_FXP_CLOSE"),
        asked("read past 4 GiB", requests.Read(H, 2**32 + 5, 32768),
              b"\0\0\0\x19" b"\x05" + ID + HANDLE + b"\0\0\0\x01\0\0\0\x05" b"\0\0\x80\0", "§6.4, SSH_FXP_READ"),
        asked("write", requests.Write(H, 261, b"abc"),
              b"\0\0\0\x1c" b"\x06" + ID + HANDLE + b"\0\0\0\0\0\0\x01\x05" b"\0\0\0\x03abc", "§6.4, SSH_FXP_WRITE"),
        asked("remove", requests.Remove(b"a"),
              b"\0\0\0\x11" b"\x0d" + ID + b"\0\0\0\x08copies/a", "§6.5, SSH_FXP_REMOVE"),
        asked("rename", requests.Rename(b"a", b"be"),
              b"\0\0\0\x1e" b"\x12" + ID + b"\0\0\0\x08copies/a" b"\0\0\0\x09copies/be", "§6.5, SSH_FXP_RENAME"),
        asked("make a folder", requests.MakeFolder(b"a", 0o700),
              b"\0\0\0\x19" b"\x0e" + ID + b"\0\0\0\x08copies/a" b"\0\0\0\x04" b"\0\0\x01\xc0", "§6.6, SSH_FXP_MKDIR"),
        asked("remove a folder", requests.RemoveFolder(b"a"),
              b"\0\0\0\x11" b"\x0f" + ID + b"\0\0\0\x08copies/a", "§6.6, SSH_FXP_RMDIR"),
        asked("open a folder", requests.OpenFolder(b"a"),
              b"\0\0\0\x11" b"\x0b" + ID + b"\0\0\0\x08copies/a", "§6.7, SSH_FXP_OPENDIR"),
        asked("read a folder", requests.ReadFolder(H), b"\0\0\0\x0d" b"\x0c" + ID + HANDLE, "§6.7, SSH_FXP_READDIR"),
        asked("look at a name itself", requests.Stat(b"a"),
              b"\0\0\0\x11" b"\x07" + ID + b"\0\0\0\x08copies/a", "§6.8, SSH_FXP_LSTAT"),
        asked("look at an open file", requests.StatOpen(H), b"\0\0\0\x0d" b"\x08" + ID + HANDLE, "§6.8, SSH_FXP_FSTAT"),
        asked("size, permissions and times", requests.SetProperties(H, 2**33, 0o755, 0x01020304),
              b"\0\0\0\x25" b"\x0a" + ID + HANDLE + b"\0\0\0\x0d" b"\0\0\0\x02\0\0\0\0" b"\0\0\x01\xed"
              b"\x01\x02\x03\x04" b"\x01\x02\x03\x04", "§6.9, SSH_FXP_FSETSTAT, and §5, ATTRS"),
        asked("permissions alone", requests.SetProperties(H, permissions=0o4755),
              b"\0\0\0\x15" b"\x0a" + ID + HANDLE + b"\0\0\0\x04" b"\0\0\x09\xed", "§5, SSH_FILEXFER_ATTR_PERMISSIONS"),
        asked("size alone", requests.SetProperties(H, size=5),
              b"\0\0\0\x19" b"\x0a" + ID + HANDLE + b"\0\0\0\x01" b"\0\0\0\0\0\0\0\x05", "§5, SSH_FILEXFER_ATTR_SIZE"),
        asked("a time after 2106", requests.SetProperties(H, mtime=2**32 + 7),
              b"\0\0\0\x19" b"\x0a" + ID + HANDLE + b"\0\0\0\x08" b"\xff\xff\xff\xff" b"\xff\xff\xff\xff",
              "§5, atime and mtime are uint32"),
        asked("a time before 1970", requests.SetProperties(H, mtime=-5),
              b"\0\0\0\x19" b"\x0a" + ID + HANDLE + b"\0\0\0\x08" b"\0\0\0\0" b"\0\0\0\0",
              "§5, atime and mtime are unsigned"),
        asked("a symbolic link, its target first", requests.MakeSymlink(b"../t", b"a"),
              b"\0\0\0\x19" b"\x14" + ID + b"\0\0\0\x04../t" b"\0\0\0\x08copies/a",
              "sftp: reversal of arguments to SSH_FXP_SYMLINK", OPENSSH),
        asked("make it last", requests.Sync(H),
              b"\0\0\0\x22" b"\xc8" + ID + b"\0\0\0\x11fsync@openssh.com" + HANDLE, "fsync@openssh.com", OPENSSH),
        asked("a second name", requests.Link(b"a", b"be"),
              b"\0\0\0\x36" b"\xc8" + ID + b"\0\0\0\x14hardlink@openssh.com" b"\0\0\0\x08copies/a"
              b"\0\0\0\x09copies/be",
              "hardlink@openssh.com", OPENSSH),
        asked("free space", requests.GetSpace(b"a"),
              b"\0\0\0\x28" b"\xc8" + ID + b"\0\0\0\x13statvfs@openssh.com" b"\0\0\0\x08copies/a",
              "statvfs@openssh.com", OPENSSH),
        asked("copy within the far box", requests.CopyRange(H, 1, 2**32, b"to", 3),
              b"\0\0\0\x38" b"\xc8" + ID + b"\0\0\0\x09copy-data" + HANDLE + b"\0\0\0\0\0\0\0\x01" b"\0\0\0\x01\0\0\0\0"
              b"\0\0\0\x02to" b"\0\0\0\0\0\0\0\x03", "§7, copy-data", "draft-ietf-secsh-filexfer-extensions-00"),
    ],
)  # fmt: skip
def test_request_is_these_bytes(op: requests.Op, wanted: bytes) -> None:
    assert codec.encode(9, op, b"copies/") == wanted


@outside(DRAFT, "§4, SSH_FXP_INIT", "the client's greeting, version 3", value="from memory, recomputed", main=True)
def test_greeting_is_these_bytes() -> None:
    assert codec.hello_packet() == b"\0\0\0\x05\x01\0\0\0\x03"


@outside(DRAFT, "§4, SSH_FXP_VERSION", "extensions named in the server's greeting", value="from memory", main=True)
def test_extensions_are_read_from_the_servers_greeting() -> None:
    packet = b"\x02\0\0\0\x03\0\0\0\x11fsync@openssh.com\0\0\0\x011\0\0\0\x09copy-data\0\0\0\0"
    assert codec.parse_hello(packet) == {b"fsync@openssh.com": b"1", b"copy-data": b""}


@outside("RFC 4251", "§5, string", "a string has its length before it: its own example", value="read", main=True)
def test_a_string_is_as_in_the_rfcs_example() -> None:
    assert codec.pack_string(b"testing") == bytes.fromhex("00 00 00 07 74 65 73 74 69 6e 67")
    assert codec.unpack_string(bytes.fromhex("00 00 00 07 74 65 73 74 69 6e 67 ff"), 0) == (b"testing", 11)


@outside("RFC 4251", "§5, uint32", "699921578 is 29 b7 f4 aa", value="read", main=True)
def test_a_number_is_as_in_the_rfcs_example() -> None:
    packet = codec.encode(699921578, requests.Read(H, 0, 699921578), b"")
    assert packet[5:9] == packet[-4:] == bytes.fromhex("29 b7 f4 aa")
    answer = b"\x69\0\0\0\x09\0\0\0\x08\0\0\0\0\x29\xb7\xf4\xaa"
    assert codec.decode(requests.Stat(b"a"), answer).mtime == 699921578


@outside("RFC 4251", "§5, uint64", "eight bytes, the most significant first", value="from memory", main=True)
def test_a_large_number_has_its_most_significant_byte_first() -> None:
    assert codec.encode(1, requests.Write(H, 0x0102030405060708, b""), b"")[17:25] == bytes(range(1, 9))


LINE = b"-rw-r--r-- 1 ash ash 3 Jan 1 00:00 a"


def answered(name: str, op: requests.Op, packet: bytes, wanted: Any, section: str, source: str = DRAFT) -> Any:
    mark = outside(source, section, f"what the answer says: {name}", value="from memory, recomputed", main=True)
    return pytest.param(op, packet, wanted, id=name, marks=mark)


@pytest.mark.parametrize(
    ("op", "packet", "wanted"),
    [
        answered("a handle", requests.OpenFile(b"a", Mode.READ), b"\x66" + ID + HANDLE, H, "§7, SSH_FXP_HANDLE"),
        answered("data", requests.Read(H, 0, 9), b"\x67" + ID + b"\0\0\0\x03a\0b", b"a\0b", "§7, SSH_FXP_DATA"),
        answered("attributes, all of them", requests.Stat(b"a"),
                 b"\x69" + ID + b"\x80\0\0\x0f" b"\0\0\0\x02\0\0\0\x01" b"\0\0\x03\xe8" b"\0\0\x03\xe9"
                 b"\0\0\x81\xa4" b"\0\0\0\x05" b"\0\0\0\x06" b"\0\0\0\x01" b"\0\0\0\x01k" b"\0\0\0\x01v",
                 Attrs(2**33 + 1, 0o100644, 6), "§5, ATTRS"),
        answered("permissions alone", requests.StatOpen(H), b"\x69" + ID + b"\0\0\0\x04" b"\0\0\x41\xed",
                 Attrs(0, 0o040755, 0), "§5, SSH_FILEXFER_ATTR_PERMISSIONS"),
        answered("no more to read", requests.Read(H, 9, 9), b"\x65" + ID + b"\0\0\0\x01" b"\0\0\0\0" b"\0\0\0\0", b"",
                 "§6.4 and §7, SSH_FX_EOF"),
        answered("no more names", requests.ReadFolder(H), b"\x65" + ID + b"\0\0\0\x01" b"\0\0\0\0" b"\0\0\0\0", None,
                 "§6.7 and §7, SSH_FX_EOF"),
        answered("done", requests.Remove(b"a"), b"\x65" + ID + b"\0\0\0\0" b"\0\0\0\x07Success" b"\0\0\0\0", None,
                 "§7, SSH_FX_OK"),
        answered("space, with blocks of 1 MiB in fragments of 4 KiB", requests.GetSpace(b"a"),
                 b"\xc9" + ID + b"".join(number.to_bytes(8, "big") for number in
                                         (1 << 20, 4096, 1000, 300, 200, 50, 20, 10, 77, 1, 255)),
                 Space(4_096_000, 819_200, 50, 10, True), "statvfs@openssh.com: f_frsize, f_bavail, f_favail", OPENSSH),
        answered("space that can be written", requests.GetSpace(b"a"),
                 b"\xc9" + ID + b"".join(number.to_bytes(8, "big") for number in
                                         (4096, 512, 8, 7, 6, 5, 4, 3, 2, 2, 255)),
                 Space(4096, 3072, 5, 3, False), "statvfs@openssh.com: f_flag, SSH_FXE_STATVFS_ST_RDONLY", OPENSSH),
    ],
)  # fmt: skip
def test_answer_says_this(op: requests.Op, packet: bytes, wanted: Any) -> None:
    assert codec.decode(op, packet) == wanted


@outside(DRAFT, "§7, SSH_FXP_NAME", "names of a folder with their attributes", value="from memory", main=True)
def test_names_of_a_folder() -> None:
    packet = (
        b"\x68" + ID + b"\0\0\0\x02"
        b"\0\0\0\x01a" + codec.pack_string(LINE) + b"\0\0\0\x05" b"\0\0\0\0\0\0\0\x03" b"\0\0\x81\xa4"
        b"\0\0\0\x02\xff\x01" b"\0\0\0\0" b"\0\0\0\0"
    )  # fmt: skip
    names = codec.decode(requests.ReadFolder(H), packet)
    assert list(names) == [(b"a", Attrs(3, 0o100644, 0)), (b"\xff\x01", Attrs(0, 0, 0))]


@outside(
    DRAFT, "§5, mtime as uint32", "the latest time, 2106-02-07 06:28:15 UTC", value="from memory, recomputed", main=True
)  # fmt: skip
def test_times_after_2038_are_no_negative_numbers() -> None:
    packet = b"\x69" + ID + b"\0\0\0\x08\0\0\0\0\xff\xff\xff\xff"
    found = codec.decode(requests.Stat(b"a"), packet)
    assert datetime.fromtimestamp(found.mtime, UTC) == datetime(2106, 2, 7, 6, 28, 15, tzinfo=UTC)


@outside(
    OPENSSH, "limits@openssh.com", "longest read and write, and open files", value="from memory, recomputed", main=True
)  # fmt: skip
def test_limits_are_read_in_their_order() -> None:
    assert codec.ask_limits(9) == b"\0\0\0\x1b\xc8" + ID + b"\0\0\0\x12limits@openssh.com"
    numbers = (262144, 261120, 130000, 1019)
    packet = b"\xc9" + ID + b"".join(number.to_bytes(8, "big") for number in numbers)
    assert codec.parse_limits(packet) == (261120, 130000, 1019)


def code(number: int, kind: type[Exception], name: str) -> Any:
    mark = outside(DRAFT, f"§7, {name}", f"status {number} is told as what it means", value="read", main=True)
    return pytest.param(number, kind, id=name, marks=mark)


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        code(2, NotThere, "SSH_FX_NO_SUCH_FILE"),
        code(3, Denied, "SSH_FX_PERMISSION_DENIED"),
        code(4, Refused, "SSH_FX_FAILURE"),
        code(8, NotOffered, "SSH_FX_OP_UNSUPPORTED"),
    ],
)
def test_status_is_told_as_what_it_means(number: int, kind: type[Exception]) -> None:
    with pytest.raises(kind) as caught:
        codec.decode(requests.Remove(b"a"), b"\x65" + ID + number.to_bytes(4, "big") + b"\0\0\0\0\0\0\0\0")
    assert type(caught.value) is kind


@outside(DRAFT, "§3, general packet format", "packets in a stream of bytes", value="from memory", main=True)
def test_a_stream_is_cut_by_the_lengths_that_do_not_count_themselves() -> None:
    packets = codec.Packets()
    assert packets.feed(b"\0\0\0\x09\x65" + ID + b"\0\0\0") == []
    assert packets.feed(b"\0\0\0\0\x05\x68" + ID) == [b"\x65" + ID + b"\0\0\0\0", b"\x68" + ID]
