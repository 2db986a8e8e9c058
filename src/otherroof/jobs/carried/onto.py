"""A run onto a disk that will be carried: what differs from one over the line, and what a person does with the disk.

The copying itself is the same. It looks once more before the first byte is written: whether the disk is this home's,
and whether it can hold what is to come.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator

from otherroof.base.errors import FarTrouble
from otherroof.copying.compare.catalogue_repair import JobStateFiles
from otherroof.copying.compare.change import PlannedChange, Rows
from otherroof.copying.compare.plan import RunPlan
from otherroof.far.local.disk import look_at_disk
from otherroof.far_copy.numbers import FILE
from otherroof.jobs.carried.disk import CarriedDisk, disk_state, refuse_other_home
from otherroof.jobs.carried.fits import Coming, DiskNeeds
from otherroof.jobs.open_job import OpenedJob
from otherroof.settings import Settings

_BROUGHT = (Rows.FOLDERS_TO_MAKE, Rows.FILES_TO_BRING, Rows.LINKS_TO_MAKE)


class OntoDisk:
    """The disk that runs write onto, one after the other or in a row of looks first (`dry`)."""

    def __init__(self, settings: Settings, disk: CarriedDisk) -> None:
        self.disk = disk
        self._state = disk_state(settings.state, disk.number)
        self._needs = DiskNeeds(disk.disk)

    def files(self, job: str) -> JobStateFiles:
        """Home's knowledge of the copy of `job` on this disk."""
        return JobStateFiles(self._state, job)

    def accepts(self, job: OpenedJob, *, dry: bool) -> Callable[[RunPlan], None]:
        """To be asked with a run's plan before its first byte is written. Raises FarTrouble if the disk is another
        home's or cannot hold it. The needs of looks come together, and those of a run stand by themselves."""

        def accept(plan: RunPlan) -> None:
            refuse_other_home(self.disk, job.key.home_id)
            needs = self._needs if dry else DiskNeeds(self.disk.disk)
            needs.add(_coming(plan))
            self._refuse(needs, job.name)
            if not dry:
                self.disk.claim(job.settings.home.name, job.key.home_id, job.job.far)

        return accept

    def _refuse(self, needs: DiskNeeds, job: str) -> None:
        if needs.misfit:
            advice = f"format the disk as ext4 (common practice), or leave these out of {job} by leave_out"
            raise FarTrouble(f"{needs.misfit}; nothing was written", where=self.disk.folder, advice=advice)
        now = look_at_disk(self.disk.folder)
        if short := needs.lacks_room(now.free, now.entries_free):
            advice = "make room there or take a larger disk"
            raise FarTrouble(f"{short}; nothing was written", where=self.disk.folder, advice=advice)

    def forget_unclaimed(self) -> None:
        """Nothing was written onto the disk: what was noted of it is of no use."""
        if self.disk.note is None:
            shutil.rmtree(self._state, ignore_errors=True)


def _coming(plan: RunPlan) -> Iterator[Coming]:
    for rows in _BROUGHT:
        for change in plan.pages(rows):
            yield Coming(change.path, change.size if change.want == FILE else 0, _brought(plan, change))


def _brought(plan: RunPlan, change: PlannedChange) -> int:
    """Bytes of content that are still to come onto the disk for this path."""
    if change.want != FILE or change.first is not None or change.source is not None or change.doubt:
        return 0
    known = plan.half_sent.known(change.path, change.numbers) if change.numbers is not None else None
    return change.size - (known[1].upto if known is not None else 0)
