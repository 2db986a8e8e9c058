"""Which runs' listings should stand at the far end, by all that home knows: those that counted and were not thinned.

It decides nothing about those that do not stand, and looks at no listing.
"""

from __future__ import annotations

from collections.abc import Iterable

from otherroof.far_copy.remover import VersionNote
from otherroof.jobs.open_job import OpenedJob


def runs_that_should_stand(job: OpenedJob, notes: Iterable[VersionNote]) -> frozenset[str]:
    """The runs that counted by home's history, but for those that were thinned or that a note lets go.

    `notes` must have been read before this is called: thinning tells the ledger first, and then takes its notes back.
    """
    noted = {note.run for note in notes if note.kind == "goes"}
    thinned = {run for row in job.ledger.thinned.rows(job.name) for run in row.runs}
    return frozenset(job.counted) - noted - thinned
