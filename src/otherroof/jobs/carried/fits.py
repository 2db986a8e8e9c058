"""Whether a disk can hold what a run would bring onto it: names, sizes, room. Pure: values in, a verdict out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from otherroof.base.units import count_text, size_text
from otherroof.far.local.disk import LocalDisk, folded
from otherroof.far_copy.entry import path_text

ENTRY_ROOM = 512  # bytes: what a file system and the listing take for each; a guess on the safe side
LINE_ROOM = 64 * 1024  # bytes for what every run writes


@dataclass(frozen=True, slots=True)
class Coming:
    """What is to come to one path, with how many bytes of content, 0 if they need not be brought."""

    path: bytes
    size: int
    brought: int


class DiskNeeds:
    """What a run, or several of them one after the other, need of one disk."""

    def __init__(self, disk: LocalDisk) -> None:
        self.size = LINE_ROOM
        self.entries = 0
        self._disk = disk
        self._misfits = 0
        self._first = ""
        self._seen: set[int] = set()

    def add(self, coming: Iterable[Coming]) -> None:
        """A run's needs, over those before."""
        disk = self._disk
        self._seen.clear()
        for one in coming:
            blocks = -(-one.brought // disk.block)
            self.size += blocks * disk.block + ENTRY_ROOM
            self.entries += 1
            above, _, name = one.path.rpartition(b"/")
            why = disk.cannot_hold(name, one.size)
            if not why and disk.is_windows:
                # Numbers and not names, for there may be a million of them.
                key = hash((above, folded(name)))
                if key in self._seen:
                    why = "has a name that it takes for another one beside it"
                self._seen.add(key)
            if why:
                self._misfits += 1
                self._first = self._first or f"{path_text(one.path)} {why}"

    @property
    def misfit(self) -> str:
        """What of it cannot lie there; empty if all can."""
        if not self._misfits:
            return ""
        more = self._misfits - 1
        others = f", and {count_text(more, 'entry', 'entries')} more cannot lie there either" if more else ""
        return f"the disk's file system ({self._disk.name}) cannot hold it: {self._first}{others}"

    def lacks_room(self, free: int, entries_free: int | None) -> str:
        """Why the room does not do; empty if it does."""
        if self.size > free:
            return f"about {size_text(self.size)} would come onto the disk, and {size_text(free)} are free"
        if entries_free is not None and self.entries > entries_free:
            entries = count_text(self.entries, "entry", "entries")
            return f"{entries} would come onto the disk, and it has room for {entries_free:,} more"
        return ""
