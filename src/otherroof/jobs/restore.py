"""A restore with everything around it: way, far box, version, target. Needs settings and keys, no state at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from otherroof.base.clock import SystemClock
from otherroof.base.errors import Damaged, OtherroofError
from otherroof.copying.report import Problem
from otherroof.far.place import Task
from otherroof.far.sftp.place import SftpPlace
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.listing import Header, header_in
from otherroof.far_copy.listing_key import ListingKey, read_key
from otherroof.far_copy.ports import FarCopyView
from otherroof.far_copy.run_ids import time_of_run
from otherroof.jobs.far_place import open_place
from otherroof.layouts.open.job_folder import OpenJobFolder
from otherroof.layouts.open.keeper import HomeIdentity, OpenKeeper
from otherroof.layouts.open.reader import OpenVersionPaths
from otherroof.ledger import Ledger
from otherroof.ledger.space import DamagedFile
from otherroof.probe.way import open_way
from otherroof.restore.progress import RestoreProgress
from otherroof.restore.restore import Restorer
from otherroof.restore.selection import ProvedVersion, RestoreReport, Selection
from otherroof.restore.target import Existing, TargetFolder
from otherroof.restore.versions import Version as Listed
from otherroof.restore.versions import choose_run
from otherroof.settings import Settings


@dataclass(frozen=True, slots=True)
class RestoreRequest:
    """What to bring back and where to."""

    job: str
    into: bytes
    as_of: str = ""
    existing: Existing = "refuse"
    paths: tuple[bytes, ...] = ()


@dataclass(slots=True)
class OpenedCopy:
    """A far copy that is open for reading."""

    place: SftpPlace
    keeper: OpenKeeper
    view: FarCopyView
    scratch: str
    ledger: Ledger


@dataclass(slots=True)
class RestoreContext:
    """Who watches a restore."""

    progress: RestoreProgress = field(default_factory=RestoreProgress)
    tick: Callable[[], None] = lambda: None


@contextmanager
def open_copy(settings: Settings, job: str, progress: RestoreProgress) -> Iterator[OpenedCopy]:
    """The far copy of `job`, reached and proved. Raises Unreached, or FarTrouble if it is another home's."""
    clock = SystemClock()
    far_name = settings.jobs[job].far
    key: ListingKey = read_key(settings.path(settings.home.listing_key))
    with (
        tempfile.TemporaryDirectory(prefix="otherroof-") as scratch,
        _history(settings, scratch) as ledger,
        open_way(settings, far_name, ledger, clock),
    ):
        place = open_place(settings, settings.far[far_name], progress.meter)
        try:
            ledger.note_answer(far_name, clock.now())
            place.widen()
            keeper = OpenKeeper(place, job, HomeIdentity(settings.home.name, key, scratch), only_reading=True)
            yield OpenedCopy(place, keeper, keeper.view(), scratch, ledger)
        finally:
            place.close()


@contextmanager
def _history(settings: Settings, scratch: str) -> Iterator[Ledger]:
    """The ledger; on a machine whose state folder cannot be written, one that is forgotten afterwards."""
    try:
        ledger = Ledger(settings.ledger)
    except OtherroofError:
        ledger = Ledger(os.path.join(scratch, "ledger.db"))
    with ledger:
        yield ledger


LOST = "the far box does not hold it any more"


def list_versions(settings: Settings, job: str) -> list[Listed]:
    """Every version that can be restored, newest first, by the headers of their listings.

    The newest that the ledger knows is among them with a flaw, if the far box holds neither it nor a newer one.
    """
    with open_copy(settings, job, RestoreProgress()) as copy:
        keeping = OpenJobFolder(copy.place, job)
        tasks = (Task(run, keeping.head_of_listing(run)) for run in copy.view.runs)
        lost = _lost(settings, job, copy)
        found = [Listed(lost, time_of_run(lost), flaw=LOST)] if lost else []
        for done in copy.place.carry_out(tasks):
            if done.error is not None:
                found.append(Listed(done.key, time_of_run(done.key), flaw=done.error.what))
            else:
                found.append(_listed(job, done.key, done.value or b""))
    return sorted(found, key=lambda one: one.run, reverse=True)


def _lost(settings: Settings, job: str, copy: OpenedCopy) -> str:
    """The newest run that counts, as far as the ledger knows, if all that the far box shows is older."""
    known = copy.ledger.newest_good(job, far=settings.jobs[job].far)
    return known.report.run if known is not None and known.report.run > copy.view.newest else ""


def _listed(job: str, run: str, head: bytes) -> Listed:
    try:
        header: Header = header_in(head, f"{job}/{run}")
    except Damaged as problem:
        return Listed(run, time_of_run(run), flaw=problem.what)
    return Listed(run, time_of_run(run), header.files, header.size)


def restore(settings: Settings, wish: RestoreRequest, watching: RestoreContext | None = None) -> RestoreReport:
    """Bring a version back. Raises Damaged if its listing cannot be trusted; damaged files are in the answer."""
    watching = watching or RestoreContext()
    with open_copy(settings, wish.job, watching.progress) as copy:
        run = choose_run(copy.view.runs, wish.as_of, wish.job, settings.zone)
        header, lines_path = copy.keeper.fetch(run)
        target = TargetFolder(wish.into, wish.existing)
        where = OpenVersionPaths(copy.place, wish.job, run, os.path.join(copy.scratch, "aside.db"))
        try:
            where.look(copy.view.earlier)
            restorer = Restorer(copy.place, ProvedVersion(header, lines_path), where, target, watching.progress)
            recall = restorer.restore(Selection(wish.paths), watching.tick)
            lost = _lost(settings, wish.job, copy)
            if lost and not wish.as_of:
                recall.problems.insert(
                    0, Problem("", f"this is not the newest version: run {lost} counted, and {LOST}")
                )
            _note_damage(copy.ledger, recall)
            if not recall.kept:  # what was here already was not read
                _settle_damage(copy.ledger, ProvedVersion(header, lines_path), recall, Selection(wish.paths))
            return recall
        finally:
            where.close()
            target.close()


def _note_damage(ledger: Ledger, recall: RestoreReport) -> None:
    """What was found damaged stays known, so that an alert tells of it until it is made good."""
    header, now = recall.header, SystemClock().now()
    ledger.note_damage([DamagedFile(header.job, file.path, header.run, now, file.why) for file in recall.damaged])


def _settle_damage(ledger: Ledger, version: ProvedVersion, recall: RestoreReport, wanted: Selection) -> None:
    """Files that were damaged in this version or an earlier one, and came back whole now, are damaged no longer."""
    job = version.header.job
    known = {mark.path for mark in ledger.damages(job) if mark.run <= version.header.run}
    known -= {problem.path for problem in (*recall.damaged, *recall.problems)}
    if known:
        names = (
            path_text(entry.path) for entry in version.entries() if entry.kind == "file" and wanted.has(entry.path)
        )
        ledger.drop_damage(job, [name for name in names if name in known])
