"""Finds, for every path of an old version, the far file that holds it.

A version is put together from what later runs moved aside: the first `earlier/` folder after it that holds the
path, else the newest copy. What the far box says about names is not trusted further than to look there; the digest
decides.
"""

from __future__ import annotations

import os
import sqlite3
from collections import deque
from collections.abc import Iterator

from otherroof.base.sqlite_file import translating_sqlite
from otherroof.far.place import Place, Task
from otherroof.layouts.open.job_folder import OpenJobFolder
from otherroof.layouts.open.paths import JobPaths


class OpenVersionPaths:
    """The far path of every entry of the version that `run` left. `db_path` is a local scratch file."""

    def __init__(self, place: Place, job: str, run: str, db_path: str) -> None:
        self._place = place
        self._keeping = OpenJobFolder(place, job)
        self._paths = JobPaths(job)
        self._run = run
        self._path = db_path
        with translating_sqlite(db_path):
            self._db = sqlite3.connect(db_path, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = OFF")
            self._db.execute("PRAGMA synchronous = OFF")
            self._db.execute("CREATE TABLE aside (path BLOB PRIMARY KEY, run TEXT NOT NULL) WITHOUT ROWID")

    def look(self, earlier: list[str]) -> None:
        """Walk what the runs in `earlier` moved aside, as far as they came after this version."""
        for run in sorted(earlier):
            if run > self._run:
                self._walk(run)

    def far_path(self, path: bytes) -> bytes:
        """Where this version's file at `path` lies now."""
        with translating_sqlite(self._path):
            row = self._db.execute("SELECT run FROM aside WHERE path=?", (path,)).fetchone()
        return self._paths.earlier(path, row[0]) if row else self._paths.latest(path)

    def close(self) -> None:
        """Remove the scratch file."""
        self._db.close()
        os.unlink(self._path)

    def _walk(self, run: str) -> None:
        waiting = deque([b""])
        under_way = 0

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
            if done.error is not None:
                raise done.error
            files, folders = done.value or ([], [])
            waiting.extend(folders)
            self._note(run, files)

    def _note(self, run: str, files: list[bytes]) -> None:
        with translating_sqlite(self._path):
            self._db.executemany(
                "INSERT OR IGNORE INTO aside (path, run) VALUES (?, ?)", ((path, run) for path in files)
            )
