"""The open layout's far folder as a run sees it: carries out the keeping scripts and proves listings.

Implements `copying.ports.Keeper`. Holds the listing key, never shows it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from otherroof.base.errors import HomeTrouble
from otherroof.far.place import Place, run_script, run_scripts
from otherroof.far.requests import Script
from otherroof.far_copy.listing import Header, ListingPart, check_listing, entry_lines, write_listing
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.ports import FarCopyView
from otherroof.far_copy.state import CopyState
from otherroof.layouts.open.job_folder import OpenJobFolder
from otherroof.layouts.open.paths import UNDER_WAY_END
from otherroof.layouts.open.writer import OpenWriter


@dataclass(frozen=True, slots=True)
class HomeIdentity:
    """This home: its name, its listing key, and a local scratch folder for listings being sent or fetched."""

    name: str
    key: ListingKey
    scratch: str


@dataclass(frozen=True, slots=True)
class ExtraScript:
    """A script to run together with the first look, to save a round trip; `heard` is called with its result."""

    script: Script[Any]
    heard: Callable[[Any], None]


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
        self._job = job
        self._home = home
        self._alongside = alongside
        self._only_reading = only_reading
        self._keeping = OpenJobFolder(place, job)

    def view(self) -> FarCopyView:
        """See the port."""
        alongside, self._alongside = self._alongside, None
        scripts = self._keeping.survey()
        answers = run_scripts(self.place, [*scripts, alongside.script] if alongside is not None else scripts)
        if alongside is not None:
            alongside.heard(answers.pop())
        view = self._keeping.seen(answers)
        self._keeping.check_mark(view, self.home_id, only_reading=self._only_reading)
        return view

    def layout(self, run: str) -> OpenWriter:
        """See the port."""
        return OpenWriter(self.place, self._job, run)

    def begin(self, run: str, view: FarCopyView) -> None:
        """See the port."""
        if not view.ready:
            run_script(self.place, self._keeping.make_ready(self._home.name, self.home_id))
            view.ready = True
        run_script(self.place, self._keeping.begin(run))

    def lines(self, run: str) -> Iterator[bytes]:
        """See the port."""
        header, path = self.fetch(run)
        try:
            yield from entry_lines(path, f"{self._job}/{header.run}")
        finally:
            os.unlink(path)

    def fetch(self, run: str) -> tuple[Header, str]:
        """The header of `run`'s listing and a local file with its lines, both proved; the caller removes the file."""
        header, path = self._fetch_one(run)
        if header.same_as:
            os.unlink(path)
            _, path = self._fetch_one(header.same_as)
        return header, path

    def _fetch_one(self, run: str) -> tuple[Header, str]:
        path = os.path.join(self._home.scratch, f"{self._job}.{os.getpid()}.listing")
        try:
            run_script(self.place, self._keeping.fetch_listing(run, path))
            return check_listing(path, self._home.key, self._job, run), path
        except BaseException:
            if os.path.exists(path):
                os.unlink(path)
            raise

    def moved_aside(self, run: str) -> Iterator[bytes]:
        """See the port."""
        waiting = [b""]
        while waiting:
            files, folders = run_script(self.place, self._keeping.walk_earlier(run, waiting.pop()))
            yield from files
            waiting += folders

    def held_now(self, path: bytes) -> bytes | None:
        """See the port."""
        return run_script(self.place, self._keeping.held_now(path))

    def commit(self, state: CopyState, blocks: Iterable[ListingPart], taken: str) -> None:
        """See the port."""
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
        path = os.path.join(self._home.scratch, f"{self._job}.{os.getpid()}.outgoing")
        try:
            self._write(path, header, () if same_as else blocks)
            run_script(self.place, self._keeping.commit(state.run, path))
        finally:
            if os.path.exists(path):
                os.unlink(path)

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

    def clear_litter(self, view: FarCopyView, wanted: list[bytes]) -> None:
        """See the port."""
        kept = {self._keeping.paths.part(path).rpartition(b"/")[2] for path in wanted}
        litter = [name for name in view.incoming if name not in kept and not name.endswith(UNDER_WAY_END)]
        for _ in self.place.carry_out(self._keeping.tidy(litter)):
            pass

    def tidy(self, view: FarCopyView, run: str) -> None:
        """See the port."""
        mark = self._keeping.paths.under_way(run).rpartition(b"/")[2]
        for _ in self.place.carry_out(self._keeping.tidy([*view.incoming, mark])):
            pass
