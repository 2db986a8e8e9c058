"""What a power cut at the far box leaves of what a run asked for, as each kind of file system may. Pure: no disk.

A `Tape` is the requests that a place carried out, in order. Played into a `JournalDisk` (ext4, XFS) or a `TreeLogDisk`
(btrfs), it can be stopped after any request and asked what a cut there would leave. Both are as mean as the real ones
may be, and a little meaner: what they promise less than the kernel does, no run should lean on.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

from otherroof.far import requests
from otherroof.far.requests import Mode

BLOCK = 4096
EntryKindThere = Literal["folder", "file", "link"]


@dataclass(eq=False, slots=True)
class Inode:
    """A file, folder or link over there, by itself: its names are kept elsewhere, as a file system does.

    `content`: bytes, or a link's target. `synced`: the content that is sure to be on the platter. `changed`: the
    number of the last request that changed anything in it, its names included.
    """

    kind: EntryKindThere
    content: bytearray = field(default_factory=bytearray)
    synced: bytes = b""
    unsynced: bool = False
    mtime: int = 0
    permissions: int = 0o600
    changed: int = 0
    logged: int = 0
    _whole: bytes | None = None

    def whole(self) -> bytes:
        """The content as bytes; the same object until it changes."""
        if self._whole is None:
            self._whole = bytes(self.content)
        return self._whole

    def write(self, offset: int, data: bytes) -> None:
        """Put `data` at `offset`, with zeros before it if the file is shorter."""
        if len(self.content) < offset:
            self.content += bytes(offset - len(self.content))
        self.content[offset : offset + len(data)] = data
        self._whole, self.unsynced = None, True

    def cut_to(self, size: int) -> None:
        """Make it so long."""
        del self.content[size:]
        self.content += bytes(size - len(self.content))
        self._whole, self.unsynced = None, True

    def sync(self) -> None:
        """All of it is on the platter."""
        self.synced, self.unsynced = self.whole(), False

    def left(self, dice: random.Random) -> bytes:
        """What a cut leaves of the content: whole if synced; else that, or short, empty, with zeros in it."""
        if not self.unsynced:
            return self.whole()
        old, new = self.synced, self.whole()
        low, high = sorted((len(old), len(new)))
        length = dice.choice((len(old), len(new), dice.randint(low, high)))
        left = bytearray(new[:length].ljust(length, b"\0"))
        share = dice.choice((0.0, 1.0, dice.random()))
        for start in range(0, length, BLOCK):
            if dice.random() < share:
                end = min(length, start + BLOCK)
                left[start:end] = old[start:end].ljust(end - start, b"\0")
        return bytes(left)


Key = tuple[Inode, bytes]  # a folder, and a name in it
Names = dict[Key, Inode]
Change = tuple[Key, Inode | None]  # a name is given or, with None, taken away


@dataclass(frozen=True, slots=True)
class Left:
    """One entry as it is found after a cut. `inode` tells which names are of one file."""

    inode: Inode
    kind: EntryKindThere
    content: bytes
    mtime: int
    permissions: int


Tree = dict[bytes, Left]  # by path


@dataclass(frozen=True, slots=True)
class Event:
    """A request that was carried out, and its answer."""

    op: requests.Op
    answer: Any


@dataclass
class Tape:
    """All requests that were carried out, in order, upon what stood there before."""

    before: Tree = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.events)


Slip = Callable[[bytes], Literal["done", "not done", "names only"]]  # what becomes of a sync of the file at a path


def no_slip(_path: bytes) -> Literal["done"]:
    """Every sync is carried out."""
    return "done"


class PowerDisk:
    """The far disk as it is while the power is on. Which names a cut leaves, its two kinds know."""

    def __init__(self, before: Tree | None = None, slip: Slip = no_slip) -> None:
        self.root = Inode("folder")
        self.names: Names = {}
        self.now = 0
        self._slip = slip
        self._names_of: dict[Inode, set[Key]] = {}
        self._handles: dict[Any, tuple[bytes, Inode]] = {}
        for path, entry in sorted((before or {}).items()):
            self._give(self._key(path), entry.inode)
        self._begin()

    # -- what the kinds of file system know --

    def _begin(self) -> None:
        """All that stands now is durable."""
        raise NotImplementedError

    def _changed_names(self, group: list[Change], touched: set[Inode]) -> None:
        """These names have just changed, all or none of them; `touched` are the files that they were or are of."""
        raise NotImplementedError

    def _made_durable(self, inode: Inode) -> None:
        """This file was synced, its content has been seen to."""
        raise NotImplementedError

    def _names_left(self, dice: random.Random) -> Names:
        """The names that a cut at this moment leaves."""
        raise NotImplementedError

    # -- requests --

    def hear(self, event: Event) -> None:
        """One request more was carried out."""
        self.now += 1
        handler = _HEARD.get(type(event.op))
        if handler is not None:
            handler(self, event.op, event.answer)

    def after_cut(self, dice: random.Random) -> Tree:
        """What is found when the power is back, if it goes at this moment."""
        names = self._names_left(dice)
        below: dict[Inode, list[tuple[bytes, Inode]]] = {}
        for (folder, name), inode in names.items():
            below.setdefault(folder, []).append((name, inode))
        tree: Tree = {}
        seen: dict[Inode, bytes] = {}
        waiting = [(b"", self.root)]
        while waiting:
            above, folder = waiting.pop()
            for name, inode in below.get(folder, ()):
                path = above + name
                content = seen.setdefault(inode, inode.left(dice))
                tree[path] = Left(inode, inode.kind, content, inode.mtime, inode.permissions)
                if inode.kind == "folder":
                    waiting.append((path + b"/", inode))
        return tree

    def at(self, path: bytes) -> Inode | None:
        """What stands at `path` while the power is on."""
        found: Inode | None = self.root
        for name in _parts(path):
            if found is None:
                return None
            found = self.names.get((found, name))
        return found

    def _key(self, path: bytes) -> Key:
        above, _, name = path.rpartition(b"/")
        folder = self.at(above)
        assert folder is not None, path
        return folder, name

    def _give(self, key: Key, inode: Inode) -> None:
        self.names[key] = inode
        self._names_of.setdefault(inode, set()).add(key)

    def _change(self, *group: Change) -> None:
        touched = set()
        for key, inode in group:
            old = self.names.pop(key, None)
            if old is not None:
                self._names_of[old].discard(key)
                touched.add(old)
            if inode is not None:
                self._give(key, inode)
                touched.add(inode)
        for inode in touched:
            inode.changed = self.now
        self._changed_names(list(group), touched)

    def _new(self, path: bytes, kind: EntryKindThere, content: bytes = b"", permissions: int = 0o600) -> Inode:
        inode = Inode(kind, bytearray(content), content, permissions=permissions)
        self._change((self._key(path), inode))
        return inode

    def _open(self, op: requests.OpenFile, handle: Any) -> None:
        inode = self.at(op.path)
        if inode is None:
            assert op.mode & Mode.CREATE, op.path
            inode = self._new(op.path, "file", permissions=op.permissions)
        if op.mode & Mode.EMPTY:
            inode.cut_to(0)
        self._handles[handle] = (op.path, inode)

    def _write(self, op: requests.Write, _answer: Any) -> None:
        self._of(op.handle).write(op.offset, bytes(op.data))

    def _set(self, op: requests.SetProperties, _answer: Any) -> None:
        inode = self._of(op.handle)
        if op.size is not None:
            inode.cut_to(op.size)
        inode.mtime = inode.mtime if op.mtime is None else op.mtime
        inode.permissions = inode.permissions if op.permissions is None else op.permissions

    def _copy(self, op: requests.CopyRange, _answer: Any) -> None:
        source = self._of(op.source).whole()
        self._of(op.target).write(op.target_offset, source[op.source_offset : op.source_offset + op.length])

    def _sync(self, op: requests.Sync, _answer: Any) -> None:
        path, inode = self._handles[op.handle]
        done = self._slip(path)
        if done == "not done":
            return
        if done == "done":
            inode.sync()
        self._made_durable(inode)

    def _close(self, op: requests.CloseFile, _answer: Any) -> None:
        self._handles.pop(op.handle, None)  # a folder's handle is not kept here

    def _of(self, handle: Any) -> Inode:
        inode = self._handles[handle][1]
        inode.changed = self.now
        return inode

    def _rename(self, op: requests.Rename, _answer: Any) -> None:
        inode = self.at(op.old)
        assert inode is not None, op.old
        old, new = self._key(op.old), self._key(op.new)
        if inode.kind == "file":  # OpenSSH's server makes two steps of it, so that no name is taken from another file
            self._change((new, inode))
            self._change((old, None))
        else:
            self._change((old, None), (new, inode))

    def _link(self, op: requests.Link, _answer: Any) -> None:
        inode = self.at(op.old)
        assert inode is not None, op.old
        self._change((self._key(op.new), inode))

    def _make_link(self, op: requests.MakeSymlink, _answer: Any) -> None:
        self._new(op.path, "link", op.target)

    def _make_folder(self, op: requests.MakeFolder, _answer: Any) -> None:
        self._new(op.path, "folder", permissions=op.permissions)

    def _remove(self, op: requests.Remove | requests.RemoveFolder, _answer: Any) -> None:
        self._change((self._key(op.path), None))


_HEARD: dict[type, Callable[[PowerDisk, Any, Any], None]] = {
    requests.OpenFile: PowerDisk._open,
    requests.Write: PowerDisk._write,
    requests.SetProperties: PowerDisk._set,
    requests.CopyRange: PowerDisk._copy,
    requests.Sync: PowerDisk._sync,
    requests.CloseFile: PowerDisk._close,
    requests.LetGo: PowerDisk._close,
    requests.Rename: PowerDisk._rename,
    requests.Link: PowerDisk._link,
    requests.MakeSymlink: PowerDisk._make_link,
    requests.MakeFolder: PowerDisk._make_folder,
    requests.RemoveFolder: PowerDisk._remove,
    requests.Remove: PowerDisk._remove,
}


class JournalDisk(PowerDisk):
    """ext4 and XFS: one journal for all names, so a cut leaves them as they were at some moment since it was forced.

    A sync forces all of the journal, but only if the file itself changed since: a file that did not needs nothing.
    """

    def _begin(self) -> None:
        self._durable = dict(self.names)
        self._journal: list[list[Change]] = []
        self._forced_at = self.now

    def _changed_names(self, group: list[Change], touched: set[Inode]) -> None:
        self._journal.append(group)

    def _made_durable(self, inode: Inode) -> None:
        if inode.changed > self._forced_at:
            self._begin()

    def _names_left(self, dice: random.Random) -> Names:
        upto = dice.choice((0, len(self._journal), dice.randint(0, len(self._journal))))
        names = dict(self._durable)
        for group in self._journal[:upto]:
            _carry_out(group, names)
        return names


class TreeLogDisk(PowerDisk):
    """btrfs: all names are durable at each transaction, and a sync in between logs that one file with its names.

    A logged file's later renames go into the log too, and reach the platter with the next sync of any file. When the
    log is played back, a name in it takes the place of whatever the last transaction had there, and a file whose last
    name was taken so is gone. A transaction comes every `every` requests, or never with 0; with `each_run` one ends
    just before a run's first change, so that what the run moves has no name in the log yet.
    """

    def __init__(
        self, before: Tree | None = None, slip: Slip = no_slip, *, every: int = 0, each_run: bool = False
    ) -> None:
        self._every = every
        self._each_run = each_run
        super().__init__(before, slip)

    def hear(self, event: Event) -> None:
        """One request more; now and then the kernel ends a transaction by itself."""
        if self._each_run and isinstance(event.op, requests.OpenFile) and event.op.path.endswith(b".under-way"):
            self._begin()
        super().hear(event)
        if self._every and self.now % self._every == 0:
            self._begin()

    def _begin(self) -> None:
        self._durable = dict(self.names)
        self._log: dict[Inode, frozenset[Key]] = {}
        self._log_folders: dict[Inode, frozenset[Key]] = {}
        self._unwritten: dict[Inode, frozenset[Key]] = {}
        self._begun_at = self.now

    def _changed_names(self, group: list[Change], touched: set[Inode]) -> None:
        for inode in self._unwritten.keys() & touched:
            self._unwritten[inode] = self._present(inode)

    def _made_durable(self, inode: Inode) -> None:
        if inode.changed > max(self._begun_at, inode.logged):
            inode.logged = self.now
            self._unwritten[inode] = self._present(inode)
            self._log = dict(self._unwritten)
            # As they are now: a folder that goes later is in the log until the next sync.
            self._log_folders = {}
            for keys in self._log.values():
                self._log_above(keys)

    def _log_above(self, keys: Iterable[Key]) -> None:
        for folder, _ in keys:
            if folder not in self._log_folders:
                self._log_folders[folder] = self._present(folder)
                self._log_above(self._log_folders[folder])

    def _present(self, inode: Inode) -> frozenset[Key]:
        return frozenset(self._names_of.get(inode, ()))

    def _names_left(self, dice: random.Random) -> Names:
        names = dict(self._durable)
        for key, inode in self._durable.items():
            if inode in self._log and key not in self._log[inode]:
                del names[key]
        placed = {inode for inode in names.values() if inode.kind == "folder"} | {self.root}
        for inode, keys in self._log.items():
            for key in keys:
                self._place_folder(key[0], names, placed)
                names[key] = inode
        return names

    def _place_folder(self, folder: Inode, names: Names, placed: set[Inode]) -> None:
        """A new folder above a logged name is logged with it."""
        if folder in placed:
            return
        placed.add(folder)
        for key in self._log_folders[folder]:
            self._place_folder(key[0], names, placed)
            names[key] = folder


DISKS: dict[str, Callable[[Tree, Slip], PowerDisk]] = {
    "ext4 and XFS": JournalDisk,
    "btrfs": TreeLogDisk,
    "btrfs, transactions": lambda before, slip: TreeLogDisk(before, slip, every=37),
    "btrfs, a transaction before each run": lambda before, slip: TreeLogDisk(before, slip, each_run=True),
}


def cuts(tape: Tape, kind: str, seed: int, *, slip: Slip = no_slip, every: int = 1) -> Iterator[tuple[int, Tree]]:
    """What a cut leaves after each `every`-th request of the tape and after its last, with the request's number."""
    disk = DISKS[kind](tape.before, slip)
    for number, event in enumerate(tape.events, 1):
        disk.hear(event)
        if number % every == 0 or number == len(tape.events):
            yield number, disk.after_cut(random.Random(f"{seed} {number}"))


def cut_after(tape: Tape, kind: str, number: int, seed: int) -> Tree:
    """What a cut leaves after request `number` of the tape."""
    disk = DISKS[kind](tape.before, no_slip)
    for event in tape.events[:number]:
        disk.hear(event)
    return disk.after_cut(random.Random(f"{seed} {number}"))


def as_durable(tree: Tree) -> Tree:
    """The same entries as a disk finds them that begins with them: each as it was left, and on the platter."""
    fresh: dict[Inode, Inode] = {}
    for entry in tree.values():
        content = entry.content
        made = Inode(entry.kind, bytearray(content), content, mtime=entry.mtime, permissions=entry.permissions)
        fresh.setdefault(entry.inode, made)
    return {
        path: Left(fresh[entry.inode], entry.kind, entry.content, entry.mtime, entry.permissions)
        for path, entry in tree.items()
    }


def _carry_out(group: Iterable[Change], names: Names) -> None:
    for key, inode in group:
        if inode is None:
            names.pop(key, None)
        else:
            names[key] = inode


def _parts(path: bytes) -> list[bytes]:
    return [part for part in path.split(b"/") if part not in (b"", b".")]
