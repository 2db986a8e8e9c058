"""Packets of ours, put to OpenSSH's own sftp-server, and its answers as this program takes them."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import Denied, NotOffered, NotThere, Refused
from otherroof.far import requests
from otherroof.far.requests import Mode
from otherroof.far.sftp import codec
from support.outside import outside
from support.sftp_servers import need_real_server, real_server

SERVER = "OpenSSH, sftp-server(8)"


class Wire:
    """The far end of a socket pair is OpenSSH's; packets go out as the codec makes them."""

    def __init__(self, end: socket.socket, base: bytes) -> None:
        self._end, self._base = end, base
        self._packets = codec.Packets()
        self._number = 0
        end.settimeout(20)
        end.sendall(codec.hello_packet())
        self.offered = codec.parse_hello(self._packet())

    def _packet(self) -> bytes:
        while True:
            found = self._packets.feed(self._end.recv(65536))
            if found:
                (packet,) = found
                return packet

    def raw(self, packet: bytes) -> bytes:
        self._end.sendall(packet)
        return self._packet()

    def ask(self, op: requests.Op) -> Any:
        self._number += 1
        packet = self.raw(codec.encode(self._number, op, self._base))
        assert int.from_bytes(packet[1:5], "big") == self._number
        return codec.decode(op, packet)

    def put(self, path: bytes, data: bytes) -> None:
        handle = self.ask(requests.OpenFile(path, Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW))
        self.ask(requests.Write(handle, 0, data))
        self.ask(requests.CloseFile(handle))


@contextlib.contextmanager
def wired(folder: Path, *, read_only: bool = False) -> Iterator[Wire]:
    need_real_server()
    ours, theirs = socket.socketpair()
    with real_server(folder, theirs, read_only), ours:
        yield Wire(ours, b"")


@pytest.fixture
def wire(tmp_path: Path) -> Iterator[Wire]:
    with wired(tmp_path) as made:
        yield made


@outside(SERVER, "SSH_FX_EOF past the end", "status 1 is the end, not trouble", value="recomputed", main=True)
def test_reading_past_the_end_is_the_end(wire: Wire) -> None:
    wire.put(b"a", b"abc")
    handle = wire.ask(requests.OpenFile(b"a", Mode.READ))
    assert wire.ask(requests.Read(handle, 0, 10)) == b"abc"
    assert wire.ask(requests.Read(handle, 3, 10)) == b""


@outside(SERVER, "SSH_FX_NO_SUCH_FILE", "status 2 for what is missing", value="recomputed", main=True)
def test_what_is_missing_is_not_there(wire: Wire) -> None:
    for op in (requests.Stat(b"a"), requests.Remove(b"a"), requests.OpenFolder(b"a"), requests.Rename(b"a", b"b")):
        with pytest.raises(NotThere):
            wire.ask(op)


@outside(SERVER, "-R: SSH_FX_PERMISSION_DENIED", "status 3 for what is forbidden", value="recomputed", main=True)
def test_what_is_forbidden_is_denied(tmp_path: Path) -> None:
    with wired(tmp_path, read_only=True) as wire, pytest.raises(Denied):
        wire.ask(requests.MakeFolder(b"a"))
    assert list(tmp_path.iterdir()) == []


@outside(
    SERVER, "SSH_FXP_RENAME onto what stands", "status 4, and both files stay as they were", value="recomputed",
    main=True,
)  # fmt: skip
def test_rename_onto_what_stands_is_refused_and_changes_nothing(wire: Wire, tmp_path: Path) -> None:
    wire.put(b"a", b"new")
    wire.put(b"b", b"old")
    with pytest.raises(Refused) as caught:
        wire.ask(requests.Rename(b"a", b"b"))
    assert type(caught.value) is Refused
    assert [(tmp_path / name).read_bytes() for name in "ab"] == [b"new", b"old"]


@outside(
    SERVER, "SSH_FXF_EXCL and link(2) onto what stands", "a new file, folder or name never replaces",
    value="recomputed", main=True,
)  # fmt: skip
def test_nothing_new_takes_the_place_of_what_stands(wire: Wire, tmp_path: Path) -> None:
    wire.put(b"a", b"kept")
    wire.put(b"b", b"")
    for op in (
        requests.OpenFile(b"a", Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW),
        requests.MakeFolder(b"a"),
        requests.Link(b"b", b"a"),
        requests.MakeSymlink(b"t", b"a"),
    ):
        with pytest.raises(Refused):
            wire.ask(op)
    assert (tmp_path / "a").read_bytes() == b"kept"


@outside(SERVER, "SSH_FX_OP_UNSUPPORTED", "status 8 for an extension that it has not", value="recomputed", main=True)
def test_an_extension_that_is_not_offered(wire: Wire) -> None:
    body = b"\xc8" + b"\0\0\0\x01" + codec.pack_string(b"unknown@example.org")
    answer = wire.raw(codec.pack_string(body))
    with pytest.raises(NotOffered):
        codec.decode(requests.Remove(b"a"), answer)


@outside(
    "OpenSSH, PROTOCOL", "versions of the extensions in the greeting", "statvfs is 2, the others that are used are 1",
    value="read", main=True,
)  # fmt: skip
def test_extensions_are_offered_in_the_versions_of_the_document(wire: Wire) -> None:
    assert {name: wire.offered[name] for name in wire.offered if name in USED} == USED


USED = {
    b"statvfs@openssh.com": b"2", b"hardlink@openssh.com": b"1", b"fsync@openssh.com": b"1",
    b"limits@openssh.com": b"1", b"copy-data": b"1",
}  # fmt: skip


@outside(
    "OpenSSH 9.2", "sftp-server.c: packets of 262144 bytes less 1024", "longest read and write, 261120 bytes",
    value="recomputed", main=True,
)  # fmt: skip
def test_limits_are_those_of_the_server(wire: Wire) -> None:
    longest_read, longest_write, handles = codec.parse_limits(wire.raw(codec.ask_limits(1)))
    assert (longest_read, longest_write) == (261120, 261120)
    assert handles > 0


@outside(
    "POSIX.1-2017", "XSH, fstatvfs: f_frsize, f_blocks, f_bavail", "room at the far end is what df(1) says",
    value="recomputed", main=True,
)  # fmt: skip
def test_room_is_what_df_says(wire: Wire, tmp_path: Path) -> None:
    found = wire.ask(requests.GetSpace(bytes(tmp_path)))
    df = shutil.which("df")
    assert df is not None
    argv = [df, "-B1", "--output=size,itotal", str(tmp_path)]
    told = subprocess.run(argv, capture_output=True, text=True, check=True, timeout=30).stdout.split("\n")[1].split()
    assert [found.total, found.files] == [int(one) for one in told]
    for _ in range(1000):  # until no other program has written to the disk between the three looks
        before = os.statvfs(tmp_path)
        found = wire.ask(requests.GetSpace(bytes(tmp_path)))
        if before == os.statvfs(tmp_path):
            break
    assert (found.free, found.files_free) == (before.f_bavail * before.f_frsize, before.f_favail)


@outside(SERVER, "copy-data", "bytes are copied within the server", value="recomputed", main=True)
def test_a_range_is_copied_at_the_far_end(wire: Wire, tmp_path: Path) -> None:
    wire.put(b"old", bytes(range(256)) * 40)
    old = wire.ask(requests.OpenFile(b"old", Mode.READ))
    new = wire.ask(requests.OpenFile(b"new", Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW))
    wire.ask(requests.Write(new, 0, b"head"))
    wire.ask(requests.CopyRange(old, 10, 5000, new, 4))
    wire.ask(requests.CloseFile(new))
    assert (tmp_path / "new").read_bytes() == b"head" + (bytes(range(256)) * 40)[10:5010]


@outside(
    "POSIX.1-2017", "XSH, fchmod, futimens and ftruncate, seen by stat(1)", "size, mode and time of a far file",
    value="recomputed", main=True,
)  # fmt: skip
def test_properties_are_what_stat_shows(wire: Wire, tmp_path: Path) -> None:
    wire.put(b"a", b"abcdef")
    handle = wire.ask(requests.OpenFile(b"a", Mode.WRITE))
    wire.ask(requests.SetProperties(handle, 4, 0o640, 851042397))
    told = subprocess.run(["stat", "-c", "%s %a %Y", str(tmp_path / "a")], capture_output=True, check=True, timeout=30)
    assert told.stdout == b"4 640 851042397\n"
    assert wire.ask(requests.Stat(b"a")) == requests.Attrs(4, 0o100640, 851042397)


@outside(
    "OpenSSH, PROTOCOL", "reversal of arguments to SSH_FXP_SYMLINK, seen by readlink(1)", "a far link holds its target",
    value="recomputed", main=True,
)  # fmt: skip
def test_a_link_points_where_it_was_to(wire: Wire, tmp_path: Path) -> None:
    wire.ask(requests.MakeSymlink(b"../where", b"a"))
    told = subprocess.run(["readlink", str(tmp_path / "a")], capture_output=True, check=True, timeout=30)
    assert told.stdout == b"../where\n"
    wire.put(b"f", b"")
    wire.ask(requests.Link(b"f", b"g"))
    assert (tmp_path / "f").stat().st_nlink == 2


@outside(
    "POSIX.1-2017", "XBD 3.170, filename: any bytes but slash and NUL", "names of all other bytes come back",
    value="from memory", main=True,
)  # fmt: skip
def test_a_name_of_every_byte_comes_back(wire: Wire, tmp_path: Path) -> None:
    names = {bytes([*range(1, 47), *range(48, 130)]), bytes(range(130, 256))}
    for name in names:
        wire.put(name, name)
    handle = wire.ask(requests.OpenFolder(bytes(tmp_path)))
    found: set[bytes] = set()
    while (some := wire.ask(requests.ReadFolder(handle))) is not None:
        found |= {name for name, _ in some}
    assert found - {b".", b".."} == names == set(os.listdir(bytes(tmp_path)))
