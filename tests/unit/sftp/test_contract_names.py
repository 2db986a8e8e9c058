"""One list of raw requests for the stand-in and for OpenSSH: both must answer alike. Folders, names, links, room.

What is expected is written here as OpenSSH 9.2 answers it, so each run against the real one checks the list itself.
"""

from __future__ import annotations

import os
import stat
import struct
from pathlib import Path

from support.raw_sftp import (
    CLOSE,
    EXTENDED_REPLY,
    FLAG_CREAT,
    FLAG_READ,
    FLAG_TRUNC,
    FLAG_WRITE,
    FSETSTAT,
    MKDIR,
    NO_ATTRS,
    OPENDIR,
    READ,
    READDIR,
    READLINK,
    REALPATH,
    REMOVE,
    RENAME,
    RMDIR,
    SETSTAT,
    SYMLINK,
    WRITE,
    attrs,
    text,
    u32,
    u64,
)
from support.sftp_servers import FarFolder, connected

OK, EOF, NO_SUCH_FILE, DENIED, FAILURE, BAD_MESSAGE, UNSUPPORTED = 0, 1, 2, 3, 4, 5, 8
NEW = FLAG_WRITE | FLAG_CREAT | FLAG_TRUNC


# ---- folders


def test_folders_are_made_and_removed(far: FarFolder) -> None:
    assert far.sftp.ask(MKDIR, text(b"a"), attrs(mode=0o750)).status == OK
    umask = os.umask(0)
    os.umask(umask)
    assert stat.S_IMODE((far.here / "a").stat().st_mode) == 0o750 & ~umask
    assert far.sftp.ask(MKDIR, text(b"a"), NO_ATTRS).status == FAILURE
    assert far.sftp.ask(MKDIR, text(b"missing/b"), NO_ATTRS).status == NO_SUCH_FILE
    far.sftp.put(b"a/f", b"")
    assert far.sftp.ask(MKDIR, text(b"a/f/b"), NO_ATTRS).status == NO_SUCH_FILE
    assert far.sftp.ask(MKDIR, text(b"a/f"), NO_ATTRS).status == FAILURE
    assert far.sftp.ask(RMDIR, text(b"a")).status == FAILURE
    assert far.sftp.ask(RMDIR, text(b"a/f")).status == NO_SUCH_FILE
    assert far.sftp.ask(RMDIR, text(b"missing")).status == NO_SUCH_FILE
    assert far.sftp.ask(REMOVE, text(b"a/f")).status == OK
    assert far.sftp.ask(REMOVE, text(b"a/f")).status == NO_SUCH_FILE
    assert far.sftp.ask(REMOVE, text(b"a")).status == FAILURE
    assert far.sftp.ask(RMDIR, text(b"a")).status == OK
    assert not (far.here / "a").exists()


def test_listing_gives_every_name_whatever_its_bytes_and_then_eof(far: FarFolder) -> None:
    odd = [b"new\nline", b'quo"te', b"'", b"\xff\xfe not utf-8", b" lead", b"-rf", b"y" * 255, "größe".encode()]
    names = odd + [b"file %03d" % number for number in range(230)]
    for name in names:
        far.sftp.put(name, name)
    handle = text(far.sftp.ask(OPENDIR, text(b".")).handle)
    found = {}
    while (answer := far.sftp.ask(READDIR, handle)).kind != 101:
        assert 0 < len(answer.rows) <= 100
        found |= dict(answer.rows)
    assert answer.status == EOF
    assert far.sftp.ask(READDIR, handle).status == EOF
    assert sorted(found) == sorted([b".", b"..", *names])
    assert all(found[name].size == len(name) for name in names)
    assert far.sftp.ask(READ, handle, u64(0), u32(1)).status == FAILURE
    assert far.sftp.ask(CLOSE, handle).status == OK


def test_listing_tells_links_as_links(far: FarFolder) -> None:
    (far.here / "link").symlink_to("nowhere")
    handle = text(far.sftp.ask(OPENDIR, text(b".")).handle)
    assert stat.S_ISLNK(dict(far.sftp.ask(READDIR, handle).rows)[b"link"].mode)


def test_only_a_folder_can_be_listed(far: FarFolder) -> None:
    far.sftp.put(b"f", b"")
    assert far.sftp.ask(OPENDIR, text(b"f")).status == NO_SUCH_FILE
    assert far.sftp.ask(OPENDIR, text(b"missing")).status == NO_SUCH_FILE


# ---- names and links


def test_plain_rename_never_overwrites(far: FarFolder) -> None:
    far.sftp.put(b"a", b"A")
    far.sftp.put(b"b", b"B")
    assert far.sftp.ask(RENAME, text(b"a"), text(b"b")).status == FAILURE
    assert ((far.here / "a").read_bytes(), (far.here / "b").read_bytes()) == (b"A", b"B")
    assert far.sftp.ask(RENAME, text(b"a"), text(b"c")).status == OK
    assert not (far.here / "a").exists()
    assert far.sftp.ask(RENAME, text(b"a"), text(b"d")).status == NO_SUCH_FILE
    assert far.sftp.ask(RENAME, text(b"c"), text(b"missing/c")).status == NO_SUCH_FILE
    (far.here / "one").mkdir()
    (far.here / "two").mkdir()
    assert far.sftp.ask(RENAME, text(b"one"), text(b"two")).status == FAILURE
    assert far.sftp.ask(RENAME, text(b"one"), text(b"three")).status == OK


def test_plain_rename_of_a_link_moves_the_link(far: FarFolder) -> None:
    (far.here / "link").symlink_to("nowhere")
    assert far.sftp.ask(RENAME, text(b"link"), text(b"moved")).status == OK
    assert os.readlink(far.here / "moved") == "nowhere"


def test_posix_rename_replaces(far: FarFolder) -> None:
    def rename(old: bytes, new: bytes) -> int:
        return far.sftp.extended(b"posix-rename@openssh.com", text(old), text(new)).status

    far.sftp.put(b"a", b"A")
    far.sftp.put(b"b", b"B")
    assert rename(b"a", b"b") == OK
    assert (far.here / "b").read_bytes() == b"A"
    assert rename(b"a", b"b") == NO_SUCH_FILE
    (far.here / "folder").mkdir()
    far.sftp.put(b"folder/f", b"")
    (far.here / "empty").mkdir()
    assert rename(b"b", b"folder") == FAILURE
    assert rename(b"folder", b"b") == NO_SUCH_FILE
    assert rename(b"empty", b"folder") == FAILURE
    assert rename(b"folder", b"empty") == OK
    assert rename(b"empty", b"empty/inside") == BAD_MESSAGE


def test_symlink_has_its_target_first(far: FarFolder) -> None:
    assert far.sftp.ask(SYMLINK, text(b"../any \xff target"), text(b"link")).status == OK
    assert os.readlink(os.fsencode(far.here / "link")) == b"../any \xff target"
    ((name, found),) = far.sftp.ask(READLINK, text(b"link")).rows
    assert (name, found) == (b"../any \xff target", None)
    assert far.sftp.ask(SYMLINK, text(b"x"), text(b"link")).status == FAILURE
    far.sftp.put(b"f", b"")
    assert far.sftp.ask(READLINK, text(b"f")).status == BAD_MESSAGE
    assert far.sftp.ask(READLINK, text(b"missing")).status == NO_SUCH_FILE


def test_hard_link_is_a_second_name(far: FarFolder) -> None:
    def link(old: bytes, new: bytes) -> int:
        return far.sftp.extended(b"hardlink@openssh.com", text(old), text(new)).status

    far.sftp.put(b"a", b"A")
    (far.here / "folder").mkdir()
    (far.here / "symlink").symlink_to("a")
    assert link(b"a", b"b") == OK
    assert (far.here / "a").stat().st_ino == (far.here / "b").stat().st_ino
    assert link(b"a", b"b") == FAILURE
    assert link(b"missing", b"c") == NO_SUCH_FILE
    assert link(b"folder", b"c") == DENIED
    assert link(b"symlink", b"d") == OK
    assert (far.here / "d").is_symlink()


def test_real_path_takes_out_dots_and_links(far: FarFolder) -> None:
    (far.here / "a").mkdir()
    (far.here / "link").symlink_to("a")
    ((top, _),) = far.sftp.ask(REALPATH, text(b".")).rows
    top = top.rstrip(b"/")
    for asked, wanted in (
        (b"a", b"/a"),
        (b"./a/../a//.", b"/a"),
        (b"link", b"/a"),
        (b"link/new", b"/a/new"),
        (b"", b""),
        (b"missing", b"/missing"),
    ):
        ((found, _),) = far.sftp.ask(REALPATH, text(asked)).rows
        assert found.rstrip(b"/") == top + wanted, asked
    assert far.sftp.ask(REALPATH, text(b"missing/below")).status == NO_SUCH_FILE


# ---- room, sync, copying on the far side


def test_room_is_what_the_system_says(far: FarFolder) -> None:
    handle = far.sftp.opened(b"f", NEW)
    wanted = os.statvfs(far.here)
    for answer in (
        far.sftp.extended(b"statvfs@openssh.com", text(b".")),
        far.sftp.extended(b"fstatvfs@openssh.com", handle),
    ):
        assert answer.kind == EXTENDED_REPLY
        found = struct.unpack(">11Q", answer.body)
        assert found[:3] == (wanted.f_bsize, wanted.f_frsize, wanted.f_blocks)
        assert abs(found[3] - wanted.f_bfree) < wanted.f_blocks // 20 + 100_000
        assert found[5] == wanted.f_files
        assert found[8] == wanted.f_fsid
        assert found[9:] == (wanted.f_flag & 3, wanted.f_namemax)
    assert far.sftp.extended(b"statvfs@openssh.com", text(b"missing")).status == NO_SUCH_FILE


def test_fsync_of_an_open_file(far: FarFolder) -> None:
    assert far.sftp.extended(b"fsync@openssh.com", far.sftp.opened(b"f", NEW)).status == OK


def test_copy_data_copies_ranges(far: FarFolder) -> None:
    content = os.urandom(700_000)
    far.sftp.put(b"a", content[:200_000])
    (far.here / "a").write_bytes(content)
    source, target = far.sftp.opened(b"a", FLAG_READ), far.sftp.opened(b"b", NEW)

    def copy(start: int, count: int, to: int) -> int:
        return far.sftp.extended(b"copy-data", source, u64(start), u64(count), target, u64(to)).status

    assert copy(0, 500_000, 0) == OK
    assert copy(600_000, 100_000, 500_000) == OK
    assert (far.here / "b").read_bytes() == content[:500_000] + content[600_000:]
    assert copy(500_000, 0, 0) == OK
    assert (far.here / "b").read_bytes()[:200_000] == content[500_000:]
    assert copy(800_000, 10, 900_000) == OK, "a range past the end says success"
    assert copy(690_000, 20_000, 0) == OK
    assert (far.here / "b").stat().st_size == 600_000


def test_copy_data_within_one_file_is_refused(far: FarFolder) -> None:
    far.sftp.put(b"a", b"abc")
    one = far.sftp.opened(b"a", FLAG_READ | FLAG_WRITE)
    two = far.sftp.opened(b"a", FLAG_READ | FLAG_WRITE)
    assert far.sftp.extended(b"copy-data", one, u64(0), u64(1), one, u64(2)).status == FAILURE
    assert far.sftp.extended(b"copy-data", one, u64(0), u64(1), two, u64(2)).status == FAILURE
    assert far.sftp.extended(b"copy-data", one, u64(0), u64(1), text(b"none"), u64(2)).status == FAILURE
    assert (far.here / "a").read_bytes() == b"abc"


# ---- a folder that only lets itself be read


def test_read_only_server_denies_every_change(kind: str, tmp_path: Path) -> None:
    (tmp_path / "far").mkdir()
    (tmp_path / "far" / "f").write_bytes(b"abc")
    with connected(kind, tmp_path / "far", read_only=True) as far:
        sftp = far.sftp
        assert sftp.open(b"new", NEW).status == DENIED
        assert sftp.open(b"f", FLAG_WRITE).status == DENIED
        reading = sftp.opened(b"f", FLAG_READ)
        assert sftp.ask(READ, reading, u64(0), u32(9)).data == b"abc"
        assert sftp.ask(WRITE, reading, u64(0), text(b"x")).status == DENIED
        assert sftp.ask(SETSTAT, text(b"f"), attrs(mode=0o600)).status == DENIED
        assert sftp.ask(FSETSTAT, reading, attrs(mode=0o600)).status == DENIED
        assert sftp.ask(REMOVE, text(b"f")).status == DENIED
        assert sftp.ask(MKDIR, text(b"d"), NO_ATTRS).status == DENIED
        assert sftp.ask(RMDIR, text(b"d")).status == DENIED
        assert sftp.ask(RENAME, text(b"f"), text(b"g")).status == DENIED
        assert sftp.ask(SYMLINK, text(b"f"), text(b"g")).status == DENIED
        for name in (b"posix-rename@openssh.com", b"hardlink@openssh.com"):
            assert sftp.extended(name, text(b"f"), text(b"g")).status == DENIED
        assert os.listdir(far.here) == ["f"]
