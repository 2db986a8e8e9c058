"""The first half of a run: finds what differs and what only moved, and asks the guard whether it may be sent.

    R3  scan the folder and compare
    R4  recognise what only moved
    R5  let the guard look, before anything is sent

Fills a plan and counts; nothing is asked of the far box.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace

from otherroof.base.errors import Held, HomeTrouble
from otherroof.copying.compare.catalogue_repair import CheckedCatalogue
from otherroof.copying.compare.compare import Difference, UnchangedBlock, compare
from otherroof.copying.compare.doubts import DoubtSettler
from otherroof.copying.compare.guard import GuardLimits, GuardView, Release, may_look_encrypted, reason_to_hold
from otherroof.copying.compare.hard_links import unchanged_names_of
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.context import RunContext
from otherroof.copying.home.leave_out import leave_out_rule
from otherroof.copying.home.looks_encrypted import (
    HEAD,
    LEAST,
    MOST_SAMPLES,
    ChangedHeads,
    count_new_endings,
    looks_encrypted,
)
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.home.scan import Batch, Scan, ScanNotes
from otherroof.copying.report import EncryptionSigns, RunReport
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.numbers import FILE, FOLDER, SIZE, kind_of

# Between two looks at the stop sign while scanning: so many entries, or so many seconds, whichever passes first. A disk
# that is cold takes half a minute for what another gives in a moment.
TICK_EVERY = 20_000
TICK_S = 1.0


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
    released_by: str = ""  # what a person does who means it so; empty: the verb `release`


@dataclass(slots=True)
class FolderTotals:
    """What the comparison saw: files and links in the folder, their bytes of content, and files in the far copy."""

    files: int = 0
    size: int = 0
    held_files: int = 0


class ChangeFinder:
    """Compares one folder with the catalogue of its far copy. `totals` and `notes` are complete after `find`."""

    def __init__(self, rules: CopyRules, checked: CheckedCatalogue, source: SourceFolder, context: RunContext) -> None:
        self._rules = rules
        self._checked = checked
        self._source = source
        self._context = context
        self.totals = FolderTotals(held_files=checked.catalogue.facts.files)
        self.notes = ScanNotes()

    def find(self, plan: RunPlan, report: RunReport) -> None:
        """R3 and R4: every difference goes into the plan, and what was seen on the way into the report."""
        self._compare(plan)
        report.note_problems(self.notes.problems)
        report.files.left_out = self.notes.left_out
        report.other_disks = [path_text(path) for path in self.notes.other_disks]
        self._find_moves(plan)
        report.nature = EncryptionSigns(0, 0, count_new_endings(plan.came_and_went()))
        report.files.seen, report.bytes.seen = self.totals.files, self.totals.size
        report.note_totals(plan.totals())

    def _compare(self, plan: RunPlan) -> None:
        """R3: every difference goes into the plan."""
        rules, catalogue = self._rules, self._checked.catalogue
        scan = Scan(rules.folder, left_out=leave_out_rule(rules.leave_out), other_disks=rules.other_disks)
        found = compare(self._ticking(scan), catalogue.blocks(), scan.notes.is_blind, reread=rules.reread)
        plan.add(self._counting(found))
        plan.add(list(unchanged_names_of(catalogue.blocks(), plan.hard_links.inodes(), plan.has, self._source.device)))
        plan.hard_links.find_first_names()
        self.notes = scan.notes

    def _find_moves(self, plan: RunPlan) -> None:
        """R4: new files with the size of one that went are read; the same digest means that it moved."""
        for change in plan.may_have_moved():
            self._context.check_stop(self._rules.job)
            self._context.progress.path = change.path
            try:
                _, entry, numbers = self._source.digest(change.path)
            except HomeTrouble:
                continue  # sending meets the same trouble and notes it
            if numbers != change.numbers:
                continue
            gone = plan.removed_with(entry.digest, entry.size)
            free = next((path for path in gone if not plan.is_taken(path)), None)
            plan.note_source(change.path, entry.digest, free)

    def guard(self, plan: RunPlan, *, exact: bool = False) -> None:
        """R5. Raises Held, saying why and how the run is released.

        What may have changed counts as changed until it was read. With `exact` all that kept its size is read, so that
        the plan's totals are what a run would find.
        """
        settler = DoubtSettler(plan, self._source, lambda: self._context.check_stop(self._rules.job))
        sight = self._sight(plan)

        def may_hold(changed: int) -> bool:
            # Doubtful files that are the same would also hide encrypted ones among them from a sample.
            if may_look_encrypted(changed, sight.held_files, self._rules.limits):
                return True
            return bool(self._reason(replace(sight, totals=replace(sight.totals, changed=changed))))

        if exact or may_hold(sight.totals.changed + sight.totals.doubtful):
            settler.settle(lambda changed: exact or may_hold(changed))
        sight = self._sight(plan)
        why = self._reason(sight) or self._reason(self._with_heads(sight, plan))
        if why and sight.totals.doubtful:
            settler.settle(lambda _: True)
            sight = self._sight(plan)
            why = self._reason(self._with_heads(sight, plan))
        rules = self._rules
        where = path_text(rules.folder)
        if self._checked.lost and rules.release is None:
            why = f"{self._checked.remarks[-1]}: its disk may be missing or was exchanged"
            where = "the far box's disk, and at base in the settings"
        if why:
            look = f"look at {where}; if it is meant so: {rules.released_by or f'otherroof release {rules.job}'}"
            if exact and not rules.released_by:  # nothing is held yet that could be released
                look = f"look at {where}; if it is meant so: otherroof run {rules.job}, which is held, then release it"
            raise Held(why, where=rules.job, advice=f"nothing was sent; {look}")

    def _sight(self, plan: RunPlan) -> GuardView:
        return GuardView(
            held_files=self.totals.held_files,
            found_files=self.totals.files,
            totals=plan.totals(),
            was_mounted=self._checked.catalogue.facts.mounted,
            is_mounted=is_mount_point(self._rules.folder),
        )

    def _reason(self, sight: GuardView) -> str:
        return reason_to_hold(sight, self._rules.limits, self._rules.release)

    def _with_heads(self, sight: GuardView, plan: RunPlan) -> GuardView:
        """Look at how changed files begin now, if there are so many that it matters. A bounded number is read."""
        if not may_look_encrypted(sight.totals.changed + sight.totals.doubtful, sight.held_files, self._rules.limits):
            return sight
        looked = encrypted = 0
        files, sample = plan.changed_sample(LEAST, MOST_SAMPLES)
        for path in sample:
            self._context.check_stop(self._rules.job)
            try:
                head = self._source.head(path, HEAD)
            except HomeTrouble:
                continue  # sending meets the same trouble and notes it
            looked += len(head) >= LEAST
            encrypted += looks_encrypted(head)
        return replace(sight, heads=ChangedHeads(files, looked, encrypted))

    def _ticking(self, scan: Scan) -> Iterator[Batch]:
        clock, since = self._context.clock, 0
        looked = clock.monotonic()
        for batch in scan:
            since += len(batch.names)
            if since > TICK_EVERY or clock.monotonic() - looked >= TICK_S:
                self._context.progress.files += since
                since, looked = 0, clock.monotonic()
                self._context.check_stop(self._rules.job)
                self._context.tick()
            yield batch

    def _counting(self, found: Iterator[UnchangedBlock | Difference]) -> Iterator[Difference]:
        for piece in found:
            if isinstance(piece, UnchangedBlock):
                self.totals.files += piece.files
                self.totals.size += piece.size
                continue
            if piece.found is not None and kind_of(piece.found) != FOLDER:
                self.totals.files += 1
                self.totals.size += piece.found[SIZE] if kind_of(piece.found) == FILE else 0
            yield piece


def is_mount_point(folder: bytes) -> bool:
    """Whether a file system of its own begins at `folder`."""
    return os.path.ismount(folder)
