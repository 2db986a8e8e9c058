"""What home knows of carried disks, and how it becomes what home knows of the far box.

All of it is a cache: without it the next run reads every file here again, and sends no content either.
"""

from __future__ import annotations

import os
from contextlib import suppress

from otherroof.base.errors import HomeTrouble
from otherroof.base.sqlite_file import DamagedDatabase, remove_sqlite, replace_sqlite
from otherroof.copying.compare.catalogue import Catalogue
from otherroof.copying.compare.catalogue_repair import JobStateFiles
from otherroof.copying.compare.plan_file import remove_notes, replace_notes
from otherroof.jobs.carried.disk import DiskNote, disk_state, disk_states
from otherroof.jobs.open_job import OpenedJob


def take_over(job: OpenedJob, note: DiskNote | None) -> bool:
    """Let what is known of the disk that stands at the far box be what is known of the far box; whether there was any.
    The caller holds the job's lock. `note` is that disk's. Raises HomeTrouble."""
    found = _known(job, note)
    own = JobStateFiles(job.settings.state, job.name)
    try:
        if found is None:
            _forget(job, note)
            return False
        for path in (own.catalogue, own.notes, own.chunks):
            os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
        # Killed from here on, the cache is missing, and made anew.
        replace_sqlite(found.catalogue, own.catalogue)
        replace_notes(found.notes, own.notes)
        replace_sqlite(found.chunks, own.chunks)
        _drop_if_empty(found)
    except OSError as problem:
        raise HomeTrouble(
            f"what is known of the disk cannot be taken over: {problem.strerror}", where=job.settings.state
        ) from problem
    return True


def _known(job: OpenedJob, note: DiskNote | None) -> JobStateFiles | None:
    """The files about the disk whose newest run is that of the far copy; of a copy that never became whole, about the
    disk that the note names."""
    for state in disk_states(job.settings.state):
        files = JobStateFiles(state, job.name)
        run = _run_of(files, job.key.home_id)
        of_this_disk = note is not None and state == disk_state(job.settings.state, note.number)
        if run == job.view.newest and (run or of_this_disk):
            return files
    return None


def _run_of(files: JobStateFiles, home_id: str) -> str | None:
    """The newest run that the catalogue is of; None if there is no sound one of this home."""
    if not os.path.exists(files.catalogue):
        return None
    try:
        catalogue = Catalogue(files.catalogue)
    except DamagedDatabase:
        return None
    try:
        return catalogue.facts.run if catalogue.facts.home_id in ("", home_id) else None
    finally:
        catalogue.close()


def _forget(job: OpenedJob, note: DiskNote | None) -> None:
    """Drop what is of no use any more: runs over the line have gone on from what this disk held."""
    if note is None:
        return
    files = JobStateFiles(disk_state(job.settings.state, note.number), job.name)
    remove_sqlite(files.catalogue)
    remove_notes(files.notes)
    remove_sqlite(files.chunks)
    _drop_if_empty(files)


def _drop_if_empty(files: JobStateFiles) -> None:
    for path in (files.catalogue, files.notes, files.chunks):
        with suppress(OSError):  # it holds another job's
            os.rmdir(os.path.dirname(path))
    with suppress(OSError):
        os.rmdir(files.state)
