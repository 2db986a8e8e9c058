"""A restore, and the list of what can be restored, of one job. Needs settings and keys, no state at all."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime

from otherroof.base.clock import Clock
from otherroof.base.errors import Damaged, OtherroofError, WrongUse
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.listing import Header, damaged_listing, time_taken
from otherroof.far_copy.reader import Reader
from otherroof.far_copy.run_ids import is_run_id, time_of_run
from otherroof.jobs.context import DiskAtHand, JobContext
from otherroof.jobs.copies.mixing import other_sources
from otherroof.jobs.open_job import LOST, NOT_ON_DISK, READ, OpenedJob, open_job
from otherroof.ledger.far_findings import DamagedFile
from otherroof.restore.dry import DryRestore, dry_restore
from otherroof.restore.elsewhere import no_others
from otherroof.restore.finding.like import Like
from otherroof.restore.progress import RestoreProgress
from otherroof.restore.restore import Restorer
from otherroof.restore.selection import RestoreReport, Selection
from otherroof.restore.target import Existing, TargetFolder
from otherroof.restore.versions import Version as Listed
from otherroof.restore.versions import moment_of, named_run, newest_until
from otherroof.settings import Settings

NOT_HELD = (LOST, NOT_ON_DISK)
THINNED = "was removed while it came back, so what is missing went with it: restore one of `otherroof versions`"


@dataclass(frozen=True, slots=True)
class RestoreRequest:
    """What to bring back and where to. `newest` is a run that is known to have counted; `disk` was carried home, and
    takes the far box's place: then no other copy is asked for what it does not have whole."""

    job: str
    into: bytes
    as_of: str = ""
    existing: Existing = "refuse"
    paths: tuple[bytes, ...] = ()
    newest: str = ""
    like: Like | None = None
    disk: DiskAtHand | None = None

    @property
    def wanted(self) -> Selection:
        """What is to come back of the version."""
        return Selection(self.paths, self.like)


def list_versions(settings: Settings, name: str, newest: str = "", disk: DiskAtHand | None = None) -> list[Listed]:
    """Every version that can be restored, newest first, by the headers of their listings.

    The newest that is known, by the ledger or as `newest`, is among them with a flaw, if the far box does not hold it.
    """
    with open_job(settings, name, JobContext(RestoreProgress(), disk=disk), READ) as job:
        expect(job, newest)
        found = list(_listed_versions(job))
        if any(version.flaw for version in found):  # it may have been removed since the first look
            standing = set(job.keeper.view().runs)
            found = [version for version in found if version.run in standing]
        if job.lost:
            found.append(Listed(job.lost, job.counted[job.lost], flaw=job.lost_why))
    return sorted(found, key=lambda version: version.run, reverse=True)


def expect(job: OpenedJob, newest: str) -> None:
    """Hold what the far box shows against a run that a person knows of. Raises WrongUse if that is no run's id."""
    if not newest:
        return
    # A listing has a digest under home's key, so the far box cannot make one up: it either shows this run or hides it.
    if not is_run_id(newest):
        advice = "it looks like 2031-04-05T013000Z-7f3a; copy all of it"
        raise WrongUse(f"{newest!r} is not a run's id", where=job.name, advice=advice)
    job.expect(newest, time_of_run(newest))


def _listed_versions(job: OpenedJob) -> Iterator[Listed]:
    """Every version by the header of its listing, in no order."""
    for run, header in job.keeper.headers(job.view.runs).items():
        yield _listed(job.name, run, header)


def _listed(job: str, run: str, header: Header | OtherroofError) -> Listed:
    if isinstance(header, OtherroofError):
        return Listed(run, time_of_run(run), flaw=header.what)
    try:
        if header.run != run:
            raise damaged_listing(f"{job}/{run}", "belongs to another run")
        return Listed(run, time_taken(header), header.files, header.size)
    except Damaged as problem:
        return Listed(run, time_of_run(run), flaw=problem.what)


@dataclass(frozen=True, slots=True)
class ChosenVersion:
    """The run whose version is to come back. If a moment was asked for: that moment (`until`), and when the run was
    `taken` as the header of its listing shows it, which is not proved yet. `newer` is a run that the far box should
    have shown in its place: it counted by home's own history, until that moment; empty if there is none."""

    run: str
    until: datetime | None = None
    taken: datetime | None = None
    newer: str = ""
    newer_why: str = LOST

    def check_time(self, job: str, proved: datetime) -> None:
        """Raises Damaged if the listing, now that it was read as a whole, tells another time than it was chosen by."""
        if self.taken is not None and proved != self.taken:
            raise damaged_listing(f"{job}/{self.run}", "showed another time before it was read as a whole")

    def problems(self) -> list[Problem]:
        if not self.newer:
            return []
        what = "this is not the newest version" + (" up to that moment" if self.until is not None else "")
        return [Problem("", f"{what}: run {self.newer} counted, and {self.newer_why}")]


def chosen_version(job: OpenedJob, as_of: str) -> ChosenVersion:
    """The version that `as_of` means. Raises WrongUse if that is nothing."""
    run = named_run(job.view.runs, as_of, job.name)
    if run:
        return ChosenVersion(run, newer="" if as_of else job.lost, newer_why=job.lost_why)
    until = moment_of(as_of, job.name, job.settings.zone)
    listed = newest_until(_listed_versions(job), until, as_of, job.name)
    # Runs do not overlap: what had ended after this version was taken is newer, or the far box shows it with another
    # time. What had ended before is older, whatever its id: a clock may have been wrong, or the history lost since.
    hidden = [(at, run) for run, at in job.counted.items() if listed.taken < at <= until and run != listed.run]
    newest = max(hidden, default=(until, ""))[1]
    return ChosenVersion(listed.run, until, listed.taken, newest if newest > listed.run else "", job.lost_why)


def restore(
    settings: Settings, request: RestoreRequest, context: JobContext[RestoreProgress] | None = None
) -> RestoreReport:
    """Bring a version back, also while a run goes on. Raises Damaged if its listing cannot be trusted; damaged files
    are in the answer."""
    context = replace(context or JobContext(RestoreProgress()), disk=request.disk)
    with open_job(settings, request.job, context, READ) as job:
        expect(job, request.newest)
        chosen = chosen_version(job, request.as_of)
        with closing(job.keeper.reader(chosen.run)) as reader:
            chosen.check_time(job.name, time_taken(reader.header))
            with closing(TargetFolder(request.into, request.existing)) as target:
                reader.look(job.view)
                others = other_sources(job, chosen.run, context) if request.disk is None else no_others
                report = Restorer(reader, target, context.progress, others).restore(request.wanted, context.tick)
            report.problems[:0] = chosen.problems()
            if (report.damaged or report.elsewhere) and chosen.run not in job.keeper.view().runs:
                report.problems.insert(0, Problem("", f"version {chosen.run} {THINNED}"))
                return report
            if request.disk is not None:
                return report  # it tells nothing of what lies at the far box
            _note_damage(job, reader, report, context.clock)
            if not report.kept:  # what was here already was not read
                _settle_damage(job, reader, report, request.wanted)
            return report


def restore_dry(settings: Settings, request: RestoreRequest) -> DryRestore:
    """What `restore` would bring back, by the listing alone: nothing is fetched and nothing is written.

    Raises what `restore` does.
    """
    with open_job(settings, request.job, JobContext(RestoreProgress(), disk=request.disk), READ) as job:
        expect(job, request.newest)
        chosen = chosen_version(job, request.as_of)
        with closing(job.keeper.reader(chosen.run)) as reader:
            chosen.check_time(job.name, time_taken(reader.header))
            found = dry_restore(reader, request.wanted, request.into)
    found.problems += chosen.problems()
    return found


def _found_damaged(report: RestoreReport) -> list[Problem]:
    """What this copy does not have whole, wherever it came from in the end."""
    return [*report.damaged, *(one.problem for one in report.elsewhere)]


def _note_damage(job: OpenedJob, reader: Reader, report: RestoreReport, clock: Clock) -> None:
    """What was found damaged stays known: an alert tells of it, and no run makes new content of it."""
    header, now, why = report.header, clock.now(), {file.path: file.why for file in _found_damaged(report)}
    if not why:
        return
    marks = []
    for entry in reader.entries():
        path = path_text(entry.path)
        if entry.kind == "file" and path in why:
            in_newest = not reader.lies_at(entry.path).kept_by
            marks.append(DamagedFile(job.name, path, header.run, now, why[path], entry.path, in_newest))
    job.ledger.damages.note(marks)


def _settle_damage(job: OpenedJob, reader: Reader, report: RestoreReport, wanted: Selection) -> None:
    """Files that were damaged in this version or an earlier one, and came back whole now, are damaged no longer."""
    # A file that is whole in this version says nothing about a damage found in a later one: that may be other content.
    known = {mark.path for mark in job.ledger.damages.of(job.name) if mark.run <= reader.header.run}
    known -= {problem.path for problem in (*_found_damaged(report), *report.problems)}
    if known:
        names = (path_text(entry.path) for entry in reader.entries() if entry.kind == "file" and wanted.has(entry.path))
        job.ledger.damages.settle(job.name, [name for name in names if name in known])
