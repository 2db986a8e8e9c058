"""What a folder held, and how a restored tree differs from it: a plain model that knows nothing of Otherroof.

It walks by itself, digests with its own choice (SHA-256) and keeps every content once, so that what came back is
compared byte for byte with what was there, and not with what the product says was there.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

BLOCK = 1 << 20
TOP = b"."


@dataclass(frozen=True, slots=True)
class Thing:
    """What stood at a path. `mtime` in ns; `names` are all names of a file that has several."""

    kind: str
    mode: int
    mtime: int
    owner: tuple[int, int]
    content: str = ""
    target: bytes = b""
    names: tuple[bytes, ...] = ()
    attributes: tuple[tuple[str, bytes], ...] = ()

    @property
    def essence(self) -> tuple[str, str, bytes]:
        """Kind and content, whatever the rights and times are."""
        return self.kind, self.content, self.target


Things = dict[bytes, Thing]


class Contents:
    """Every content that a household ever had, once each, in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(parents=True)

    def keep(self, path: bytes) -> str:
        """Digest the file at `path`, and keep its content if it is new; answers its name here."""
        with open(path, "rb") as file:
            name = hashlib.file_digest(file, "sha256").hexdigest()
        kept = self._folder / name
        if not kept.exists():
            shutil.copyfile(path, kept)
        return name

    def is_at(self, path: bytes, name: str) -> bool:
        """Whether the file at `path` is, byte for byte, the content of this name."""
        with open(path, "rb") as file, (self._folder / name).open("rb") as kept:
            while True:
                found, wanted = file.read(BLOCK), kept.read(BLOCK)
                if found != wanted:
                    return False
                if not found:
                    return True

    def begins(self, path: bytes, name: str) -> bool:
        """Whether the content of this name begins with all that the file at `path` holds."""
        size = os.stat(path).st_size
        with open(path, "rb") as file, (self._folder / name).open("rb") as kept:
            return kept.read(size) == file.read()


def walk(folder: bytes, pass_over: bytes = b"") -> Iterator[tuple[bytes, os.stat_result]]:
    """Every path below `folder` with what stands there, the folder itself as TOP, however deep it goes.

    What lies at and below the path `pass_over` is left out.
    """
    yield TOP, os.stat(folder)
    waiting = [b""]
    while waiting:
        above = waiting.pop()
        with os.scandir(os.path.join(folder, above)) as rows:
            for row in rows:
                path = os.path.join(above, row.name)
                if path == pass_over:
                    continue
                yield path, row.stat(follow_symlinks=False)
                if row.is_dir(follow_symlinks=False):
                    waiting.append(path)


def read_things(folder: Path, contents: Contents | None = None) -> Things:
    """What `folder` holds now; files, folders and symbolic links only. With `contents` each file's is kept there."""
    top = os.fsencode(folder)
    found = dict(walk(top))
    together: dict[tuple[int, int], list[bytes]] = {}
    for path, status in found.items():
        if not stat.S_ISDIR(status.st_mode) and status.st_nlink > 1:
            together.setdefault((status.st_dev, status.st_ino), []).append(path)
    names = {path: tuple(sorted(group)) for group in together.values() if len(group) > 1 for path in group}
    things = {}
    for path in sorted(found):
        thing = _thing(os.path.join(top, path), found[path], contents)
        if thing is not None:
            things[path] = replace(thing, names=names.get(path, ()))
    return things


def _thing(path: bytes, status: os.stat_result, contents: Contents | None) -> Thing | None:
    owner, mode, mtime = (status.st_uid, status.st_gid), stat.S_IMODE(status.st_mode), status.st_mtime_ns
    match stat.S_IFMT(status.st_mode):
        case stat.S_IFDIR:
            return Thing("folder", mode, mtime, owner, attributes=_attributes(path))
        case stat.S_IFLNK:
            return Thing("link", 0, mtime, owner, target=os.readlink(path))
        case stat.S_IFREG:
            content = contents.keep(path) if contents is not None else ""
            return Thing("file", mode, mtime, owner, content, attributes=_attributes(path))
    return None


def _attributes(path: bytes) -> tuple[tuple[str, bytes], ...]:
    try:
        keys = sorted(os.listxattr(path, follow_symlinks=False))
    except OSError:  # a file system without them
        return ()
    return tuple((key, os.getxattr(path, key, follow_symlinks=False)) for key in keys)


@dataclass
class Truth:
    """What a version has to hold.

    `loose` are paths of which it is not known which of their contents the version has: the run said that it could not
    copy them, or they changed while it went on. Each holds nothing, or what stood there at some time (`ever`), or the
    beginning of what has only grown (`grown`). `moment` are the clock's times just before and after the run.
    """

    things: Things
    moment: tuple[float, float]
    loose: set[bytes] = field(default_factory=set)
    ever: dict[bytes, set[tuple[str, str, bytes]]] = field(default_factory=dict)
    grown: dict[bytes, str] = field(default_factory=dict)

    def is_loose(self, path: bytes) -> bool:
        """Whether this path, one above it or another name of the same file is loose."""
        if not self.loose:
            return False
        thing = self.things.get(path)
        names = {path, *(thing.names if thing is not None else ())}
        return any(name in self.loose or not self.loose.isdisjoint(above(name)) for name in names)

    def leads_to_loose(self, path: bytes) -> bool:
        """Whether something in this folder is loose: then neither its time nor that it is there is known."""
        return bool(self.loose) and (path == TOP or any(name.startswith(path + b"/") for name in self.loose))


def above(path: bytes) -> list[bytes]:
    """The folders that a path lies in."""
    parts = path.split(b"/")
    return [b"/".join(parts[:count]) for count in range(1, len(parts))]


def differences(truth: Truth, restored: Path, contents: Contents) -> list[str]:
    """Everything in which a restored tree is not what the version had to be, a line each."""
    found = read_things(restored)
    top = os.fsencode(restored)
    told = []
    for path in sorted(truth.things.keys() | found.keys()):
        why = _unlike(truth, path, found.get(path), os.path.join(top, path), contents)
        if why:
            told.append(f"{path!r}: {why}")
    return told


def _unlike(truth: Truth, path: bytes, found: Thing | None, where: bytes, contents: Contents) -> str:
    wanted = truth.things.get(path)
    if truth.is_loose(path):
        return _unlike_any(truth, path, found, where, contents)
    if truth.leads_to_loose(path) and (found is None or found.kind == "folder"):
        return ""
    if wanted is None or found is None:
        return f"should be {_kind(wanted)}, is {_kind(found)}"
    if wanted.kind == found.kind == "file" and not contents.is_at(where, wanted.content):
        return "has other content"
    unlike = [
        f"{name} should be {getattr(wanted, name)!r}, is {getattr(found, name)!r}"
        for name in ("kind", "mode", "mtime", "owner", "target", "names", "attributes")
        if getattr(wanted, name) != getattr(found, name)
    ]
    return ", ".join(unlike)


def _unlike_any(truth: Truth, path: bytes, found: Thing | None, where: bytes, contents: Contents) -> str:
    """The path may hold whatever it has ever held, and nothing else."""
    if found is None or found.kind == "folder":
        return ""
    known: Iterable[tuple[str, str, bytes]] = truth.ever.get(path, ())
    if found.kind == "link":
        return "" if ("link", "", found.target) in known else f"links to {found.target!r}, where it never did"
    if any(kind == "file" and contents.is_at(where, content) for kind, content, _ in known):
        return ""
    if path in truth.grown and contents.begins(where, truth.grown[path]):
        return ""
    return "has content that it never had"


def _kind(thing: Thing | None) -> str:
    return thing.kind if thing is not None else "absent"
