"""Brings the kept states of one file back side by side, under dated names.

Which states there are is told by the versions of one copy; the content of one that is damaged there comes from another
copy of the folder, as in any restore.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass, field, replace

from otherroof.base.errors import Damaged, WrongUse
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import path_text
from otherroof.jobs.context import JobContext
from otherroof.jobs.copies.mixing import other_sources
from otherroof.jobs.finding.versions import every_version, found_versions
from otherroof.jobs.open_job import READ, OpenedJob, open_job
from otherroof.jobs.restore import RestoreRequest
from otherroof.ledger.far_findings import DamagedFile
from otherroof.restore.dated import RenamedFileReader, dated_names, each_content_once
from otherroof.restore.finding.history import HeldState, held_states
from otherroof.restore.progress import RestoreProgress
from otherroof.restore.restore import Restorer
from otherroof.restore.selection import FromElsewhere, RestoreReport, Selection
from otherroof.restore.target import TargetFolder
from otherroof.settings import Settings
from otherroof.settings.copies.names import other_copies_of


@dataclass(slots=True)
class RestoredStates:
    """The states that came back and the name of each, newest first; and what did not, or came from another copy, as in
    a restore's report. `others` are the other copies of the folder, whose versions may hold states of their own."""

    states: list[tuple[bytes, HeldState]] = field(default_factory=list)
    kept: int = 0
    damaged: list[Problem] = field(default_factory=list)
    elsewhere: list[FromElsewhere] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    others: tuple[str, ...] = ()


def restore_states(settings: Settings, request: RestoreRequest, context: JobContext[RestoreProgress]) -> RestoredStates:
    """Bring every content that the one path of `request` ever had in a kept version into its folder, each once.

    Raises what a restore does, WrongUse also if no version has a file there.
    """
    (path,) = request.paths
    context = replace(context, disk=request.disk)
    done = RestoredStates(others=tuple(other_copies_of(request.job, settings.jobs)))
    with found_versions(settings, request.job, every_version(request.newest), context) as found:
        done.problems += found.problems
        held = each_content_once(held_states(found.versions, found.index.states_of(path)))
    if not held:
        raise WrongUse(
            f"no version holds a file at {path_text(path)}",
            where=request.job,
            advice=f"`otherroof files {request.job} --like PATTERN` looks for it",
        )
    names = dated_names(held, settings.zone)
    with (
        open_job(settings, request.job, context, READ) as job,
        closing(TargetFolder(request.into, request.existing)) as target,
    ):
        for name, one in zip(names, held, strict=True):
            _restore_one(job, (path, name), one, target, (context, done))
    return done


def _restore_one(
    job: OpenedJob,
    names: tuple[bytes, bytes],
    held: HeldState,
    target: TargetFolder,
    watch: tuple[JobContext[RestoreProgress], RestoredStates],
) -> None:
    path, name = names
    context, done = watch
    run = held.last.run
    try:
        # By the listing and not by the index: what comes back is proved as every restore is.
        reader = RenamedFileReader(job.keeper.reader(run), path, name)
    except Damaged as problem:
        done.damaged.append(Problem(path_text(name), problem.what))
        return
    with closing(reader):
        reader.look(job.view)
        others = other_sources(job, run, context)
        report = Restorer(reader, target, context.progress, others).restore(Selection(), context.tick)
        # A disk tells nothing of what lies at the far box.
        if context.disk is None:
            _note_damage(
                job, DamagedFile(job.name, path_text(path), run, context.clock.now(), "", path), reader, report
            )
    done.damaged += report.damaged
    done.elsewhere += report.elsewhere
    # The notes of the folder come with each report anew.
    done.problems += [problem for problem in report.problems if problem not in done.problems]
    done.kept += report.kept
    if report.files:
        done.states.append((name, held))


def _note_damage(job: OpenedJob, mark: DamagedFile, reader: RenamedFileReader, report: RestoreReport) -> None:
    """What is not whole in this copy stays known under its own name, wherever its content came from in the end."""
    for problem in (*report.damaged, *(one.problem for one in report.elsewhere)):
        if mark.run in job.keeper.view().runs:  # else it was thinned meanwhile, which is no damage
            in_newest = not reader.lies_at(mark.name).kept_by
            job.ledger.damages.note([replace(mark, why=problem.why, in_newest=in_newest)])
