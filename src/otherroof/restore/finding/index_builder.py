"""Takes versions into an index, one after the other, in any order.

It must not know where listings come from, nor what is asked of the index later.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import islice
from typing import cast

from otherroof.base.clock import stamp
from otherroof.restore.finding.fold_in import Neighbours, SpanEdit, fold_in
from otherroof.restore.finding.index_db import KINDS, IndexDb
from otherroof.restore.finding.states import FileState, MarkedLine, Span, number_of

_FACTS = ("mark", "kind", "size", "mtime_ns", "mode", "digest", "target")
_PAGE = 2000  # edits


class IndexBuilder:
    """Writes into the index at `path`, which is thrown away if anything here raises: HomeTrouble, or Damaged if a line
    cannot be."""

    def __init__(self, path: str) -> None:
        self._db = IndexDb(path, writing=True)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def take_in(self, run: str, taken: datetime, counts: tuple[int, int], lines: Iterable[MarkedLine]) -> None:
        """Take a version in: `counts` are its files and bytes by its proved header. Raises Damaged if a line cannot be,
        and HomeTrouble; then this file is to be thrown away."""
        number = number_of(run)
        here = Neighbours(self._neighbour("max", "<", number), number, self._neighbour("min", ">", number))
        # Edits wait in a table of their own: what is being read must not change under the reader.
        self._db.do("CREATE TEMP TABLE edits (path BLOB, old INTEGER, first INTEGER, last INTEGER)")
        self._db.do("BEGIN")
        edits = fold_in(self._spans_at(here), lines, here)
        while page := list(islice(edits, _PAGE)):
            self._write_down(page, number)
        self._carry_out_edits()
        self._note_version(run, taken, counts, number)
        self._db.do("COMMIT")
        self._db.do("DROP TABLE edits")

    def take_in_unchanged(self, run: str, taken: datetime, counts: tuple[int, int], holds: int) -> None:
        """Take a version in that holds what the known version with this number does."""
        self._note_version(run, taken, counts, holds)

    def _note_version(self, run: str, taken: datetime, counts: tuple[int, int], holds: int) -> None:
        self._db.do(
            "INSERT OR REPLACE INTO versions VALUES (?, ?, ?, ?, ?, ?)",
            (number_of(run), run, stamp(taken), *counts, holds),
        )

    def _neighbour(self, which: str, side: str, number: int) -> int | None:
        ((found,),) = self._db.rows(f"SELECT {which}(holds) FROM versions WHERE holds {side} ?", (number,))
        return cast("int | None", found)

    def _spans_at(self, here: Neighbours) -> Iterator[Span]:
        wanted = [number for number in (here.before, here.after) if number is not None]
        where = " OR ".join("(first <= ? AND last >= ?)" for _ in wanted) or "0"
        query = f"SELECT path, mark, first, last FROM states WHERE {where} ORDER BY path, first"
        return (Span(*row) for row in self._db.rows(query, tuple(number for one in wanted for number in (one, one))))

    def _write_down(self, edits: list[SpanEdit], number: int) -> None:
        fresh = [edit.fresh.state() for edit in edits if edit.fresh is not None]
        spans = [(edit.path, edit.old.first, new.first, new.last) for edit in edits if edit.old for new in edit.new]
        self._db.do_all("INSERT INTO temp.edits VALUES (?, ?, ?, ?)", spans)
        # Into the table that is being read: the reader passes over what has this number.
        self._db.do_all(
            "INSERT INTO states VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", (_row(one, number) for one in fresh)
        )

    def _carry_out_edits(self) -> None:
        # What was split off is copied first, while its span still has its old beginning and end.
        facts = ", ".join(f"s.{name}" for name in _FACTS)
        one = "s.path = e.path AND s.first = e.old"
        self._db.do(
            f"INSERT INTO states SELECT s.path, e.first, e.last, {facts} FROM temp.edits e JOIN states s ON {one}"
            " WHERE e.first > e.old"
        )
        # Then ends, and last beginnings, by which a span is found.
        for which, when in (("last", "e.first = e.old"), ("first", "e.first < e.old")):
            self._db.do(f"UPDATE states AS s SET {which} = e.{which} FROM temp.edits e WHERE {one} AND {when}")


def _row(one: FileState, number: int) -> tuple[object, ...]:
    facts = (one.mark, KINDS.index(one.kind), one.size, one.mtime_ns, one.mode, one.digest, one.target)
    return (one.path, number, number, *facts)
