"""What each version holds by itself: the newest one the newest copy, an older one what later runs moved aside of it.

Versions are opened from the newest on; each shares with the one after it whatever was not moved aside in between. One
that only names another's lines, and lost nothing since, holds nothing by itself, and its lines are not read again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from otherroof.far_copy.entry import Entry
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.reader import Reader
from otherroof.far_copy.view import FarCopyView


class Shelf:
    """The version of `run`, as far as it is not `newer`'s too (empty: all of it). `lines` is the run whose listing has
    its lines. Without a reader it holds nothing by itself, or is only a name."""

    def __init__(self, run: str, newer: str = "", lines: str = "", reader: Reader | None = None) -> None:
        self.run = run
        self.newer = newer
        self.lines = lines
        self.lines_as_newer = False
        self._reader = reader

    @property
    def reader(self) -> Reader:
        """What its files are read by."""
        assert self._reader is not None
        return self._reader

    @property
    def proved_listings(self) -> set[str]:
        """The runs whose listings were proved by opening it."""
        return {self.run, self.lines} if self._reader is not None else {self.run}

    def entries(self) -> Iterator[Entry]:
        """Its files, in byte order of the path; can be asked for again."""
        return (entry for entry in self._kept() if entry.kind == "file")

    def all_names(self) -> Iterator[bytes]:
        """The names of its far files, links among them."""
        return (self.reader.lies_at(entry.path).name for entry in self._kept() if entry.kind != "folder")

    def listed(self) -> Iterator[Entry]:
        """Every file of the version, whoever else has it."""
        return (entry for entry in self.reader.entries() if entry.kind == "file")

    def _kept(self) -> Iterator[Entry]:
        if self._reader is None:
            return
        for entry in self._reader.entries():
            if not self.newer or self._is_own(entry.path):
                yield entry

    def _is_own(self, path: bytes) -> bool:
        kept_by = self.reader.lies_at(path).kept_by
        return self.run < kept_by <= self.newer

    def keeps(self, path: bytes) -> bool:
        """Whether a run up to the newer version moved aside what this one has at `path`."""
        return self._is_own(path)

    def close(self) -> None:
        """Let go of its listing."""
        if self._reader is not None:
            self._reader.close()


class ShelfOpener:
    """Opens versions, the newest first."""

    def __init__(self, keeper: Keeper) -> None:
        self._keeper = keeper

    def open(self, run: str, newer: Shelf | None, view: FarCopyView) -> Shelf:
        """The shelf of `run`, its listing proved. `newer` was opened before it; a bare name if nothing is known of it.

        Raises Damaged.
        """
        between = [one for one in view.earlier if newer is not None and run < one <= newer.run]
        if newer is not None and newer.lines and not between:
            head = self._keeper.headers([run])[run]
            if not isinstance(head, Exception) and (head.same_as or run) == newer.lines:
                proved = self._keeper.prove_listing(run)
                if (proved.same_as or run) == newer.lines:
                    shelf = Shelf(run, newer.run, newer.lines)
                    shelf.lines_as_newer = True
                    return shelf
        reader = self._keeper.reader(run)
        try:
            # Only what lies between the two is walked: a version has as many later ones as there are nights.
            reader.look(view if newer is None else replace(view, earlier=between))
        except BaseException:
            reader.close()
            raise
        return Shelf(run, newer.run if newer is not None else "", self._lines_of(reader), reader)

    def _lines_of(self, reader: Reader) -> str:
        return reader.header.same_as or reader.header.run


def missing_since(shelf: Shelf, newer: Shelf) -> Iterator[Entry]:
    """Files of the older version that are other in the newer one, or not in it, and that no run kept in between."""
    if shelf.lines == newer.lines:
        return
    theirs = newer.listed()
    other = next(theirs, None)
    for entry in shelf.listed():
        while other is not None and other.path < entry.path:
            other = next(theirs, None)
        same = other is not None and other.path == entry.path and other.digest == entry.digest
        if not same and not shelf.keeps(entry.path):
            yield entry
