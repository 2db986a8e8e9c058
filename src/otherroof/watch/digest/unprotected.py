"""Which folders stand beside protected ones without being protected themselves.

The comparison is pure; the listing looks one level deep and reads no file.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence

from otherroof.base.text.words import printable
from otherroof.watch.digest.values import UnprotectedFolders

# Directories that the Filesystem Hierarchy Standard 3.0 gives to the system itself, and what file systems add;
# folders that people fill (home, srv, opt, root, etc) are not among them.
_SYSTEM = frozenset(
    (
        *("bin", "boot", "dev", "lib", "lib32", "lib64", "libx32", "lost+found", "media", "mnt"),
        *("proc", "run", "sbin", "sys", "tmp", "usr", "var"),
    )
)


def unprotected_folders(
    protected: Sequence[str], not_wanted: Sequence[str], folders_in: Callable[[str], Iterable[str]]
) -> list[UnprotectedFolders]:
    """For each parent of a protected folder, the folders in it that no job covers, even in part.

    `folders_in` lists the names of the folders directly in one. `not_wanted` are those that need no copy.
    """
    known = [_whole(path) for path in (*protected, *not_wanted)]
    found = []
    for parent in sorted({os.path.dirname(path) for path in protected}):
        names = [
            name
            for name in sorted(folders_in(parent))
            if not (parent == "/" and name in _SYSTEM)
            and name != "lost+found"
            and not any(_touch(_whole(os.path.join(parent, name)), other) for other in known)
        ]
        if names:
            found.append(UnprotectedFolders(printable(parent), tuple(printable(folder_name) for folder_name in names)))
    return found


def _whole(path: str) -> str:
    # With the slash at its end, /srv/photos is no beginning of /srv/photos-old.
    return path.rstrip("/") + "/"


def _touch(folder: str, other: str) -> bool:
    return folder.startswith(other) or other.startswith(folder)


def folders_in(parent: str) -> list[str]:
    """The names of the folders in `parent` that hold something, links not counted; none if it cannot be read."""
    try:
        with os.scandir(parent) as entries:
            return [
                entry.name for entry in entries if entry.is_dir(follow_symlinks=False) and _holds_something(entry.path)
            ]
    except OSError:
        # A parent that is gone or closed to this account is told elsewhere: its job has nothing to copy.
        return []


def _holds_something(path: str) -> bool:
    try:
        with os.scandir(path) as entries:
            return next(entries, None) is not None
    except OSError:
        # It cannot be looked into, so it may hold something: better told once too often.
        return True
