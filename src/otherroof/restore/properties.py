"""Gives restored files, folders and links their owner, attributes, mode and time.

What a disk or an account cannot set is noted and gone without: the content matters more. Knows handles, and nothing of
where they lie.
"""

from __future__ import annotations

import errno
import grp
import os
import pwd
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from otherroof.base.accounts import may_act_as_root
from otherroof.base.printable import escaped
from otherroof.far_copy.entry import Entry, left_out_text

AS_OWNER = 0o6000  # set-user-id and set-group-id
# Many disks have only so much room beside each file (4 kB on ext4), and say so as if all of them were full. If it is
# the disk itself, the next file's content will meet it.
_ATTRIBUTE_ROOM = (errno.ENOSPC, errno.EDQUOT)


@dataclass(slots=True)
class TargetNotes:
    """Attributes that could not be put back, by path."""

    attributes: list[tuple[bytes, str]] = field(default_factory=list)


class PropertySetter:
    """Sets what the listing says of an entry. Raises OSError if the disk is full or failing."""

    def __init__(self, notes: TargetNotes) -> None:
        self._notes = notes
        self._root = may_act_as_root()

    def set(self, entry: Entry, handle: int) -> None:
        """Owner first, because setting it clears mode bits; times last, because everything else changes them."""
        self._note_left_out(entry)
        # Only root may give files away. For anybody else they stay their own, which needs no note.
        if self._root:
            with self._noting(entry, "owner"):
                os.fchown(handle, *_owner(entry))
        for key, value in entry.xattrs.items():
            with self._noting(entry, f"attribute {key}", _ATTRIBUTE_ROOM):
                os.setxattr(handle, key, value)
        with self._noting(entry, "mode"):
            os.fchmod(handle, self._allowed_mode(entry, handle))
        with self._noting(entry, "time"):
            os.utime(handle, ns=(entry.mtime_ns, entry.mtime_ns))

    def set_on_symlink(self, entry: Entry, name: bytes, above: int) -> None:
        """The same for the symbolic link `name` in the folder with the handle `above`; links have no mode."""
        self._note_left_out(entry)
        if self._root:
            with self._noting(entry, "owner"):
                os.chown(name, *_owner(entry), dir_fd=above, follow_symlinks=False)
        with self._noting(entry, "time"):
            os.utime(name, ns=(entry.mtime_ns, entry.mtime_ns), dir_fd=above, follow_symlinks=False)
        for key, value in entry.xattrs.items():
            with self._noting(entry, f"attribute {key}", _ATTRIBUTE_ROOM):
                # Python has no call that sets attributes by a folder's handle and a name; this path leads below the
                # handle.
                os.setxattr(b"/proc/self/fd/%d/%b" % (above, name), key, value, follow_symlinks=False)

    def _note_left_out(self, entry: Entry) -> None:
        if entry.left_out:
            self._notes.attributes.append((entry.path, left_out_text(entry.left_out)))

    def _allowed_mode(self, entry: Entry, handle: int) -> int:
        """The entry's mode, without set-user-id and set-group-id if owner or group could not be restored."""
        if not entry.mode & AS_OWNER or entry.kind == "folder":
            return entry.mode
        # A program that acts as its owner must not act as somebody else by accident.
        found = os.fstat(handle)
        if (found.st_uid, found.st_gid) == _owner(entry):
            return entry.mode
        self._notes.attributes.append((entry.path, "mode: set-user-id is left out, since it has another owner here"))
        return entry.mode & ~AS_OWNER

    @contextmanager
    def _noting(self, entry: Entry, what: str, harmless: tuple[int, ...] = ()) -> Iterator[None]:
        """Context manager: note a property that cannot be set here and go on; the content matters more."""
        try:
            yield
        except OSError as problem:
            # These say that the disk is full or failing: nothing that could be gone without.
            if problem.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO) and problem.errno not in harmless:
                raise
            self._notes.attributes.append((entry.path, escaped(f"{what}: {problem.strerror}")))


def _owner(entry: Entry) -> tuple[int, int]:
    """Account and group: by name if this machine knows the name, else by number."""
    try:
        uid = pwd.getpwnam(entry.user).pw_uid if entry.user else entry.uid
    except KeyError:
        uid = entry.uid
    try:
        gid = grp.getgrnam(entry.group).gr_gid if entry.group else entry.gid
    except KeyError:
        gid = entry.gid
    return uid, gid
