"""Brings a version back: whole or in part, many files at once, every digest checked before it counts.

    V1  the listing of the version is fetched and proved
    V2  where each of its files lies now is found out
    V3  folders are made
    V4  files are fetched, checked and given their properties; what this copy lacks is asked of the folder's others
    V5  further names and symbolic links are made
    V6  folders get their properties, the deepest first

A file that is damaged or missing at the far end, or whose path is taken here, is named in the report, and the rest
comes back all the same. If a run goes on at the same time, V2 and V4 take turns: see `missed_files`.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass

from otherroof.base.errors import HomeTrouble, OtherroofError, PlaceError
from otherroof.copying.home.read import DIGEST_SIZE
from otherroof.copying.report import Problem
from otherroof.far.place import Task, TaskResult
from otherroof.far_copy.entry import Entry, parse_line, path_text
from otherroof.far_copy.reader import Reader
from otherroof.restore.elsewhere import (
    BARS_A_SOURCE,
    ContentSource,
    OtherSources,
    OtherVersion,
    no_others,
    source_after,
)
from otherroof.restore.local_file import FULL_ADVICE, RangeSink, digest_of_handle, ranges_of, write_with_holes
from otherroof.restore.missed_files import MissedFiles
from otherroof.restore.progress import RestoreProgress
from otherroof.restore.selection import FromElsewhere, RestoreReport, Selection
from otherroof.restore.survey import survey
from otherroof.restore.target import OTHER_DISK, CannotRestoreHere, NoHardLink, TargetFolder

SMALL = 1024 * 1024  # bytes; larger files are written as they come, in ranges side by side
# Enough for each of four connections to have several. What waits behind them are files that are open already.
RANGES_UNDER_WAY = 16
OTHER_CONTENT = "its content is not what the listing says"


@dataclass(slots=True, eq=False)
class _LargeFile:
    """A large file on its way in."""

    entry: Entry
    handle: int
    name: bytes
    left: int = 0
    failure: OtherroofError | None = None


@dataclass(slots=True, eq=False)
class _FileToRestore:
    entry: Entry
    large: _LargeFile | None = None


_Fetch = Task[_FileToRestore, bytes | None]  # a small file answers its content, a range of a large one nothing


class Restorer:
    """Brings one version into one target. The reader has looked where its files lie. `others` gives, one after the
    other, where else the content of lost entries may be had."""

    def __init__(
        self, reader: Reader, target: TargetFolder, progress: RestoreProgress, others: OtherSources = no_others
    ) -> None:
        self._reader = reader
        self._source: ContentSource = reader
        self._others = others
        self._target = target
        self._progress = progress
        self._report = RestoreReport(reader.header)
        self._missed = MissedFiles()
        self._again: deque[Entry] = deque()
        self._lost: dict[bytes, tuple[Entry, str]] = {}  # what no far box that was asked so far has whole, and why
        self._outstanding: set[bytes] = set()  # what another copy was asked for and has not given yet
        self._failed: set[bytes] = set()
        self._barred: set[bytes] = set()  # something here stands in their way
        self._on_the_way: set[bytes] = set()  # folders made only to hold what is wanted
        self._ranges: deque[_Fetch] = deque()
        self._open: set[_LargeFile] = set()
        self._under_way = 0
        self._large_under_way = 0

    def restore(self, wanted: Selection, tick: Callable[[], None]) -> RestoreReport:
        """V3 to V6. Raises HomeTrouble if this machine cannot take it, LinkLost if the way broke."""
        wanted = wanted.among(self._reader.entries())
        firsts = survey(self._reader, self._target, wanted, self._progress)
        self._make_folders(wanted)
        try:
            self._fetch_all(self._files_to_come(wanted, firsts), tick)
            self._fetch_elsewhere(tick)
        finally:
            self._drop_open()
        self._make_names(wanted, firsts)
        self._finish_folders(wanted)
        self._report.problems += [Problem(path_text(path), why) for path, why in self._target.notes.attributes]
        self._report.problems += [
            Problem("", f"{folder} of the copy cannot be looked into ({why}); what lies there may be missing")
            for folder, why in self._reader.unlisted.items()
        ]
        return self._report

    def _make_folders(self, wanted: Selection) -> None:
        for entry in self._reader.entries():
            if entry.kind != "folder" or self._is_barred(entry.path):
                continue
            if wanted.has(entry.path) or wanted.leads_to(entry.path):
                with self._unless_barred(entry.path):
                    if self._target.make_folder(entry) and not wanted.has(entry.path):
                        self._on_the_way.add(entry.path)
                    self._report.folders += 1

    @contextmanager
    def _unless_barred(self, path: bytes) -> Iterator[None]:
        """Context manager: if something stands in the way of `path`, note it and skip `path` with all below it."""
        try:
            yield
        except CannotRestoreHere as problem:
            self._barred.add(path)
            self._report.problems.append(
                Problem(path_text(path), f"did not come back: {problem.what}; {problem.advice}")
            )

    def _is_barred(self, path: bytes) -> bool:
        if not self._barred:
            return False
        parts = path.split(b"/")
        return any(b"/".join(parts[:count]) in self._barred for count in range(1, len(parts) + 1))

    # -- V4 --

    def _fetch_all(self, files: Iterator[Entry], tick: Callable[[], None]) -> None:
        """Fetch every file; whenever too many were missed, end what is under way, look again, and go on."""
        while True:
            # A look walks the far folders, which takes the place for itself: so what is under way ends first.
            # Ends the channels before local files are closed: one still at work would write into a reused file number.
            with closing(self._source.place.carry_out(self._tasks(files), tick)) as results:
                for result in results:
                    self._arrived(result)
            if not self._missed:
                return
            # Asked after all fetches have ended, so that whatever a run moved before any of them is seen.
            again, damaged = self._missed.settle(found_newer=self._source.look_again())
            self._again.extend(again)
            for entry, why in damaged:
                self._lost.setdefault(entry.path, (entry, why))

    def _fetch_elsewhere(self, tick: Callable[[], None]) -> None:
        """Ask the other copies in turn for what this one does not have whole; what none of them has is damaged."""
        if not self._lost:
            return
        with closing(self._others([entry for entry, _ in self._lost.values()])) as sources:
            source = source_after(sources)
            while source is not None and self._lost:
                self._source = source
                source = source_after(sources, self._fetch_lost(source, tick))
        for entry, why in self._lost.values():
            self._failed.add(entry.path)
            self._report.damaged.append(Problem(path_text(entry.path), why))

    def _fetch_lost(self, source: OtherVersion, tick: Callable[[], None]) -> OtherroofError | None:
        """Fetch what `source` says it has. Gives what ended that in the middle, if something over there did: what had
        come is kept, and all the rest is as it would be without that copy."""
        asked = [entry for entry, _ in self._lost.values() if source.has(entry)]
        whys = {entry.path: self._lost.pop(entry.path)[1] for entry in asked}
        self._outstanding = set(whys)
        trouble = None
        try:
            self._fetch_all(iter(asked), tick)
        except BARS_A_SOURCE as problem:
            trouble = problem
            self._forget_under_way()
        for entry in asked:
            if self._is_barred(entry.path):
                continue
            if entry.path in self._outstanding:
                self._lost[entry.path] = (entry, whys[entry.path])  # what is wrong with it here
            else:
                self._report.elsewhere.append(FromElsewhere(entry.path, whys[entry.path], source.copy))
        return trouble

    def _forget_under_way(self) -> None:
        """Nothing of what a copy was asked for will come any more."""
        self._drop_open()
        self._ranges.clear()
        self._again.clear()
        self._missed = MissedFiles()
        self._under_way = self._large_under_way = 0

    def _drop_open(self) -> None:
        for large in list(self._open):
            with suppress(HomeTrouble):  # what ended the work is told; this file is only litter
                self._drop(large)

    def _files_to_come(self, wanted: Selection, stand_ins: dict[bytes, bytes]) -> Iterator[Entry]:
        for entry in self._reader.entries():
            if entry.kind != "file" or not wanted.has(entry.path):
                continue
            if entry.first and stand_ins.get(entry.first) != entry.path:
                continue
            if self._is_to_come(entry.path):
                yield entry

    def _tasks(self, files: Iterator[Entry]) -> Iterator[_Fetch | None]:
        while not self._missed.look_is_due:
            entry = self._again.popleft() if self._again else next(files, None)
            if entry is None:
                break
            self._progress.path = entry.path
            if entry.size <= SMALL:
                self._under_way += 1
                yield Task(_FileToRestore(entry), self._source.read_whole(entry), entry.size)
            else:
                with self._unless_barred(entry.path):
                    self._begin_large(entry)
                # Handed out before the next file: its handle is open, and an open handle for each large file of a
                # version would be more than a process may have.
                while self._ranges:
                    if self._large_under_way < RANGES_UNDER_WAY:
                        self._large_under_way += 1
                        yield self._ranges.popleft()
                    else:
                        yield None
        # Nothing more to begin. None lets the place wait for what is under way.
        while self._under_way:
            yield None

    def _is_to_come(self, path: bytes) -> bool:
        """Whether `path` will be written: nothing is there, or it may be replaced. Counts what is kept or barred."""
        if self._is_barred(path):
            return False
        with self._unless_barred(path):
            if self._target.stands(path):
                self._report.kept += 1
                return False
            self._target.require_free(path)
            return True
        return False

    def _begin_large(self, entry: Entry) -> None:
        handle, name = self._target.create(entry.path)
        try:
            # The whole size at once, and no content: ranges come in any order, and holes then need not be written.
            os.ftruncate(handle, entry.size)
        except OSError as problem:
            self._target.drop(entry.path, handle, name)
            if problem.errno == errno.EFBIG:
                raise CannotRestoreHere(
                    "is too large for this disk", where=path_text(entry.path), advice=OTHER_DISK
                ) from problem
            raise _cannot_write(entry, problem) from problem
        large = _LargeFile(entry, handle, name)
        self._open.add(large)
        for offset, length in ranges_of(entry.size, entry.holes) or [(0, 0)]:
            # A file that is all hole has no range. It is asked for all the same, so that a missing one is noticed.
            large.left += 1
            self._under_way += 1
            script = self._source.read_range(entry, offset, length, RangeSink(handle, offset))
            self._ranges.append(Task(_FileToRestore(entry, large), script, long_stream=True))

    def _arrived(self, result: TaskResult[_FileToRestore, bytes | None]) -> None:
        self._under_way -= 1
        file = result.key
        if file.large is not None:
            self._range_arrived(file.large, result.error)
        elif result.error is not None:
            self._missing(file.entry, result.error)
        else:
            self._small_arrived(file.entry, result.value or b"")

    def _small_arrived(self, entry: Entry, data: bytes) -> None:
        if hashlib.blake2b(data, digest_size=DIGEST_SIZE).digest() != entry.digest:
            self._miss(entry, OTHER_CONTENT)
            return
        with self._unless_barred(entry.path):
            handle, name = self._target.create(entry.path)
            try:
                write_with_holes(handle, 0, data, entry.holes)
                os.ftruncate(handle, entry.size)
            except OSError as problem:
                self._target.drop(entry.path, handle, name)
                raise _cannot_write(entry, problem) from problem
            self._whole(entry, handle, name)

    def _range_arrived(self, large: _LargeFile, error: OtherroofError | None) -> None:
        self._large_under_way -= 1
        large.left -= 1
        large.failure = large.failure or error
        # The last range decides: before that, another may still be written into this file by its handle.
        if large.left:
            return
        if large.failure is not None:
            self._drop(large)
            self._missing(large.entry, large.failure)
        elif digest_of_handle(large.handle) != large.entry.digest:
            # Read back from this disk: what counts is what lies here, not what went by.
            self._drop(large)
            self._miss(large.entry, OTHER_CONTENT)
        else:
            self._open.discard(large)
            with self._unless_barred(large.entry.path):
                self._whole(large.entry, large.handle, large.name)

    def _drop(self, large: _LargeFile) -> None:
        self._open.discard(large)
        self._target.drop(large.entry.path, large.handle, large.name)

    def _whole(self, entry: Entry, handle: int, name: bytes) -> None:
        self._target.finish_file(entry, handle, name)
        self._outstanding.discard(entry.path)
        self._report.files += 1
        self._report.size += entry.size
        self._progress.files += 1

    def _missing(self, entry: Entry, error: OtherroofError) -> None:
        """The place did not give it. Only its own errors count as that; trouble on this machine ends the restore."""
        # LinkLost does not come this way: a place raises it at once.
        if not isinstance(error, PlaceError):
            raise error
        self._miss(entry, f"cannot be had: {error.what}")

    def _miss(self, entry: Entry, why: str) -> None:
        self._missed.note(entry, why, large=entry.size > SMALL)

    # -- V5, V6 --

    def _make_names(self, wanted: Selection, stand_ins: dict[bytes, bytes]) -> None:
        for entry in self._reader.entries():
            if not wanted.has(entry.path) or self._is_settled(entry, stand_ins):
                continue
            if not self._is_to_come(entry.path):
                continue
            # The name that came as a file: the first one, or its stand-in.
            first = stand_ins.get(entry.first, entry.first)
            if first in self._failed:
                self._report.damaged.append(Problem(path_text(entry.path), f"is another name of {path_text(first)}"))
                continue
            if entry.first and self._is_barred(first):
                self._report.problems.append(Problem(path_text(entry.path), f"is another name of {path_text(first)}"))
                continue
            with self._unless_barred(entry.path):
                if entry.kind == "link":
                    self._target.symlink(entry)
                else:
                    self._link(first, entry)
                self._report.files += 1
                self._progress.files += 1

    def _link(self, first: bytes, entry: Entry) -> None:
        try:
            self._target.link(first, entry.path)
        except NoHardLink as problem:
            self._target.copy(first, entry)
            self._report.problems.append(Problem(path_text(entry.path), f"is a file of its own now: {problem.what}"))

    def _is_settled(self, entry: Entry, stand_ins: dict[bytes, bytes]) -> bool:
        """Whether V3 or V4 dealt with this entry."""
        if entry.kind == "folder":
            return True
        return entry.kind == "file" and (not entry.first or stand_ins.get(entry.first) == entry.path)

    def _finish_folders(self, wanted: Selection) -> None:
        """In reverse order of the path, so that a folder is closed only after all that is below it."""
        folders = [
            entry
            for entry in self._reader.entries()
            if entry.kind == "folder" and (wanted.has(entry.path) or entry.path in self._on_the_way)
        ]
        for entry in reversed(folders):
            if not self._is_barred(entry.path):
                with self._unless_barred(entry.path):
                    self._target.finish_folder(entry)
        # Only if everything was restored into a folder that was empty: else it is the person's own, and stays as it is.
        top = self._reader.header.top
        if top and wanted.is_all and self._target.was_empty:
            self._target.finish_top(parse_line(json.dumps(top).encode(), top=True))


def _cannot_write(entry: Entry, problem: OSError) -> HomeTrouble:
    return HomeTrouble(
        f"cannot be written: {problem.strerror}",
        where=path_text(entry.path),
        advice=FULL_ADVICE,
    )
