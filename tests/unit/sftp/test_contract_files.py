"""One list of raw requests for the stand-in and for OpenSSH: both must answer alike. Sessions, files, attributes.

What is expected is written here as OpenSSH 9.2 answers it, so each run against the real one checks the list itself.
"""

from __future__ import annotations

import os
import stat
import struct
from pathlib import Path

import pytest

from otherroof.rehearsal.far_box.sftp_extensions import OFFERED
from support.raw_sftp import (
    CLOSE,
    EXTENDED_REPLY,
    FLAG_APPEND,
    FLAG_CREAT,
    FLAG_EXCL,
    FLAG_READ,
    FLAG_TRUNC,
    FLAG_WRITE,
    FSETSTAT,
    FSTAT,
    LSTAT,
    NO_ATTRS,
    READ,
    READDIR,
    REALPATH,
    SETSTAT,
    STAT,
    WRITE,
    attrs,
    text,
    u32,
    u64,
)
from support.sftp_servers import FarFolder, connected

OK, EOF, NO_SUCH_FILE, DENIED, FAILURE, BAD_MESSAGE, UNSUPPORTED = 0, 1, 2, 3, 4, 5, 8
NEW = FLAG_WRITE | FLAG_CREAT | FLAG_TRUNC


# ---- greeting


def test_extensions_and_their_versions_are_those_of_openssh(far: FarFolder) -> None:
    ours = OFFERED
    assert {name: version for name, version in far.offered.items() if name in ours} == ours
    assert [name for name in far.offered if name in ours] == list(ours), "another order"


def test_limits_are_those_of_openssh(far: FarFolder) -> None:
    answer = far.sftp.extended(b"limits@openssh.com")
    assert answer.kind == EXTENDED_REPLY
    packet, read, write, handles = struct.unpack(">4Q", answer.body)
    assert (packet, read, write) == (262144, 261120, 261120)
    assert handles > 0


def test_unknown_extension_is_unsupported(far: FarFolder) -> None:
    assert far.sftp.extended(b"nobody@example.org", text(b"x")).status == UNSUPPORTED


def test_unknown_request_gets_no_answer_and_does_not_end_the_session(far: FarFolder) -> None:
    far.sftp.say(99, text(b"x"))
    assert not far.sftp.hears_something(0.3)
    assert far.sftp.ask(REALPATH, text(b".")).rows[0][1] is None


# ---- sessions that must end


def test_packet_over_256_kib_ends_the_session(far: FarFolder) -> None:
    handle = far.sftp.opened(b"f", NEW)
    most = 262144 - 1 - 4 - len(handle) - 8 - 4
    assert far.sftp.ask(WRITE, handle, u64(0), text(bytes(most))).status == OK
    far.sftp.link.sendall(u32(262145) + bytes([WRITE]) + u32(9) + handle)
    assert far.sftp.closed_by_server()


def test_request_before_greeting_ends_the_session(kind: str, tmp_path: Path) -> None:
    with connected(kind, tmp_path / "far", greet=False) as far:
        far.sftp.say(STAT, text(b"."))
        assert far.sftp.closed_by_server()


def test_string_past_the_packet_ends_the_session(far: FarFolder) -> None:
    far.sftp.say(STAT, u32(50), b"short")
    assert far.sftp.closed_by_server()


def test_nul_in_a_path_ends_the_session(far: FarFolder) -> None:
    far.sftp.say(STAT, text(b"a\0b"))
    assert far.sftp.closed_by_server()


# ---- files


def test_file_is_written_and_read_back(far: FarFolder) -> None:
    content = os.urandom(300_000)
    handle = far.sftp.opened(b"f", NEW)
    assert far.sftp.ask(WRITE, handle, u64(0), text(content[:200_000])).status == OK
    assert far.sftp.ask(WRITE, handle, u64(200_000), text(content[200_000:])).status == OK
    assert far.sftp.ask(CLOSE, handle).status == OK
    assert (far.here / "f").read_bytes() == content
    handle = far.sftp.opened(b"f", FLAG_READ)
    assert far.sftp.ask(READ, handle, u64(0), u32(10)).data == content[:10]
    assert far.sftp.ask(READ, handle, u64(299_990), u32(1000)).data == content[-10:]
    assert far.sftp.ask(READ, handle, u64(0), u32(0)).data == b""


def test_reading_past_the_end_is_eof(far: FarFolder) -> None:
    far.sftp.put(b"f", b"abc")
    handle = far.sftp.opened(b"f", FLAG_READ)
    assert far.sftp.ask(READ, handle, u64(3), u32(1)).status == EOF
    assert far.sftp.ask(READ, handle, u64(1 << 40), u32(1)).status == EOF


def test_one_read_gives_at_most_its_limit(far: FarFolder) -> None:
    far.sftp.put(b"f", bytes(261120))
    os.truncate(far.here / "f", 600_000)
    handle = far.sftp.opened(b"f", FLAG_READ)
    assert len(far.sftp.ask(READ, handle, u64(0), u32(500_000)).data) == 261120


def test_writing_beyond_the_end_leaves_a_hole(far: FarFolder) -> None:
    handle = far.sftp.opened(b"f", NEW)
    assert far.sftp.ask(WRITE, handle, u64(1 << 30), text(b"x")).status == OK
    found = (far.here / "f").stat()
    assert found.st_size == (1 << 30) + 1
    assert found.st_blocks * 512 < 1 << 20


@pytest.mark.parametrize(
    ("path", "flags", "status"),
    [
        (b"missing", FLAG_READ, NO_SUCH_FILE),
        (b"missing/f", NEW, NO_SUCH_FILE),
        (b"old/f", NEW, NO_SUCH_FILE),
        (b"old", FLAG_WRITE | FLAG_CREAT | FLAG_EXCL, FAILURE),
        (b"folder", FLAG_WRITE, FAILURE),
        (b"loop", FLAG_READ, NO_SUCH_FILE),
        (b"", FLAG_READ, NO_SUCH_FILE),
        (b"x" * 256, NEW, BAD_MESSAGE),
    ],
)
def test_open_that_must_fail(far: FarFolder, path: bytes, flags: int, status: int) -> None:
    (far.here / "old").write_bytes(b"old")
    (far.here / "folder").mkdir()
    (far.here / "loop").symlink_to("loop")
    assert far.sftp.open(path, flags).status == status
    assert (far.here / "old").read_bytes() == b"old"


def test_open_creates_truncates_appends(far: FarFolder) -> None:
    name = b"n" * 255
    far.sftp.put(name, b"first")
    assert far.sftp.ask(CLOSE, far.sftp.opened(name, FLAG_WRITE)).status == OK
    assert (far.here / os.fsdecode(name)).read_bytes() == b"first"
    handle = far.sftp.opened(name, FLAG_WRITE | FLAG_APPEND)
    assert far.sftp.ask(WRITE, handle, u64(0), text(b"+more")).status == OK
    assert (far.here / os.fsdecode(name)).read_bytes() == b"first+more"
    assert far.sftp.opened(name, FLAG_WRITE | FLAG_TRUNC)
    assert (far.here / os.fsdecode(name)).read_bytes() == b""


def test_open_through_a_link_that_points_nowhere_creates_its_target(far: FarFolder) -> None:
    (far.here / "link").symlink_to("target")
    far.sftp.put(b"link", b"x")
    assert (far.here / "target").read_bytes() == b"x"
    (far.here / "other").symlink_to("nothing")
    assert far.sftp.open(b"other", FLAG_WRITE | FLAG_CREAT | FLAG_EXCL).status == FAILURE


def test_mode_of_a_new_file_obeys_the_umask(far: FarFolder) -> None:
    umask = os.umask(0)
    os.umask(umask)
    for path, sets, wanted in ((b"a", attrs(mode=0o640), 0o640), (b"b", NO_ATTRS, 0o666)):
        far.sftp.open(path, NEW, sets)
        assert stat.S_IMODE((far.here / os.fsdecode(path)).stat().st_mode) == wanted & ~umask


def test_open_folder_as_a_file_can_be_opened_but_not_read(far: FarFolder) -> None:
    (far.here / "folder").mkdir()
    handle = far.sftp.opened(b"folder", FLAG_READ)
    assert far.sftp.ask(READ, handle, u64(0), u32(10)).status == FAILURE


def test_wrong_direction_is_refused(far: FarFolder) -> None:
    far.sftp.put(b"f", b"abc")
    reading, writing = far.sftp.opened(b"f", FLAG_READ), far.sftp.opened(b"f", FLAG_WRITE)
    assert far.sftp.ask(WRITE, reading, u64(0), text(b"x")).status == NO_SUCH_FILE
    assert far.sftp.ask(READ, writing, u64(0), u32(1)).status == NO_SUCH_FILE


@pytest.mark.parametrize("handle", [b"", b"\0\0\0\x63", b"nonsense"])
def test_handle_that_was_never_given_out(far: FarFolder, handle: bytes) -> None:
    name = text(handle)
    assert far.sftp.ask(CLOSE, name).status == NO_SUCH_FILE
    assert far.sftp.ask(READ, name, u64(0), u32(1)).status == FAILURE
    assert far.sftp.ask(WRITE, name, u64(0), text(b"x")).status == FAILURE
    assert far.sftp.ask(FSTAT, name).status == FAILURE
    assert far.sftp.ask(FSETSTAT, name, attrs(size=1)).status == FAILURE
    assert far.sftp.ask(READDIR, name).status == FAILURE
    assert far.sftp.extended(b"fsync@openssh.com", name).status == NO_SUCH_FILE
    assert far.sftp.extended(b"fstatvfs@openssh.com", name).status == FAILURE


def test_impossible_offset(far: FarFolder) -> None:
    far.sftp.put(b"f", b"abc")
    handle = far.sftp.opened(b"f", FLAG_READ | FLAG_WRITE)
    assert far.sftp.ask(READ, handle, u64(1 << 63), u32(1)).status == BAD_MESSAGE
    assert far.sftp.ask(WRITE, handle, u64(1 << 63), text(b"x")).status == BAD_MESSAGE


def test_answers_come_in_the_order_of_the_requests(far: FarFolder) -> None:
    handle = far.sftp.opened(b"f", NEW)
    numbers = [far.sftp.say(WRITE, handle, u64(1000 * at), text(bytes([at]) * 1000)) for at in range(200)]
    numbers += [far.sftp.say(CLOSE, handle), far.sftp.say(STAT, text(b"f"))]
    answers = [far.sftp.hear() for _ in numbers]
    assert [answer.number for answer in answers] == numbers
    assert answers[-1].stat.size == 200_000


# ---- attributes


def test_attributes_tell_size_owner_mode_and_whole_seconds(far: FarFolder) -> None:
    far.sftp.put(b"f", b"abcde")
    os.chmod(far.here / "f", 0o751)
    os.utime(far.here / "f", ns=(1_000_000_000_999_999_999, 1_100_000_000_999_999_999))
    found = far.sftp.ask(STAT, text(b"f")).stat
    assert (found.size, found.uid, found.gid) == (5, os.getuid(), os.getgid())
    assert found.mode == stat.S_IFREG | 0o751
    assert (found.atime, found.mtime) == (1_000_000_000, 1_100_000_000)
    handle = far.sftp.opened(b"f", FLAG_READ)
    assert far.sftp.ask(FSTAT, handle).stat == found


def test_stat_follows_links_and_lstat_does_not(far: FarFolder) -> None:
    far.sftp.put(b"f", b"abc")
    (far.here / "link").symlink_to("f")
    (far.here / "lost").symlink_to("nowhere")
    assert stat.S_ISREG(far.sftp.ask(STAT, text(b"link")).stat.mode)
    assert stat.S_ISLNK(far.sftp.ask(LSTAT, text(b"link")).stat.mode)
    assert far.sftp.ask(STAT, text(b"lost")).status == NO_SUCH_FILE
    assert far.sftp.ask(LSTAT, text(b"lost")).stat.size == len("nowhere")
    assert far.sftp.ask(LSTAT, text(b"missing")).status == NO_SUCH_FILE
    assert far.sftp.ask(LSTAT, text(b"f/under")).status == NO_SUCH_FILE


def test_attributes_are_set_by_path_and_by_handle(far: FarFolder) -> None:
    far.sftp.put(b"f", b"abcdef")
    wanted = attrs(size=3, mode=0o604, times=(1_200_000_000, 1_300_000_000))
    assert far.sftp.ask(SETSTAT, text(b"f"), wanted).status == OK
    found = far.sftp.ask(STAT, text(b"f")).stat
    assert (found.size, stat.S_IMODE(found.mode), found.atime, found.mtime) == (3, 0o604, 1_200_000_000, 1_300_000_000)
    handle = far.sftp.opened(b"f", FLAG_READ | FLAG_WRITE)
    wanted = attrs(size=9, mode=0o640, times=(1, 2))
    assert far.sftp.ask(FSETSTAT, handle, wanted).status == OK
    found = far.sftp.ask(STAT, text(b"f")).stat
    assert (found.size, stat.S_IMODE(found.mode), found.atime, found.mtime) == (9, 0o640, 1, 2)
    assert (far.here / "f").read_bytes() == b"abc" + bytes(6)


def test_attributes_that_cannot_be_set(far: FarFolder) -> None:
    (far.here / "folder").mkdir()
    assert far.sftp.ask(SETSTAT, text(b"missing"), attrs(mode=0o600)).status == NO_SUCH_FILE
    assert far.sftp.ask(SETSTAT, text(b"missing"), attrs()).status == OK
    assert far.sftp.ask(SETSTAT, text(b"folder"), attrs(size=0)).status == FAILURE
    far.sftp.put(b"f", b"abc")
    handle = far.sftp.opened(b"f", FLAG_READ)
    assert far.sftp.ask(FSETSTAT, handle, attrs(size=0)).status == BAD_MESSAGE


def test_one_refused_attribute_does_not_keep_the_others_from_being_set(far: FarFolder) -> None:
    (far.here / "folder").mkdir()
    assert far.sftp.ask(SETSTAT, text(b"folder"), attrs(size=0, mode=0o700, times=(5, 6))).status == FAILURE
    found = (far.here / "folder").stat()
    assert (stat.S_IMODE(found.st_mode), found.st_mtime) == (0o700, 6)


def test_setstat_goes_through_a_link_and_lsetstat_does_not(far: FarFolder) -> None:
    far.sftp.put(b"f", b"abc")
    (far.here / "link").symlink_to("f")
    assert far.sftp.ask(SETSTAT, text(b"link"), attrs(times=(10, 11))).status == OK
    assert (far.here / "f").stat().st_mtime == 11
    assert far.sftp.extended(b"lsetstat@openssh.com", text(b"link"), attrs(times=(20, 21))).status == OK
    assert (far.here / "f").stat().st_mtime == 11
    assert (far.here / "link").lstat().st_mtime == 21
    assert far.sftp.extended(b"lsetstat@openssh.com", text(b"f"), attrs(mode=0o600)).status == OK
    assert stat.S_IMODE((far.here / "f").stat().st_mode) == 0o600
    assert far.sftp.extended(b"lsetstat@openssh.com", text(b"f"), attrs(size=1)).status == BAD_MESSAGE
    assert far.sftp.extended(b"lsetstat@openssh.com", text(b"link"), attrs(mode=0o600)).status == FAILURE
    assert far.sftp.extended(b"lsetstat@openssh.com", text(b"none"), attrs(times=(1, 1))).status == NO_SUCH_FILE
