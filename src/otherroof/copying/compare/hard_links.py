"""Files with several names: the notes on them, and names that look unchanged while another of the same file came or
went.

Renaming a folder changes nothing in the files below it, nor in their other hard links elsewhere; yet the entries of
those links name a first path that is gone now. The catalogue is read only if a file with several names differs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from otherroof.base.errors import HomeTrouble
from otherroof.base.sqlite_file import translating_sqlite
from otherroof.copying.compare.catalogue import Block
from otherroof.copying.compare.change import DONE, PLANNED, PlannedChange
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.plan_file import PlanFile
from otherroof.far_copy.numbers import FILE, HARD, INODE, MODE, join_path


def unchanged_names_of(
    blocks: Iterable[Block], inodes: set[int], is_planned: Callable[[bytes], bool], device: Callable[[bytes], int]
) -> Iterator[Difference]:
    """The unchanged names of the files with these `inodes`, as differences, so that they are linked again.

    `device` tells the device of a path at home and raises HomeTrouble if it is gone.
    """
    if not inodes:
        return
    for block in blocks:
        if inodes.isdisjoint(block.inodes()):
            continue
        for name, numbers, line in block.items():
            path = join_path(block.folder, name)
            if not numbers[MODE] & HARD or numbers[INODE] not in inodes or is_planned(path):
                continue
            try:
                yield Difference(path, numbers, numbers, line, device(path))
            except HomeTrouble:
                continue  # gone since the scan: the next run meets it


class HardLinkNotes:
    """Which of a file's names its content is sent by; the others are linked to it. Raises HomeTrouble if the notes
    cannot be used."""

    def __init__(self, file: PlanFile) -> None:
        self._file = file

    def noting(self, differences: Iterable[Difference]) -> Iterator[Difference]:
        """These differences, with the inodes of files with several names noted as they pass."""
        for difference in differences:
            for numbers in (difference.found, difference.known):
                if numbers is not None and numbers[MODE] & HARD and numbers[INODE]:
                    self._file.db.execute("INSERT OR IGNORE INTO hard (ino) VALUES (?)", (numbers[INODE],))
            yield difference

    def inodes(self) -> set[int]:
        """The inodes of files with several names of which one differs."""
        with translating_sqlite(self._file.path):
            return {row[0] for row in self._file.db.execute("SELECT ino FROM hard")}

    def find_first_names(self) -> None:
        """For each file with several names: mark all names but the first as links to the first."""
        with translating_sqlite(self._file.path):
            self._file.db.execute(
                "UPDATE change SET first = (SELECT min(other.path) FROM change AS other WHERE other.ino = change.ino"
                " AND other.device = change.device AND other.device <> 0) WHERE device <> 0 AND want = ?",
                (FILE,),
            )
            self._file.db.execute("UPDATE change SET first = NULL WHERE first = path")

    def regroup(self) -> bool:
        """Part names from a first name that turned out to be another file when it was read; whether there are such.

        Of those that are left over, each file's first name is to be brought.
        """
        planned = f"state = {PLANNED} AND want = {FILE} AND device <> 0"
        with translating_sqlite(self._file.path):
            parted = self._file.db.execute(
                f"UPDATE change SET first = NULL WHERE {planned} AND first IS NOT NULL AND EXISTS (SELECT 1 FROM change"
                f" AS other WHERE other.path = change.first AND other.state = {DONE} AND other.ino <> change.ino)"
            ).rowcount
            if parted:
                self._file.db.execute(
                    "UPDATE change SET first ="
                    " (SELECT min(other.path) FROM change AS other WHERE other.ino = change.ino"
                    f" AND other.device = change.device AND other.state = {PLANNED}) WHERE {planned} AND first IS NULL"
                )
                self._file.db.execute("UPDATE change SET first = NULL WHERE first = path")
        return parted > 0

    def first_name_of(self, change: PlannedChange) -> bytes:
        """The first of the names that are, as far as they were read, one file with this; empty if it is the first."""
        assert change.numbers is not None
        row = self._file.one(
            "SELECT min(path) FROM change WHERE ino=? AND device=?", (change.numbers[INODE], change.device)
        )
        first = row[0] if row is not None else None
        return first if first is not None and first < change.path else b""
