"""The file at home in which the states of all known versions lie, and what can be asked of it.

A cache: every line in it was proved as part of a listing, and it can be made anew from those. It must not know the far
box, nor who vouches for the file: that is `index_store`'s affair.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from otherroof.base.clock import from_stamp
from otherroof.restore.finding.changes import FoundChange, can_move, found_changes, paired
from otherroof.restore.finding.index_db import KINDS, IndexDb
from otherroof.restore.finding.like import Like
from otherroof.restore.finding.states import FileState, IndexedVersion

_STATE = "path, kind, size, mtime_ns, mode, digest, target, mark"
_AT = "first <= :at AND last >= :at"
_NONE = -1  # no version has this number
_AFTER_SLASH = b"0"  # the byte that follows `/`: below a folder lies what is between the two


class IndexFile:
    """An index that is asked. Versions go by the number that `IndexedVersion.holds` has. Closed by whoever opened it.

    Whatever is asked is read as it is needed, never held as a whole. Raises HomeTrouble.
    """

    def __init__(self, path: str) -> None:
        self._db = IndexDb(path)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def versions(self) -> list[IndexedVersion]:
        """Every version that is known here, in order."""
        rows = self._db.rows("SELECT run, taken, files, size, holds FROM versions ORDER BY number")
        return [IndexedVersion(run, from_stamp(taken), files, size, holds) for run, taken, files, size, holds in rows]

    def state_at(self, path: bytes, at: int) -> FileState | None:
        """What the version that `at` is the number of holds at `path`."""
        rows = self._db.rows(f"SELECT {_STATE} FROM states WHERE path = :path AND {_AT}", {"path": path, "at": at})
        return next((_state(row) for row in rows), None)

    def states_of(self, path: bytes) -> list[tuple[int, int, FileState]]:
        """Every state of `path`, with the numbers of its first and last version."""
        rows = self._db.rows(f"SELECT first, last, {_STATE} FROM states WHERE path = ? ORDER BY first", (path,))
        return [(row[0], row[1], _state(row[2:])) for row in rows]

    def below(self, folder: bytes, at: int, like: Like | None = None) -> Iterator[FileState]:
        """All that lies below `folder` (everything, if it is empty) and that the pattern means, in byte order of it."""
        # SQLite passes over most of what is not meant, many times as fast as Python could.
        rough = "CAST(path AS TEXT) LIKE :rough ESCAPE '\\'" if like is not None else "1"
        query = f"SELECT {_STATE} FROM states WHERE {_below(folder)} AND {_AT} AND {rough} ORDER BY path"
        rows = self._db.rows(query, {"at": at, "rough": like.rough if like is not None else "", **_bounds(folder)})
        return (_state(row) for row in rows if like is None or like.matches(row[0]))

    def children(self, folder: bytes, at: int) -> Iterator[FileState]:
        """What lies in `folder` itself, in byte order of the name."""
        length = len(folder) + 1 if folder else 0
        query = (
            f"SELECT {_STATE} FROM states WHERE {_below(folder)} AND {_AT}"
            f" AND instr(substr(path, {length + 1}), x'2f') = 0 ORDER BY path"
        )
        return map(_state, self._db.rows(query, {"at": at, **_bounds(folder)}))

    def totals(self, folder: bytes, at: int) -> tuple[int, int]:
        """How many files and links lie below `folder`, and their bytes."""
        query = (
            f"SELECT count(*), coalesce(sum(size), 0) FROM states WHERE {_below(folder)} AND {_AT}"
            f" AND kind != {KINDS.index('folder')}"
        )
        ((files, size),) = self._db.rows(query, {"at": at, **_bounds(folder)})
        return files, size

    def changes(self, old: int | None, new: int) -> Iterator[FoundChange]:
        """What differs between the versions with these numbers, by path; without an old one, all came."""
        before = _NONE if old is None else old
        self._find_moves(before, new)
        return found_changes(self._pairs(before, new), partial(self._moved_from, before), self._has_moved)

    def _pairs(self, old: int, new: int) -> Iterator[tuple[FileState | None, FileState | None]]:
        # Only what is in one of them alone: a million files that stayed as they were never leave SQLite.
        here, not_there = "first <= {0} AND last >= {0}", "NOT (first <= {1} AND last >= {1})"
        query = f"SELECT {_STATE} FROM states WHERE {here} AND {not_there} ORDER BY path"
        return paired(
            map(_state, self._db.rows(query.format(old, new))), map(_state, self._db.rows(query.format(new, old)))
        )

    def _find_moves(self, old: int, new: int) -> None:
        """Put what went and came with the same content side by side, in the order of the paths."""
        for name in ("moves", "went", "came"):
            self._db.do(f"DROP TABLE IF EXISTS temp.{name}")
        self._db.do("CREATE TEMP TABLE went (digest BLOB, path BLOB)")
        self._db.do("CREATE TEMP TABLE came (digest BLOB, path BLOB)")
        for before, after in self._pairs(old, new):
            if before is None and after is not None and can_move(after):
                self._db.do("INSERT INTO temp.came VALUES (?, ?)", (after.digest, after.path))
            elif after is None and before is not None and can_move(before):
                self._db.do("INSERT INTO temp.went VALUES (?, ?)", (before.digest, before.path))
        self._db.do("CREATE TEMP TABLE moves (old BLOB PRIMARY KEY, new BLOB) WITHOUT ROWID")
        ranked = "SELECT digest, path, row_number() OVER (PARTITION BY digest ORDER BY path) AS rank FROM temp.{}"
        self._db.do(
            f"INSERT INTO temp.moves SELECT w.path, c.path FROM ({ranked.format('went')}) w"
            f" JOIN ({ranked.format('came')}) c ON w.digest = c.digest AND w.rank = c.rank"
        )
        self._db.do("CREATE INDEX temp.moves_new ON moves (new)")

    def _moved_from(self, at: int, path: bytes) -> FileState | None:
        sources = self._db.rows("SELECT old FROM temp.moves WHERE new = ?", (path,))
        return next((self.state_at(old, at) for (old,) in sources), None)

    def _has_moved(self, path: bytes) -> bool:
        return next(self._db.rows("SELECT 1 FROM temp.moves WHERE old = ?", (path,)), None) is not None


def _state(row: Any) -> FileState:
    path, kind, size, mtime_ns, mode, digest, target, mark = row
    return FileState(path, KINDS[kind], size, mtime_ns, mode, digest, target, mark)


def _below(folder: bytes) -> str:
    return "path > :begin AND path < :end" if folder else "1"


def _bounds(folder: bytes) -> dict[str, bytes]:
    return {"begin": folder + b"/", "end": folder + _AFTER_SLASH} if folder else {}
