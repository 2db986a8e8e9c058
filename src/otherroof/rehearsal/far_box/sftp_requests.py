"""The eighteen plain requests of SFTP version 3 (draft-ietf-secsh-filexfer-02 §6), answered as OpenSSH 9.2 does.

Each handler reads its fields, does one thing in the confined folder, and gives back the whole answer.
"""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Iterator
from itertools import islice

from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.sftp_handles import OpenHandle
from otherroof.rehearsal.far_box.sftp_session import Handler, SftpSession, apply_attributes
from otherroof.rehearsal.far_box.sftp_words import Fields, counted, framed, framed_status, packed_stat

NAMES_AT_ONCE = 100


def _flags(asked: int) -> int:
    both = asked & (words.OPEN_READ | words.OPEN_WRITE)
    flags = os.O_RDWR if both == 3 else os.O_WRONLY if both == words.OPEN_WRITE else os.O_RDONLY
    for bit, flag in (
        (words.OPEN_APPEND, os.O_APPEND),
        (words.OPEN_CREAT, os.O_CREAT),
        (words.OPEN_TRUNC, os.O_TRUNC),
        (words.OPEN_EXCL, os.O_EXCL),
    ):
        flags |= flag if asked & bit else 0
    return flags


def _open(session: SftpSession, number: int, fields: Fields) -> bytes:
    path, asked, wanted = fields.path(), fields.u32(), fields.attributes()
    mode = 0o666 if wanted.mode is None else wanted.mode
    handle = session.folder.open(path, _flags(asked), mode)
    return framed(words.HANDLE, number, counted(session.handles.add(OpenHandle(handle, path))))


def _close(session: SftpSession, number: int, fields: Fields) -> bytes:
    session.handles.close(bytes(fields.string()))
    return framed_status(number, words.OK)


def _read(session: SftpSession, number: int, fields: Fields) -> bytes:
    opened = session.handles.file(bytes(fields.string()))
    offset, count = fields.u64(), fields.u32()
    # Shorter than asked is allowed (filexfer-02 §6.4); the client asks again for the rest.
    data = os.pread(opened.handle, min(count, words.MAX_DATA), offset)
    if not data and count:
        return framed_status(number, words.EOF)
    return framed(words.DATA, number, counted(data))


def _write(session: SftpSession, number: int, fields: Fields) -> bytes:
    opened = session.handles.file(bytes(fields.string()))
    offset, data = fields.u64(), fields.string()
    written = os.pwrite(opened.handle, data, offset)
    return framed_status(number, words.OK if written == len(data) else words.FAILURE)


def _stat(session: SftpSession, number: int, fields: Fields) -> bytes:
    return framed(words.ATTRS, number, packed_stat(session.folder.stat(fields.path(), follow=True)))


def _lstat(session: SftpSession, number: int, fields: Fields) -> bytes:
    return framed(words.ATTRS, number, packed_stat(session.folder.stat(fields.path(), follow=False)))


def _fstat(session: SftpSession, number: int, fields: Fields) -> bytes:
    opened = session.handles.file(bytes(fields.string()))
    return framed(words.ATTRS, number, packed_stat(os.fstat(opened.handle)))


def _setstat(session: SftpSession, number: int, fields: Fields) -> bytes:
    path, wanted = fields.path(), fields.attributes()
    folder = session.folder
    status = apply_attributes(
        wanted,
        {
            "size": lambda: folder.set_size(path, wanted.size or 0),
            "mode": lambda: folder.set_mode(path, wanted.mode or 0, follow=True),
            "times": lambda: folder.set_times(path, wanted.times or (0, 0), follow=True),
            "owner": lambda: folder.set_owner(path, wanted.owner or (-1, -1), follow=True),
        },
    )
    return framed_status(number, status)


def _fsetstat(session: SftpSession, number: int, fields: Fields) -> bytes:
    handle = session.handles.file(bytes(fields.string())).handle
    wanted = fields.attributes()
    status = apply_attributes(
        wanted,
        {
            "size": lambda: os.ftruncate(handle, wanted.size or 0),
            "mode": lambda: os.fchmod(handle, wanted.mode or 0),
            "times": lambda: os.utime(handle, wanted.times or (0, 0)),
            "owner": lambda: os.fchown(handle, *(wanted.owner or (-1, -1))),
        },
    )
    return framed_status(number, status)


def _open_folder(session: SftpSession, number: int, fields: Fields) -> bytes:
    path = fields.path()
    handle = session.folder.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        found = [b".", b"..", *(os.fsencode(name) for name in os.listdir(handle))]
    except OSError:
        os.close(handle)
        raise
    return framed(words.HANDLE, number, counted(session.handles.add(OpenHandle(handle, path, iter(found)))))


def _read_folder(session: SftpSession, number: int, fields: Fields) -> bytes:
    handle, names = session.handles.folder(bytes(fields.string()))
    rows = list(islice(_rows(handle, names), NAMES_AT_ONCE))
    if not rows:
        return framed_status(number, words.EOF)
    return framed(words.NAME, number, len(rows).to_bytes(4, "big") + b"".join(rows))


def _rows(handle: int, names: Iterator[bytes]) -> Iterator[bytes]:
    for name in names:
        try:
            found = os.stat(name, dir_fd=handle, follow_symlinks=False)
        # Removed since the folder was listed.
        except FileNotFoundError:
            continue
        yield counted(name) + counted(_long_name(name, found)) + packed_stat(found)


def _long_name(name: bytes, found: os.stat_result) -> bytes:
    """A line as `ls -l` prints it, for people; filexfer-02 §7 says that no program shall read it."""
    when = time.strftime("%b %d %Y", time.gmtime(found.st_mtime))
    size = found.st_size
    front = f"{stat.filemode(found.st_mode)} {found.st_nlink} {found.st_uid} {found.st_gid} {size} {when} "
    return front.encode() + name


def _remove(session: SftpSession, number: int, fields: Fields) -> bytes:
    session.folder.remove(fields.path())
    return framed_status(number, words.OK)


def _make_folder(session: SftpSession, number: int, fields: Fields) -> bytes:
    path, wanted = fields.path(), fields.attributes()
    session.folder.make_folder(path, 0o777 if wanted.mode is None else wanted.mode)
    return framed_status(number, words.OK)


def _remove_folder(session: SftpSession, number: int, fields: Fields) -> bytes:
    session.folder.remove_folder(fields.path())
    return framed_status(number, words.OK)


def _real_path(session: SftpSession, number: int, fields: Fields) -> bytes:
    return _one_name(number, session.folder.real_path(fields.path()))


def _read_link(session: SftpSession, number: int, fields: Fields) -> bytes:
    return _one_name(number, session.folder.read_link(fields.path()))


def _one_name(number: int, name: bytes) -> bytes:
    nothing_set = bytes(4)
    return framed(words.NAME, number, (1).to_bytes(4, "big") + counted(name) + counted(name) + nothing_set)


def _rename(session: SftpSession, number: int, fields: Fields) -> bytes:
    session.folder.rename_beside(fields.path(), fields.path())
    return framed_status(number, words.OK)


def _symlink(session: SftpSession, number: int, fields: Fields) -> bytes:
    # OpenSSH has the target first and the new link second, the other way round than filexfer-02 §6.10 (PROTOCOL §4.1).
    target, path = fields.path(), fields.path()
    session.folder.make_link(target, path)
    return framed_status(number, words.OK)


REQUESTS: dict[int, Handler] = {
    words.OPEN: _open,
    words.CLOSE: _close,
    words.READ: _read,
    words.WRITE: _write,
    words.LSTAT: _lstat,
    words.FSTAT: _fstat,
    words.SETSTAT: _setstat,
    words.FSETSTAT: _fsetstat,
    words.OPENDIR: _open_folder,
    words.READDIR: _read_folder,
    words.REMOVE: _remove,
    words.MKDIR: _make_folder,
    words.RMDIR: _remove_folder,
    words.REALPATH: _real_path,
    words.STAT: _stat,
    words.RENAME: _rename,
    words.READLINK: _read_link,
    words.SYMLINK: _symlink,
}
