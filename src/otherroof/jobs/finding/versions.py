"""What is in the versions of one job, from an index at home that takes in what it lacks from the far copy's listings.

Needs settings and keys, no state at all. The far box is asked each time which versions there are; it is let go of
before anything is told, since a person may read on for hours.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from datetime import datetime

from otherroof.base.errors import Damaged, HomeTrouble, OtherroofError
from otherroof.copying.report import Problem
from otherroof.far_copy.keeper import ProvedListing
from otherroof.far_copy.listing import time_taken
from otherroof.jobs.context import JobContext
from otherroof.jobs.open_job import READ, OpenedJob, open_job
from otherroof.jobs.restore import ChosenVersion, chosen_version, expect
from otherroof.restore.finding.index_builder import IndexBuilder
from otherroof.restore.finding.index_file import IndexFile
from otherroof.restore.finding.index_store import IndexStore
from otherroof.restore.finding.states import IndexedVersion, marked, number_of
from otherroof.restore.progress import RestoreProgress
from otherroof.settings import Settings

FOLDER = "found"  # in the state folder; what is in it can be deleted at any time

# Which versions are wanted of an opened job; raises WrongUse if there are none such.
Choose = Callable[[OpenedJob], list[ChosenVersion]]


def chosen(as_of: str, newest: str = "") -> Choose:
    """The version that this means, a run or a time; empty is the newest."""

    def choose(job: OpenedJob) -> list[ChosenVersion]:
        expect(job, newest)
        return [chosen_version(job, as_of)]

    return choose


def two_versions(earlier: str, later: str, newest: str = "") -> Choose:
    """These two; if no `earlier` one is named, that before the later."""

    def choose(job: OpenedJob) -> list[ChosenVersion]:
        expect(job, newest)
        to = chosen_version(job, later)
        if earlier:
            return [chosen_version(job, earlier), to]
        before = [run for run in job.view.runs if run < to.run]
        return [*(ChosenVersion(run) for run in before[-1:]), to]

    return choose


def every_version(newest: str = "") -> Choose:
    """All that there are."""

    def choose(job: OpenedJob) -> list[ChosenVersion]:
        expect(job, newest)
        last = chosen_version(job, "")  # tells if there is none, or a newer one is missing
        return [*(ChosenVersion(run) for run in job.view.runs if run != last.run), last]

    return choose


@dataclass(slots=True)
class FoundVersions:
    """What was found: the index, and those of the versions asked for that are in it, in order. `problems` has the
    others, and what else a person must know."""

    index: IndexFile
    versions: list[IndexedVersion]
    problems: list[Problem] = field(default_factory=list)
    damaged: bool = False

    def require_all(self) -> None:
        """Raises Damaged if a version that was asked for cannot be proved, as the answer would be a wrong one."""
        if self.damaged:
            first = self.problems[0]
            raise Damaged(first.why, where=first.path, advice="name another version with --from or --to")


@contextmanager
def found_versions(
    settings: Settings, name: str, choose: Choose, context: JobContext[RestoreProgress] | None = None
) -> Iterator[FoundVersions]:
    """The versions of job `name` that `choose` names, to be asked while inside.

    Raises what opening a job does, and Damaged if none of the versions can be proved.
    """
    context = context or JobContext(RestoreProgress())
    with tempfile.TemporaryDirectory(prefix="otherroof-") as spare:
        with open_job(settings, name, context, READ) as job:
            wanted = choose(job)
            filler = _Filler(job, context)
            runs = {one.run for one in wanted}
            try:
                path = filler.filled(IndexStore(os.path.join(settings.state, FOLDER), name, job.key), runs)
            except HomeTrouble:
                # Whoever needs files back must not be stopped by a full disk: then for this once.
                path = filler.filled(IndexStore(spare, name, job.key), runs)
            problems = [Problem(f"{name}/{run}", why) for run, why in filler.flaws.items()]
            problems += [problem for one in wanted for problem in one.problems()]
        index = IndexFile(path)
        try:
            known = {version.run: version for version in index.versions()}
            found = [known[run] for run in sorted(runs) if run in known]
            for one in wanted:
                if one.run in known:
                    one.check_time(name, known[one.run].taken)
            if wanted and not found:
                raise Damaged(next(iter(filler.flaws.values())), where=name, advice="take another version")
            yield FoundVersions(index, found, problems, bool(filler.flaws))
        finally:
            index.close()


class _Filler:
    """Takes the versions that an index lacks into a copy of it, and lets that count."""

    def __init__(self, job: OpenedJob, context: JobContext[RestoreProgress]) -> None:
        self.flaws: dict[str, str] = {}
        self._job = job.name
        self._keeper = job.keeper
        self._context = context

    def filled(self, store: IndexStore, wanted: Iterable[str]) -> str:
        """The path of an index that has these runs, but for those with a flaw."""
        path = store.found()
        while True:
            try:
                return self._filled(store, path, set(wanted) - set(self.flaws))
            except _SpoiltByListing as problem:
                # Its lines were proved and make no sense all the same. What was taken in before it is done again.
                self.flaws[problem.run] = problem.what
                path = store.found()

    def _filled(self, store: IndexStore, path: str, wanted: set[str]) -> str:
        known = _versions_in(path)
        missing = sorted(wanted - set(known))
        if path and not missing:
            return path
        with store.anew(path) as new:
            with closing(IndexBuilder(new)) as builder:
                ended = self._take_in_all(builder, missing, known)
            # Of what was broken off, the versions before are kept: listings of many versions take long to fetch.
            published = store.publish(new)
            if ended is not None:
                raise ended
            return published

    def _take_in_all(
        self, builder: IndexBuilder, missing: list[str], known: dict[str, IndexedVersion]
    ) -> BaseException | None:
        """Take these versions in; what ended it early, between two of them, is the answer."""
        for count, run in enumerate(missing, 1):
            if len(missing) > 1:
                self._context.told(f"{self._job}: reading what each version holds, {count} of {len(missing)}")
            self._context.tick()
            with ExitStack() as stack:
                try:
                    listing = stack.enter_context(self._keeper.listing(run))
                    taken = time_taken(listing.header)
                except Damaged as problem:
                    self.flaws[run] = problem.what
                    continue
                except (OtherroofError, KeyboardInterrupt) as problem:
                    return problem
                self._take_in(builder, listing, taken, known)
        return None

    def _take_in(
        self, builder: IndexBuilder, listing: ProvedListing, taken: datetime, known: dict[str, IndexedVersion]
    ) -> None:
        header = listing.header
        counts = (header.files, header.size)
        same = known.get(header.same_as)
        try:
            if same is not None:
                builder.take_in_unchanged(header.run, taken, counts, same.holds)
            else:
                builder.take_in(header.run, taken, counts, marked(listing.lines()))
        except Damaged as problem:
            raise _SpoiltByListing(header.run, problem) from problem
        holds = same.holds if same is not None else number_of(header.run)
        known[header.run] = IndexedVersion(header.run, taken, *counts, holds)


class _SpoiltByListing(Exception):
    """The lines of this run's listing cannot be taken in, and what was written of them spoilt the index under way."""

    def __init__(self, run: str, problem: Damaged) -> None:
        super().__init__(run)
        self.run = run
        self.what = problem.what


def _versions_in(path: str) -> dict[str, IndexedVersion]:
    if not path:
        return {}
    with closing(IndexFile(path)) as index:
        return {version.run: version for version in index.versions()}
