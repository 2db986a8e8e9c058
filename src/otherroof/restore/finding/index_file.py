"""The file at home in which the states of all known versions lie, and what can be asked of it.

A cache: every line in it was proved as part of a listing, and it can be made anew from those. It must not know the far
box, nor who vouches for the file: that is `index_store`'s affair.
"""

from __future__ import annotations

from collections.abc import Iterator

from otherroof.base.clock import from_stamp
from otherroof.restore.finding.changes import FoundChange, found_changes
from otherroof.restore.finding.index_db import KINDS, IndexDb
from otherroof.restore.finding.like import Like
from otherroof.restore.finding.states import FileState, IndexedVersion


def _state_of(table: str) -> str:
    """The columns of a state, in the order of FileState."""
    kinds = " ".join(f"WHEN {number} THEN '{kind}'" for number, kind in enumerate(KINDS))
    return ", ".join(
        f"CASE {table}.kind {kinds} END" if name == "kind" else f"{table}.{name}" for name in FileState._fields
    )


_STATE, _FACTS = _state_of("states"), len(FileState._fields)
_AT = "first <= :at AND last >= :at"
_ONLY_IN_ONE = "s.first <= :this AND s.last >= :this AND NOT (s.first <= :other AND s.last >= :other)"
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
        return next((FileState._make(row) for row in rows), None)

    def states_of(self, path: bytes) -> list[tuple[int, int, FileState]]:
        """Every state of `path`, with the numbers of its first and last version."""
        rows = self._db.rows(f"SELECT first, last, {_STATE} FROM states WHERE path = ? ORDER BY first", (path,))
        return [(row[0], row[1], FileState._make(row[2:])) for row in rows]

    def below(self, folder: bytes, at: int, like: Like | None = None) -> Iterator[FileState]:
        """All that lies below `folder` (everything, if it is empty) and that the pattern means, in byte order of it."""
        # SQLite passes over most of what is not meant, many times as fast as Python could.
        rough = "CAST(path AS TEXT) LIKE :rough ESCAPE '\\'" if like is not None else "1"
        query = f"SELECT {_STATE} FROM states WHERE {_below(folder)} AND {_AT} AND {rough} ORDER BY path"
        rows = self._db.rows(query, {"at": at, "rough": like.rough if like is not None else "", **_bounds(folder)})
        return (FileState._make(row) for row in rows if like is None or like.matches(row[0]))

    def children(self, folder: bytes, at: int) -> Iterator[FileState]:
        """What lies in `folder` itself, in byte order of the name."""
        length = len(folder) + 1 if folder else 0
        query = (
            f"SELECT {_STATE} FROM states WHERE {_below(folder)} AND {_AT}"
            f" AND instr(substr(path, {length + 1}), x'2f') = 0 ORDER BY path"
        )
        return map(FileState._make, self._db.rows(query, {"at": at, **_bounds(folder)}))

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
        if old is None:
            rows = self._db.rows(f"SELECT {_STATE} FROM states WHERE {_AT} ORDER BY path", {"at": new})
            return (FoundChange("came", None, FileState._make(row)) for row in rows)
        self._find_moves(old, new)
        return found_changes(self._went(old, new), self._came(old, new))

    # Only what is in one of the two alone: a million files that stayed as they were never leave SQLite. And one
    # statement for all that is read: one for each file takes ten times as long.

    def _went(self, old: int, new: int) -> Iterator[tuple[FileState, bool]]:
        query = (
            f"SELECT {_state_of('s')}, m.old IS NOT NULL FROM states s LEFT JOIN temp.moves m ON m.old = s.path"
            f" WHERE {_ONLY_IN_ONE} ORDER BY s.path"
        )
        rows = self._db.rows(query, {"this": old, "other": new})
        return ((FileState._make(row[:_FACTS]), bool(row[_FACTS])) for row in rows)

    def _came(self, old: int, new: int) -> Iterator[tuple[FileState, FileState | None]]:
        query = (
            f"SELECT {_state_of('s')}, {_state_of('o')} FROM states s LEFT JOIN temp.moves m ON m.new = s.path"
            " LEFT JOIN states o ON o.path = m.old AND o.first <= :other AND o.last >= :other"
            f" WHERE {_ONLY_IN_ONE} ORDER BY s.path"
        )
        for row in self._db.rows(query, {"this": new, "other": old}):
            source = None if row[_FACTS] is None else FileState._make(row[_FACTS:])
            yield FileState._make(row[:_FACTS]), source

    def _find_moves(self, old: int, new: int) -> None:
        """Put what went and came with the same content side by side, in the order of the paths."""
        for name in ("moves", "went", "came"):
            self._db.do(f"DROP TABLE IF EXISTS temp.{name}")
        self._db.do("CREATE TEMP TABLE moves (old BLOB PRIMARY KEY, new BLOB) WITHOUT ROWID")
        # Empty files are all alike; of what came only that which may be something that went.
        alone = (
            f"SELECT digest, path FROM states s WHERE {_ONLY_IN_ONE} AND kind = {KINDS.index('file')} AND size > 0"
            " AND NOT EXISTS (SELECT 1 FROM states o WHERE o.path = s.path AND o.first <= :other AND o.last >= :other)"
        )
        self._db.do(f"CREATE TEMP TABLE went AS {alone}", {"this": old, "other": new})
        self._db.do("CREATE INDEX temp.went_digest ON went (digest)")
        known = "digest IN (SELECT digest FROM temp.went)"
        self._db.do(f"CREATE TEMP TABLE came AS {alone} AND {known}", {"this": new, "other": old})
        ranked = "SELECT digest, path, row_number() OVER (PARTITION BY digest ORDER BY path) AS rank FROM temp.{}"
        self._db.do(
            f"INSERT INTO temp.moves SELECT w.path, c.path FROM ({ranked.format('went')}) w"
            f" JOIN ({ranked.format('came')}) c ON w.digest = c.digest AND w.rank = c.rank"
        )
        self._db.do("CREATE INDEX temp.moves_new ON moves (new)")


def _below(folder: bytes) -> str:
    return "path > :begin AND path < :end" if folder else "1"


def _bounds(folder: bytes) -> dict[str, bytes]:
    return {"begin": folder + b"/", "end": folder + _AFTER_SLASH} if folder else {}
