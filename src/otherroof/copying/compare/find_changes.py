"""The first half of a run: what differs between the folder and its far copy, what only moved, and may it be sent.

    R3  scan the folder and compare
    R4  recognise what only moved
    R5  let the guard look, before anything is sent

Fills a plan and counts; nothing is asked of the far box.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace

from otherroof.base.errors import Held, OtherroofError
from otherroof.copying.compare.catalogue_repair import CheckedCatalogue
from otherroof.copying.compare.compare import Difference, UnchangedBlock, compare
from otherroof.copying.compare.guard import GuardLimits, GuardView, Release, reason_to_hold
from otherroof.copying.compare.hard_links import unchanged_names_of
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.home.leave_out import leave_out_rule
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.home.scan import Batch, Scan, ScanNotes
from otherroof.copying.reconnect import RunContext
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.numbers import FILE, FOLDER, SIZE, kind_of

TICK_EVERY = 20_000  # entries between two looks at the stop sign while scanning


@dataclass(frozen=True, slots=True)
class CopyRules:
    """What is looked at and with which rules, as the job's settings say it."""

    job: str
    folder: bytes
    limits: GuardLimits
    leave_out: tuple[str, ...] = ()
    other_disks: bool = False
    reread: bool = False
    release: Release | None = None


@dataclass(slots=True)
class FolderTotals:
    """What the comparison saw: files and links in the folder, their bytes of content, and files in the far copy."""

    files: int = 0
    size: int = 0
    held_files: int = 0


class ChangeFinder:
    """Compares one folder with the catalogue of its far copy. `counted` and `notes` are complete after `compare`."""

    def __init__(self, subject: CopyRules, cared: CheckedCatalogue, source: SourceFolder, around: RunContext) -> None:
        self._subject = subject
        self._cared = cared
        self._source = source
        self._around = around
        self.counted = FolderTotals(held_files=cared.catalogue.facts.files)
        self.notes = ScanNotes()

    def compare(self, plan: RunPlan) -> None:
        """R3: every difference goes into the plan."""
        subject, catalogue = self._subject, self._cared.catalogue
        scan = Scan(subject.folder, left_out=leave_out_rule(subject.leave_out), other_disks=subject.other_disks)
        found = compare(self._ticking(scan), catalogue.blocks(), scan.notes.is_blind, reread=subject.reread)
        plan.add(self._counting(found))
        plan.add(list(unchanged_names_of(catalogue.blocks(), plan.inodes_with_names(), plan.has, self._source.device)))
        plan.find_hard_links()
        self.notes = scan.notes

    def find_moves(self, plan: RunPlan) -> None:
        """R4: new files with the size of one that went are read; the same digest means that it moved."""
        for todo in plan.may_have_moved():
            self._around.check_stop(self._subject.job)
            self._around.progress.path = todo.path
            try:
                _, entry, numbers = self._source.digest(todo.path)
            except OtherroofError:
                continue  # it is met again when it is to be sent, and written down there
            if numbers != todo.numbers:
                continue
            gone = plan.removed_with(entry.digest, entry.size)
            free = next((path for path in gone if not plan.is_taken(path)), None)
            plan.note_source(todo.path, entry.digest, free)

    def guard(self, plan: RunPlan) -> None:
        """R5. Raises Held, saying why and how the run is released."""
        subject = self._subject
        sight = GuardView(
            held_files=self.counted.held_files,
            found_files=self.counted.files,
            tally=plan.tally(),
            was_mounted=self._cared.catalogue.facts.mounted,
            is_mounted=is_mount_point(subject.folder),
        )
        why = reason_to_hold(sight, subject.limits, subject.release)
        if why and sight.tally.changed:
            self._settle_doubts(plan)
            why = reason_to_hold(replace(sight, tally=plan.tally()), subject.limits, subject.release)
        where = path_text(subject.folder)
        if self._cared.lost and subject.release is None:
            why = f"{self._cared.remarks[-1]}: its disk may be missing or was exchanged"
            where = "the far box's disk, and at base in the settings"
        if why:
            look = f"look at {where}; if it is meant so: otherroof release {subject.job}"
            raise Held(why, where=subject.job, advice=f"nothing was sent; {look}")

    def _settle_doubts(self, plan: RunPlan) -> None:
        """Before a run is held for changes: files of the same size may only have been touched."""
        for todo in plan.pages(f"want = {FILE} AND had = {FILE} AND NOT doubt AND size = old_size"):
            self._around.check_stop(self._subject.job)
            try:
                _, entry, _ = self._source.digest(todo.path)
            except OtherroofError:
                continue  # then it counts as changed
            if entry.digest == todo.old_digest:
                plan.note_comparison(todo.path, True)

    def _ticking(self, scan: Scan) -> Iterator[Batch]:
        since = 0
        for batch in scan:
            since += len(batch.names)
            if since > TICK_EVERY:
                self._around.progress.files += since
                since = 0
                self._around.check_stop(self._subject.job)
                self._around.tick()
            yield batch

    def _counting(self, found: Iterator[UnchangedBlock | Difference]) -> Iterator[Difference]:
        for one in found:
            if isinstance(one, UnchangedBlock):
                self.counted.files += one.files
                self.counted.size += one.size
                continue
            if one.found is not None and kind_of(one.found) != FOLDER:
                self.counted.files += 1
                self.counted.size += one.found[SIZE] if kind_of(one.found) == FILE else 0
            yield one


def is_mount_point(folder: bytes) -> bool:
    """Whether a file system of its own begins at `folder`."""
    return os.path.ismount(folder)
