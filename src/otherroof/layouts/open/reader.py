"""Finds, for every path of an old version, the far file that holds it.

A version is put together from what later runs moved aside: the first `earlier/` folder after it that holds the
path, else the newest copy. What the far box says about names is not trusted further than to look there; the digest
decides.

A run may go on meanwhile. The folder of a run that counts is settled: it is walked once. What any other run moved aside
may still become more, or be moved back, so those folders are walked at each look.
"""

from __future__ import annotations

import os
import sqlite3
from collections import deque
from collections.abc import Iterator

from otherroof.base.errors import OtherroofError
from otherroof.base.sqlite_file import translating_sqlite
from otherroof.far.place import Task
from otherroof.far_copy.ports import FarCopyView
from otherroof.layouts.open.job_folder import OpenJobFolder
from otherroof.layouts.open.keeper import OpenKeeper
from otherroof.layouts.open.paths import JobPaths

# The same path may be met in several runs: the first one after this version is the one that had it.
NOTE = "INSERT INTO {} (path, run) VALUES (?, ?) ON CONFLICT DO UPDATE SET run = min(run, excluded.run)"
FIRST_RUN = (
    "SELECT min(run) FROM (SELECT run FROM settled WHERE path=? UNION ALL SELECT run FROM unsettled WHERE path=?)"
)


class OpenVersionPaths:
    """The far path of every entry of the version that `run` left. `db_path` is a local scratch file."""

    def __init__(self, keeper: OpenKeeper, job: str, run: str, db_path: str) -> None:
        self._keeper = keeper
        self._place = keeper.place
        self._keeping = OpenJobFolder(keeper.place, job)
        self._paths = JobPaths(job)
        self._run = run
        self._path = db_path
        self._settled: set[str] = set()
        with translating_sqlite(db_path):
            self._db = sqlite3.connect(db_path, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = OFF")
            self._db.execute("PRAGMA synchronous = OFF")
            self._make_tables("settled", "unsettled")

    def look(self, view: FarCopyView) -> bool:
        """Walk what runs moved aside that came after this version; whether anything is otherwise than at the last look.

        Raises what the place raises; what was known before is known as before then.
        """
        later = [run for run in sorted(view.earlier) if run > self._run]
        if not self._settled <= set(later):  # a run's folder went: what lay in it may be found in a later one
            self._settled.clear()
            self._make_tables("settled")
        self._make_tables("fresh")
        newly = [run for run in later if run in view.runs and run not in self._settled]
        for run in newly:
            self._walk(run, "settled")
        for run in later:
            if run not in view.runs:
                self._walk(run, "fresh")
        self._settled.update(newly)
        with translating_sqlite(self._path):
            changed = self._differ("fresh", "unsettled") or self._differ("unsettled", "fresh")
            self._db.execute("DROP TABLE unsettled")
            self._db.execute("ALTER TABLE fresh RENAME TO unsettled")
        return bool(newly) or changed

    def look_again(self) -> bool:
        """See the protocol."""
        view = self._keeper.view()
        changed = self.look(view)
        # A file can also be moved back, between two looks that then show the same.
        return changed or any(run > self._run and run not in view.runs for run in view.under_way)

    def _make_tables(self, *names: str) -> None:
        with translating_sqlite(self._path):
            for name in names:
                self._db.execute(f"DROP TABLE IF EXISTS {name}")
                self._db.execute(f"CREATE TABLE {name} (path BLOB PRIMARY KEY, run TEXT NOT NULL) WITHOUT ROWID")

    def _differ(self, one: str, other: str) -> bool:
        query = f"SELECT EXISTS (SELECT path, run FROM {one} EXCEPT SELECT path, run FROM {other})"
        return bool(self._db.execute(query).fetchone()[0])

    def far_path(self, path: bytes) -> bytes:
        """Where this version's file at `path` lies now."""
        with translating_sqlite(self._path):
            (run,) = self._db.execute(FIRST_RUN, (path, path)).fetchone()
        return self._paths.earlier(path, run) if run else self._paths.latest(path)

    def close(self) -> None:
        """Remove the scratch file."""
        self._db.close()
        os.unlink(self._path)

    def _walk(self, run: str, table: str) -> None:
        waiting = deque([b""])
        under_way = 0
        failure: OtherroofError | None = None

        def tasks() -> Iterator[Task[None, tuple[list[bytes], list[bytes]]] | None]:
            nonlocal under_way
            while waiting or under_way:
                if waiting:
                    under_way += 1
                    yield Task(None, self._keeping.walk_earlier(run, waiting.popleft()))
                else:
                    yield None

        for done in self._place.carry_out(tasks()):
            under_way -= 1
            failure = failure or done.error
            if failure is not None:
                waiting.clear()  # what is under way ends by itself: raised here, it would close the place
                continue
            files, folders = done.value or ([], [])
            waiting.extend(folders)
            with translating_sqlite(self._path):
                self._db.executemany(NOTE.format(table), ((path, run) for path in files))
        if failure is not None:
            raise failure
