"""Remarks on folders with several copies: no mistake, and perhaps not what the household believes.

Pure: settings in, remarks out.
"""

from __future__ import annotations

import os

from otherroof.settings.copies.one_place import at_one_place
from otherroof.settings.copies.roofs import roof_name, roofs
from otherroof.settings.reader import Mistake, ReadableSettings, each_once, job_file


def copies_under_one_roof(parts: ReadableSettings) -> list[Mistake]:
    """The jobs that copy a folder to where another copy of it stands already, though to another far box."""
    under, twice, remarks = roofs(parts.far), at_one_place(parts.jobs, parts.far), []
    first: dict[tuple[str, tuple[str, ...]], str] = {}
    for name, job in parts.jobs.items():
        if job.far not in under or name in twice:
            continue  # told of as a mistake
        # By its real path: two files may copy one folder, which may be reached by a link as well.
        far = first.setdefault((os.path.realpath(job.folder), under[job.far]), job.far)
        if far != job.far:
            remarks.append(
                Mistake(
                    job_file(parts.where, name),
                    "far",
                    f"{roof_name((far, job.far))} have one host key or one address: both copies of {job.folder} "
                    "stand under one roof, and one fire takes both",
                    "take a far box in another house for the second one",
                )
            )
    return each_once(remarks)
