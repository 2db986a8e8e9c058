"""The open layout's far copy as a whole: carries out the scripts on the job's folder, and proves listings.

Holds the listing key, never shows it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from otherroof.base.errors import Damaged, HomeTrouble, OtherroofError
from otherroof.far.place import Place, Task, run_script, run_scripts
from otherroof.far.requests import Script
from otherroof.far_copy.keeper import ExtraScript, FarNow, HomeIdentity, RunMark, scratch_name
from otherroof.far_copy.listing import Header, ListingPart, check_listing, entry_lines, write_listing
from otherroof.far_copy.state import CopyState
from otherroof.far_copy.view import FarCopyView
from otherroof.layouts.open.job_folder import OpenJobFolder
from otherroof.layouts.open.mender import OpenMender
from otherroof.layouts.open.paths import DAMAGED_END, RUNS, UNDER_WAY_END, JobPaths
from otherroof.layouts.open.reader import OpenReader
from otherroof.layouts.open.remover import OpenRemover
from otherroof.layouts.open.steps import UNKNOWN_DISK, list_names
from otherroof.layouts.open.version_notes import MOST_NAMES, path_of, read_notes
from otherroof.layouts.open.walk import NEWEST, walk_aside
from otherroof.layouts.open.writer import OpenWriter

ODD_LINE = 4096  # bytes; an ordinary entry has 250
HEADER_WEIGHT = 128 * 1024  # bytes
# What a cut run moved aside is held in memory by whoever asks: paths of more than a million files.
MOST_MOVED = 256 * 1024 * 1024  # bytes


@dataclass(frozen=True, slots=True)
class FetchedListing:
    """See the port of a proved listing."""

    header: Header
    lines: Callable[[], Iterator[bytes]]


class OpenKeeper:
    """See the port. `alongside` runs with the first `view`. `only_reading`: the far folder need not be complete."""

    def __init__(
        self,
        place: Place,
        job: str,
        home: HomeIdentity,
        alongside: ExtraScript | None = None,
        *,
        only_reading: bool = False,
    ) -> None:
        self.place = place
        self.home_id = home.key.home_id
        self.server = home.server
        self._job = job
        self._home = home
        self._disk = UNKNOWN_DISK  # until a run begins
        self._alongside = alongside
        self._only_reading = only_reading
        self._paths = JobPaths(job)
        self._folder = OpenJobFolder(place, self._paths)

    def view(self) -> FarCopyView:
        """See the port."""
        alongside, self._alongside = self._alongside, None
        # The questions do not depend on each other, so all of them, and the trial file's, share the round trips.
        scripts = self._folder.survey()
        answers = run_scripts(self.place, [*scripts, alongside.script] if alongside is not None else scripts)
        if alongside is not None:
            alongside.heard(answers.pop())
        view = self._folder.seen(answers)
        self._folder.check_mark(view, self.home_id, only_reading=self._only_reading)
        return view

    def writer(self, run: str) -> OpenWriter:
        """See the port."""
        return OpenWriter(self.place, self._job, run, self._home.server, self._disk)

    def reader(self, run: str) -> OpenReader:
        """See the port."""
        header, path = self._fetch(run)
        try:
            return OpenReader(self.place, self._paths, self.view, header, path)
        except BaseException:
            os.unlink(path)
            raise

    def remover(self) -> OpenRemover:
        """See the port."""
        return OpenRemover(self.place, self._paths, self._home.key)

    def mender(self) -> OpenMender:
        """See the port."""
        return OpenMender(self.place, self._paths)

    def listing_name(self, run: str) -> bytes:
        """See the port."""
        return self._paths.below(self._paths.listing(run))

    def prove_listing(self, run: str) -> Header:
        """See the port."""
        header, path = self._fetch_listing(run)
        os.unlink(path)
        return header

    def far_names(self, view: FarCopyView) -> Iterator[bytes]:
        """See the port."""
        for found in walk_aside(self.place, self._paths, [NEWEST, *view.earlier]):
            for path in found.files:
                yield self._paths.below(self._paths.earlier(path, found.run) if found.run else self._paths.latest(path))
        key = self._home.key
        notes = run_script(self.place, read_notes(self._paths, key))
        own = {path_of(self._paths, key, note.kind, note.run, note.at) for note in notes}
        for name, _ in run_script(self.place, list_names(self._paths.at(RUNS), MOST_NAMES)) or ():
            if (path := self._paths.at(RUNS, name)) not in own:
                yield self._paths.below(path)

    def headers(self, runs: Iterable[str]) -> dict[str, Header | OtherroofError]:
        """See the port."""
        found: dict[str, Header | OtherroofError] = {}
        # With a weight, because a header may be long: so not all of them are held at once while they come.
        for result in self.place.carry_out(Task(run, self._folder.header(run), HEADER_WEIGHT) for run in runs):
            answer = result.value or result.error
            assert answer is not None
            # Without the folder's own entry, of which nothing is shown: there may be very many versions.
            found[result.key] = replace(answer, top={}) if isinstance(answer, Header) else answer
        return found

    def begin(self, run: str, view: FarCopyView) -> None:
        """See the port."""
        scripts: list[Script[Any]] = [self._folder.begin(run, self._home.server)]
        if not view.ready:
            note = run_script(self.place, self._folder.make_ready(run, noted=bool(view.mark)))
            if note is not None:
                scripts.append(self._folder.write_note(run, note, self._home.name, self.home_id))
        self._disk, *_ = run_scripts(self.place, scripts)
        view.ready = True

    def marks(self) -> list[RunMark]:
        """See the port."""
        return run_script(self.place, self._folder.marks())

    def look_around(self, run: str) -> FarNow:
        """See the port."""
        return self._now(run_script(self.place, self._folder.look_around(run, self._home.server)))

    def _now(self, found: tuple[str, list[RunMark], str]) -> FarNow:
        mark, marks, newest = found
        self._folder.check_mark(FarCopyView(mark=mark), self.home_id, only_reading=self._only_reading)
        return FarNow(marks, newest)

    def take_back_begin(self, run: str) -> None:
        """See the port."""
        run_script(self.place, self._folder.take_back_begin(run))

    @contextmanager
    def listing(self, run: str) -> Iterator[FetchedListing]:
        """See the port."""
        header, path = self._fetch_listing(run)
        try:
            if header.same_as:
                yield FetchedListing(header, partial(self.lines, header.same_as))
            else:
                yield FetchedListing(header, partial(entry_lines, path, f"{self._job}/{run}"))
        finally:
            os.unlink(path)

    def lines(self, run: str) -> Iterator[bytes]:
        """See the port."""
        header, path = self._fetch(run)
        try:
            yield from entry_lines(path, f"{self._job}/{header.run}")
        finally:
            os.unlink(path)

    def _fetch(self, run: str) -> tuple[Header, str]:
        """The header of `run`'s listing and a local file with its lines, both proved; the caller removes the file."""
        header, path = self._fetch_listing(run)
        # One step is enough: a run that changes nothing names the run whose listing has the lines, never another such
        # run. That listing is proved by itself; that it is the right one is proved by the header, which names it under
        # its keyed digest.
        if header.same_as:
            os.unlink(path)
            _, path = self._fetch_listing(header.same_as)
        return header, path

    def _fetch_listing(self, run: str) -> tuple[Header, str]:
        path = self._scratch_file(".listing")
        try:
            run_script(self.place, self._folder.fetch_listing(run, path))
            return check_listing(path, self._home.key, self._job, run), path
        except BaseException:
            with suppress(FileNotFoundError):
                os.unlink(path)
            raise

    def _scratch_file(self, end: str) -> str:
        return os.path.join(self._home.scratch, scratch_name(self._job, end))

    def moved_aside(self, run: str) -> Iterator[bytes]:
        """See the port."""
        for folder in walk_aside(self.place, self._paths, [run], most=MOST_MOVED):
            yield from folder.files

    def held_now(self, path: bytes) -> bytes | None:
        """See the port."""
        return run_script(self.place, self._folder.held_now(path))

    def commit(
        self, state: CopyState, blocks: Iterable[ListingPart], taken: str, check: Callable[[FarNow], None]
    ) -> None:
        """See the port."""
        # Written whole in a local file first, because its digest comes last and its size must be known to check what
        # arrived.
        same_as = state.whole_run if state.whole_run != state.run else ""
        header = Header(
            job=self._job,
            run=state.run,
            home=self._home.name,
            home_id=self.home_id,
            taken=taken,
            layout="open",
            files=state.files,
            size=state.size,
            top=json.loads(state.top) if state.top else {},
            same_as=same_as,
        )
        path = self._scratch_file(".outgoing")
        try:
            self._write(path, header, () if same_as else blocks)
            self._read_back(path, state.run)
            look = self._folder.look_around(state.run, self._home.server)
            found, _ = run_scripts(self.place, [look, self._folder.send_listing(state.run, path)])
            check(self._now(found))
            run_script(self.place, self._folder.commit(state.run, os.path.getsize(path)))
        finally:
            with suppress(FileNotFoundError):
                os.unlink(path)

    def hold_listing(self, run: str) -> None:
        """See the port."""
        run_script(self.place, self._folder.hold_listing(run))

    def _write(self, path: str, header: Header, blocks: Iterable[ListingPart]) -> None:
        try:
            os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
            write_listing(path, header, blocks, self._home.key)
        except OSError as problem:
            raise HomeTrouble(
                f"the listing cannot be written here before it is sent: {problem.strerror}",
                where=path,
                advice="make room on this disk; what was sent is kept and used by the next run",
            ) from problem

    def _read_back(self, path: str, run: str) -> None:
        """Prove the new listing by the code that will read it on the day of need, before it can count."""
        # From this disk and not from the far one: what arrives is what was sent (SSH sees to it), so only a mistake
        # made here can spoil it, and the line has no room for tens of megabytes each way. Short lines are not parsed,
        # which would cost eight seconds for a million: it is attributes, holes and long names that make a line odd.
        try:
            check_listing(path, self._home.key, self._job, run, parse_from=ODD_LINE)
        except Damaged as problem:
            raise HomeTrouble(
                f"the new listing could not be read back ({problem.what}), so this run does not count",
                where=self._job,
                advice="look at this machine's memory and disk; if it comes again, report this line",
            ) from problem

    def clear_litter(self, view: FarCopyView, wanted: list[bytes]) -> None:
        """See the port."""
        kept = {self._paths.part(path).rpartition(b"/")[2] for path in wanted}
        # The marks of other runs stay: that these were cut is known by their marks until a run counts again.
        # A damaged file waits for the whole one that takes its place; whoever mends it removes it.
        left = (UNDER_WAY_END, DAMAGED_END)
        litter = [name for name in view.incoming if name not in kept and not name.endswith(left)]
        for _ in self.place.carry_out(self._folder.tidy(litter)):
            pass

    def tidy(self, view: FarCopyView, run: str) -> None:
        """See the port."""
        # After the commit. What a crash leaves of it harms nothing: a mark of a run that has a listing says no more.
        mark = self._paths.under_way(run).rpartition(b"/")[2]
        litter = [name for name in view.incoming if not name.endswith(DAMAGED_END)]
        for _ in self.place.carry_out(self._folder.tidy([*litter, mark])):
            pass
