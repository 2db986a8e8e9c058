"""The extended requests that OpenSSH's sftp-server knows and a copy can use, as the stand-in answers them.

Formats: OpenSSH's PROTOCOL document; `copy-data`: draft-ietf-secsh-filexfer-extensions-00 §7.
"""

from __future__ import annotations

import errno
import os
import struct

from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.sftp_handles import MAX_HANDLES, RefusedError
from otherroof.rehearsal.far_box.sftp_session import Handler, SftpSession, apply_attributes
from otherroof.rehearsal.far_box.sftp_words import Fields, framed, framed_status

COPY_BLOCK = 1 << 18
_ROOM = struct.Struct(">11Q")
_LIMITS = struct.Struct(">4Q")


def _posix_rename(session: SftpSession, number: int, fields: Fields) -> bytes:
    session.folder.rename_over(fields.path(), fields.path())
    return framed_status(number, words.OK)


def _hardlink(session: SftpSession, number: int, fields: Fields) -> bytes:
    session.folder.hard_link(fields.path(), fields.path())
    return framed_status(number, words.OK)


def _fsync(session: SftpSession, number: int, fields: Fields) -> bytes:
    opened = session.handles.either(bytes(fields.string()))
    if opened is None:
        raise RefusedError(words.NO_SUCH_FILE)
    os.fsync(opened.handle)
    return framed_status(number, words.OK)


def _statvfs(session: SftpSession, number: int, fields: Fields) -> bytes:
    return _room(number, session.folder.room(fields.path()))


def _fstatvfs(session: SftpSession, number: int, fields: Fields) -> bytes:
    opened = session.handles.either(bytes(fields.string()))
    if opened is None:
        raise RefusedError(words.FAILURE)
    return _room(number, os.statvfs(opened.handle))


def _room(number: int, found: os.statvfs_result) -> bytes:
    body = _ROOM.pack(
        found.f_bsize,
        found.f_frsize,
        found.f_blocks,
        found.f_bfree,
        found.f_bavail,
        found.f_files,
        found.f_ffree,
        found.f_favail,
        found.f_fsid & 0xFFFFFFFFFFFFFFFF,
        found.f_flag & (os.ST_RDONLY | os.ST_NOSUID),
        found.f_namemax,
    )
    return framed(words.EXTENDED_REPLY, number, body)


def _limits(session: SftpSession, number: int, fields: Fields) -> bytes:
    body = _LIMITS.pack(words.MAX_PACKET, words.MAX_DATA, words.MAX_DATA, MAX_HANDLES)
    return framed(words.EXTENDED_REPLY, number, body)


def _lsetstat(session: SftpSession, number: int, fields: Fields) -> bytes:
    path, wanted = fields.path(), fields.attributes()
    folder = session.folder
    status = apply_attributes(
        wanted,
        {
            "size": _nonsense,
            "mode": lambda: folder.set_mode(path, wanted.mode or 0, follow=False),
            "times": lambda: folder.set_times(path, wanted.times or (0, 0), follow=False),
            "owner": lambda: folder.set_owner(path, wanted.owner or (-1, -1), follow=False),
        },
    )
    return framed_status(number, status)


def _nonsense() -> None:
    raise OSError(errno.EINVAL, "a link has no size to set")


def _copy_data(session: SftpSession, number: int, fields: Fields) -> bytes:
    source_handle, source_at, count = bytes(fields.string()), fields.u64(), fields.u64()
    target_handle, target_at = bytes(fields.string()), fields.u64()
    source, target = session.handles.file(source_handle), session.handles.file(target_handle)
    if source_handle == target_handle or source.path == target.path:
        raise RefusedError(words.FAILURE)
    # A length of 0 means up to the end of the source.
    left = count or None
    while left is None or left > 0:
        block = os.pread(source.handle, COPY_BLOCK if left is None else min(left, COPY_BLOCK), source_at)
        if not block:
            break
        if os.pwrite(target.handle, block, target_at) != len(block):
            raise RefusedError(words.FAILURE)
        source_at += len(block)
        target_at += len(block)
        left = None if left is None else left - len(block)
    return framed_status(number, words.OK)


# In the order in which OpenSSH 9.2 lists them, each with its version.
EXTENSIONS: dict[bytes, tuple[bytes, Handler]] = {
    b"posix-rename@openssh.com": (b"1", _posix_rename),
    b"statvfs@openssh.com": (b"2", _statvfs),
    b"fstatvfs@openssh.com": (b"2", _fstatvfs),
    b"hardlink@openssh.com": (b"1", _hardlink),
    b"fsync@openssh.com": (b"1", _fsync),
    b"lsetstat@openssh.com": (b"1", _lsetstat),
    b"limits@openssh.com": (b"1", _limits),
    b"copy-data": (b"1", _copy_data),
}
OFFERED = {name: version for name, (version, _) in EXTENSIONS.items()}


def extended(session: SftpSession, number: int, fields: Fields) -> bytes:
    """An EXTENDED request: by its name, if it is offered."""
    name = bytes(fields.string())
    if name not in session.offered:
        raise RefusedError(words.OP_UNSUPPORTED)
    return EXTENSIONS[name][1](session, number, fields)
