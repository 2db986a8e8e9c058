"""A restore, and the list of what can be restored, of one job. Needs settings and keys, no state at all."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass

from otherroof.base.clock import Clock
from otherroof.base.errors import OtherroofError
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.listing import Header
from otherroof.far_copy.reader import Reader
from otherroof.far_copy.run_ids import time_of_run
from otherroof.jobs.context import JobContext
from otherroof.jobs.open_job import READ, open_job
from otherroof.ledger import Ledger
from otherroof.ledger.space import DamagedFile
from otherroof.restore.progress import RestoreProgress
from otherroof.restore.restore import Restorer
from otherroof.restore.selection import RestoreReport, Selection
from otherroof.restore.target import Existing, TargetFolder
from otherroof.restore.versions import Version as Listed
from otherroof.restore.versions import choose_run
from otherroof.settings import Settings

LOST = "the far box does not hold it any more"


@dataclass(frozen=True, slots=True)
class RestoreRequest:
    """What to bring back and where to."""

    job: str
    into: bytes
    as_of: str = ""
    existing: Existing = "refuse"
    paths: tuple[bytes, ...] = ()


def list_versions(settings: Settings, name: str) -> list[Listed]:
    """Every version that can be restored, newest first, by the headers of their listings.

    The newest that the ledger knows is among them with a flaw, if the far box holds neither it nor a newer one.
    """
    with open_job(settings, name, JobContext(RestoreProgress()), READ) as job:
        found = [Listed(job.lost, time_of_run(job.lost), flaw=LOST)] if job.lost else []
        found += [_listed(run, header) for run, header in job.keeper.headers(job.view.runs).items()]
    return sorted(found, key=lambda version: version.run, reverse=True)


def _listed(run: str, header: Header | OtherroofError) -> Listed:
    if isinstance(header, OtherroofError):
        return Listed(run, time_of_run(run), flaw=header.what)
    return Listed(run, time_of_run(run), header.files, header.size)


def restore(
    settings: Settings, request: RestoreRequest, context: JobContext[RestoreProgress] | None = None
) -> RestoreReport:
    """Bring a version back, also while a run goes on. Raises Damaged if its listing cannot be trusted; damaged files
    are in the answer."""
    context = context or JobContext(RestoreProgress())
    with open_job(settings, request.job, context, READ) as job:
        run = choose_run(job.view.runs, request.as_of, request.job, settings.zone)
        with (
            closing(job.keeper.reader(run)) as reader,
            closing(TargetFolder(request.into, request.existing)) as target,
        ):
            reader.look(job.view)
            report = Restorer(reader, target, context.progress).restore(Selection(request.paths), context.tick)
            if job.lost and not request.as_of:
                report.problems.insert(
                    0, Problem("", f"this is not the newest version: run {job.lost} counted, and {LOST}")
                )
            _note_damage(job.ledger, report, context.clock)
            if not report.kept:  # what was here already was not read
                _settle_damage(job.ledger, reader, report, Selection(request.paths))
            return report


def _note_damage(ledger: Ledger, report: RestoreReport, clock: Clock) -> None:
    """What was found damaged stays known, so that an alert tells of it until it is made good."""
    header, now = report.header, clock.now()
    ledger.damages.note([DamagedFile(header.job, file.path, header.run, now, file.why) for file in report.damaged])


def _settle_damage(ledger: Ledger, reader: Reader, report: RestoreReport, wanted: Selection) -> None:
    """Files that were damaged in this version or an earlier one, and came back whole now, are damaged no longer."""
    job = reader.header.job
    # A file that is whole in this version says nothing about a damage found in a later one: that may be other content.
    known = {mark.path for mark in ledger.damages.of(job) if mark.run <= reader.header.run}
    known -= {problem.path for problem in (*report.damaged, *report.problems)}
    if known:
        names = (path_text(entry.path) for entry in reader.entries() if entry.kind == "file" and wanted.has(entry.path))
        ledger.damages.settle(job, [name for name in names if name in known])
