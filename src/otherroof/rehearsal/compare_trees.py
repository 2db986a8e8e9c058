"""Compares two folder trees entry by entry and names every difference.

Written apart from the product's own scan and listing, so that a mistake there is not repeated here. It reads only.
"""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass

BLOCK = 1 << 20
HOLE_COUNTS = 64 * 1024


@dataclass(frozen=True, slots=True)
class TreeEntry:
    """One entry: everything that a restore has to bring back. `mtime` in ns; `hole` in bytes that take no room."""

    kind: str
    mode: int
    mtime: int
    owner: tuple[int, int]
    size: int = 0
    digest: str = ""
    target: bytes = b""
    names: tuple[bytes, ...] = ()
    attributes: tuple[tuple[str, bytes], ...] = ()
    hole: int = 0


@dataclass(frozen=True, slots=True)
class TreeDifference:
    """One thing that is not alike; values as text for people."""

    path: bytes
    what: str
    wanted: str
    found: str

    def line(self) -> str:
        """The difference on one line, whatever bytes the path has."""
        return f"{os.fsdecode(self.path)!r}: {self.what} should be {self.wanted}, is {self.found}"


Tree = dict[bytes, TreeEntry]


def read_tree(folder: str) -> Tree:
    """Every entry below `folder`, the folder itself as `.`; sockets, devices and fifos are passed over.

    Raises OSError for what cannot be read: a comparison with gaps would say nothing.
    """
    top = os.fsencode(folder)
    found: dict[bytes, os.stat_result] = {b".": os.stat(top)}
    waiting = [b""]
    while waiting:
        at = waiting.pop()
        with os.scandir(os.path.join(top, at)) as rows:
            for row in rows:
                name = os.path.join(at, row.name)
                found[name] = row.stat(follow_symlinks=False)
                if row.is_dir(follow_symlinks=False):
                    waiting.append(name)
    together = _same_file(found)
    tree = {}
    for name in sorted(found):
        entry = _entry(os.path.join(top, name), found[name], together.get(name, ()))
        if entry is not None:
            tree[name] = entry
    return tree


def _same_file(found: dict[bytes, os.stat_result]) -> dict[bytes, tuple[bytes, ...]]:
    """For each name of a file that has several here: all of its names."""
    groups: dict[tuple[int, int], list[bytes]] = {}
    for name, status in found.items():
        if not stat.S_ISDIR(status.st_mode) and status.st_nlink > 1:
            groups.setdefault((status.st_dev, status.st_ino), []).append(name)
    return {name: tuple(sorted(group)) for group in groups.values() if len(group) > 1 for name in group}


def _entry(path: bytes, status: os.stat_result, names: tuple[bytes, ...]) -> TreeEntry | None:
    kind = stat.S_IFMT(status.st_mode)
    owner = (status.st_uid, status.st_gid)
    mode, mtime = stat.S_IMODE(status.st_mode), status.st_mtime_ns
    if kind == stat.S_IFDIR:
        return TreeEntry("folder", mode, mtime, owner, attributes=_attributes(path))
    if kind == stat.S_IFLNK:
        return TreeEntry("symlink", 0, mtime, owner, target=os.readlink(path), names=names)
    if kind == stat.S_IFREG:
        # st_blocks counts 512 bytes each, whatever the file system's block size (stat(2)).
        hole = max(0, status.st_size - status.st_blocks * 512)
        return TreeEntry(
            "file", mode, mtime, owner, status.st_size, _digest(path), b"", names, _attributes(path), hole=hole
        )
    return None


def _digest(path: bytes) -> str:
    sum_ = hashlib.blake2b(digest_size=32)
    with open(path, "rb") as file:
        while block := file.read(BLOCK):
            sum_.update(block)
    return sum_.hexdigest()


def _attributes(path: bytes) -> tuple[tuple[str, bytes], ...]:
    try:
        keys = sorted(os.listxattr(path, follow_symlinks=False))
    except OSError:  # a file system without them
        return ()
    return tuple((key, os.getxattr(path, key, follow_symlinks=False)) for key in keys)


def differences(wanted: Tree, found: Tree, *, owners: bool = True) -> list[TreeDifference]:
    """Everything in which `found` is not as `wanted`, in byte order of path. `owners`: look at user and group too."""
    unlike = []
    for path in sorted(wanted.keys() | found.keys()):
        before, after = wanted.get(path), found.get(path)
        if before is None or after is None:
            unlike.append(
                TreeDifference(path, "entry", before.kind if before else "absent", after.kind if after else "absent")
            )
        else:
            unlike += _unlike(path, before, after, owners)
    return unlike


def _unlike(path: bytes, before: TreeEntry, after: TreeEntry, owners: bool) -> list[TreeDifference]:
    if before.kind != after.kind:
        return [TreeDifference(path, "kind", before.kind, after.kind)]
    unlike = []
    for what in ("mode", "mtime", "owner", "size", "digest", "target", "names", "attributes"):
        was, is_ = getattr(before, what), getattr(after, what)
        if was != is_ and (owners or what != "owner"):
            unlike.append(TreeDifference(path, what, _shown(what, was), _shown(what, is_)))
    # File systems differ in how finely they keep holes; a tenth, and one step of 64 KiB, may be lost.
    if before.hole >= HOLE_COUNTS and after.hole < before.hole - HOLE_COUNTS - before.hole // 10:
        unlike.append(TreeDifference(path, "hole", f"{before.hole} bytes", f"{after.hole} bytes"))
    return unlike


def _shown(what: str, value: object) -> str:
    return f"{value:04o}" if what == "mode" else repr(value)
