"""The notes on content that the far copy holds already, so that it need not be sent.

Found by size before anything is read, and by digest after. Knows the notes' file; what may be done with such content is
decided where it is wanted.
"""

from __future__ import annotations

from collections.abc import Iterable

from otherroof.base.sqlite_file import SQLITE_ERRORS, sqlite_trouble, translating_sqlite
from otherroof.copying.compare.catalogue import AsideContent
from otherroof.copying.compare.change import LARGE, PlannedChange
from otherroof.copying.compare.plan_file import PlanFile
from otherroof.far_copy.numbers import FILE


class HeldContent:
    """Which content stands where. Raises HomeTrouble if the notes cannot be used."""

    def __init__(self, file: PlanFile) -> None:
        self._file = file
        self._knows_content = file.one("SELECT 1 FROM content LIMIT 1", ()) is not None

    def wanted_sizes(self) -> set[int]:
        """The sizes of files that are new or differ."""
        with translating_sqlite(self._file.path):
            rows = self._file.db.execute(
                f"SELECT DISTINCT size FROM change WHERE want = {FILE} AND size > 0 AND NOT doubt"
            )
            return {row[0] for row in rows}

    def note(self, rows: Iterable[AsideContent]) -> None:
        """Files that the far copy holds: in the newest copy, or moved aside by a `run` that was cut."""
        with translating_sqlite(self._file.path):
            found = self._file.db.executemany(
                "INSERT INTO content (digest, path, size, run) VALUES (?, ?, ?, ?)", rows
            ).rowcount
        self._knows_content = self._knows_content or found > 0

    def may_be_there(self, change: PlannedChange) -> bool:
        """Whether the far copy holds, or this run sends, another file of this size."""
        there = self._file.one(
            "SELECT 1 FROM content WHERE size=? AND (path<>? OR run<>'') LIMIT 1", (change.size, change.path)
        )
        if there is None and change.size > LARGE:
            there = self._file.one(
                f"SELECT 1 FROM change WHERE size=? AND size > {LARGE} AND want={FILE} AND path<>? LIMIT 1",
                (change.size, change.path),
            )
        return there is not None

    def paths_with(self, digest: bytes) -> list[tuple[bytes, str]]:
        """Paths of the far copy that hold, or held when this run began, content with this digest.

        With each the cut run that moved it aside, or nothing.
        """
        query = "SELECT path, '' FROM change WHERE digest=?"
        given: tuple[bytes, ...] = (digest,)
        if self._knows_content:  # else without sorting, which costs more than all the rest
            query += " UNION SELECT path, run FROM content WHERE digest=? ORDER BY 2 DESC"
            given = (digest, digest)
        try:
            return self._file.db.execute(query + " LIMIT 20", given).fetchall()
        except SQLITE_ERRORS as problem:
            raise sqlite_trouble(self._file.path, problem) from problem
