"""The open layout as a version is read back: finds the far file that holds each of its files, and reads that.

A version is put together from what later runs moved aside: the first `earlier/` folder after it that holds the
path, else the newest copy. What the far box says about names is not trusted further than to look there; the digest
decides, and is asked elsewhere.

A run may go on meanwhile, or an older version may be taken out. Only folders that neither of them touches are settled,
and walked once; the others are walked at each look.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import suppress

from otherroof.base.errors import PlaceError
from otherroof.base.sqlite_file import translating_sqlite
from otherroof.far import requests
from otherroof.far.place import Place
from otherroof.far.requests import Attrs, BytesSink, Mode, Script, Sink
from otherroof.far_copy.entry import Entry, path_text
from otherroof.far_copy.listing import Header, entries
from otherroof.far_copy.reader import FarLocation
from otherroof.far_copy.view import FarCopyView
from otherroof.layouts.open import steps
from otherroof.layouts.open.paths import JobPaths
from otherroof.layouts.open.walk import walk_aside

ASIDE_END = ".aside.db"
MOST_UNLISTED = 1000  # folders that are told of
# The same path may be met in several runs, in any order: the first run after this version is the one that had it.
NOTE = "INSERT INTO {} (path, run) VALUES (?, ?) ON CONFLICT DO UPDATE SET run = min(run, excluded.run)"
# The lowest run id is the earliest run: ids begin with the time in UTC.
FIRST_RUN = (
    "SELECT min(run) FROM (SELECT run FROM settled WHERE path=? UNION ALL SELECT run FROM unsettled WHERE path=?)"
)


class OpenReader:
    """See the port. `view` looks at the far copy anew; `lines_path` is a local file with the version's proved lines,
    which goes with the reader."""

    def __init__(
        self, place: Place, paths: JobPaths, view: Callable[[], FarCopyView], header: Header, lines_path: str
    ) -> None:
        self.place = place
        self.header = header
        self._paths = paths
        self._view = view
        self._lines_path = lines_path
        self._aside_path = lines_path + ASIDE_END
        self._settled: set[str] = set()
        self.unlisted: dict[str, str] = {}
        with translating_sqlite(self._aside_path):
            self._db = sqlite3.connect(self._aside_path, isolation_level=None)
            # It dies with the reader, so nothing in it has to survive a crash, and what is noted is never committed:
            # else each single row would be a change of the file.
            self._db.execute("PRAGMA journal_mode = OFF")
            self._db.execute("PRAGMA synchronous = OFF")
            self._db.execute("BEGIN IMMEDIATE")
        self._make_tables("settled", "unsettled")

    def entries(self) -> Iterator[Entry]:
        """See the port."""
        return entries(self._lines_path, f"{self.header.job}/{self.header.run}")

    def look(self, view: FarCopyView) -> bool:
        """See the port."""
        # `settled` has the paths of folders that cannot change any more; they are walked once. `unsettled` has those of
        # all the others, as of the last look; they are walked each time into `fresh`, which then takes their place. If
        # `fresh` and `unsettled` differ, something was moved between the looks.
        later = sorted(run for run in view.earlier if run > self.header.run)
        settled = _settled(later, view.runs)
        if not self._settled <= settled:  # a version is being taken out: what lay in its folder may be in a later one
            self._settled.clear()
            self._make_tables("settled")
        self._make_tables("fresh")
        newly = settled - self._settled
        again = [run for run in later if run not in self._settled]
        for folder in walk_aside(self.place, self._paths, again, self._note_unlisted):
            note = NOTE.format("settled" if folder.run in newly else "fresh")
            with translating_sqlite(self._aside_path):
                self._db.executemany(note, ((path, folder.run) for path in folder.files))
        # Only after the walk has come to its end: one that was broken off is walked again at the next look.
        self._settled |= newly
        with translating_sqlite(self._aside_path):
            changed = self._differ("fresh", "unsettled") or self._differ("unsettled", "fresh")
            self._db.execute("DROP TABLE unsettled")
            self._db.execute("ALTER TABLE fresh RENAME TO unsettled")
        return bool(newly) or changed

    def _note_unlisted(self, run: str, folder: bytes, why: PlaceError) -> None:
        # Gone on without: what lies in it is looked for where it would be if this run had moved nothing, and the digest
        # decides. One unreadable folder must not bar every file of every older version.
        if len(self.unlisted) < MOST_UNLISTED:
            self.unlisted[path_text(self._paths.earlier(folder, run).rstrip(b"/"))] = why.what

    def look_again(self) -> bool:
        """See the port."""
        view = self._view()
        changed = self.look(view)
        # A file can also be moved back, between two looks that then show the same.
        return changed or any(run > self.header.run and run not in view.runs for run in view.under_way)

    def _make_tables(self, *names: str) -> None:
        with translating_sqlite(self._aside_path):
            for name in names:
                self._db.execute(f"DROP TABLE IF EXISTS {name}")
                self._db.execute(f"CREATE TABLE {name} (path BLOB PRIMARY KEY, run TEXT NOT NULL) WITHOUT ROWID")

    def _differ(self, left: str, right: str) -> bool:
        query = f"SELECT EXISTS (SELECT path, run FROM {left} EXCEPT SELECT path, run FROM {right})"
        return bool(self._db.execute(query).fetchone()[0])

    def read_whole(self, entry: Entry) -> Script[bytes]:
        """See the port."""
        return _whole(self._far_path(entry.path), entry.size)

    def read_range(self, entry: Entry, offset: int, length: int, sink: Sink) -> Script[None]:
        """See the port."""
        return _range(self._far_path(entry.path), entry.size, offset, length, sink)

    def lies_at(self, path: bytes) -> FarLocation:
        """See the port."""
        with translating_sqlite(self._aside_path):
            (run,) = self._db.execute(FIRST_RUN, (path, path)).fetchone()
        path = self._paths.earlier(path, run) if run else self._paths.latest(path)
        return FarLocation(self._paths.below(path), run or "")

    def _far_path(self, path: bytes) -> bytes:
        """Where this version's file at `path` lies now.

        Asked when a script is made, not in it: scripts run in a place's own threads, and sqlite3 lets only the thread
        that opened this database use it.
        """
        return self._paths.at(self.lies_at(path).name)

    def close(self) -> None:
        """See the port."""
        self._db.close()
        for path in (self._aside_path, self._lines_path):
            with suppress(OSError):  # litter at worst: these names are never used again
                os.unlink(path)


def _settled(later: list[str], counting: list[str]) -> set[str]:
    """Which of these runs have a folder that stays as it is, as far as can be seen.

    One without a listing is still being written, or taken out; of the latter, the next one gets what is still needed.
    """
    known = set(counting)
    settled: set[str] = set()
    counted = True  # before the first of them is the version itself, or a run that left nothing aside
    for run in later:
        if counted and run in known:
            settled.add(run)
        counted = run in known
    return settled


def _whole(path: bytes, size: int) -> Script[bytes]:
    handle = yield requests.OpenFile(path, Mode.READ)
    sink = BytesSink()
    stream = requests.ReadStream(handle, 0, size + 1, sink)  # one byte more tells a file that has grown
    yield from steps.ask_or_close(stream, requests.LetGo(handle))
    yield requests.LetGo(handle)
    data = sink.data
    if len(data) != size:
        raise PlaceError(f"it has {'more than ' if len(data) > size else ''}{min(len(data), size)} bytes, not {size}")
    return data


def _range(path: bytes, size: int, offset: int, length: int, sink: Sink) -> Script[None]:
    # Nothing is fetched of a file of another size: it is the wrong one or a damaged one, and may be a very large one.
    handle = yield requests.OpenFile(path, Mode.READ)
    attrs: Attrs = yield from steps.ask_or_close(requests.StatOpen(handle), requests.LetGo(handle))
    if attrs.size == size:
        yield from steps.ask_or_close(requests.ReadStream(handle, offset, length, sink), requests.LetGo(handle))
    yield requests.LetGo(handle)
    if attrs.size != size:
        raise PlaceError(f"it has {attrs.size} bytes, not {size}")
