"""A household whose one job has two versions at the far box, of a few files of every kind."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

from otherroof.copying.compare.change import LARGE
from support.main_job import OneJob, one_job

RANGE = LARGE  # a restore fetches large files in pieces of this size, instead of eight times as much
BIG = random.Random(4).randbytes(2 * RANGE + RANGE // 4)


def make_two_versions(where: Path) -> OneJob:
    """The household, to be gone on from (`two_versions`)."""
    with one_job(where) as made:
        made.put("a", b"first a")
        made.put("b/c", b"first c")
        made.put("b/d", b"d stays")
        made.put("big", BIG)
        made.path("link").symlink_to("a")
        made.path("twin").hardlink_to(made.path("b/d"))
        made.done()
        made.put("a", b"second a")
        made.path("b/c").unlink()
        made.done()
    return made


@contextmanager
def two_versions(where: Path, begun: OneJob) -> Iterator[OneJob]:
    """Far box not yet at fault; two folders lie between `where` and all that belongs to the household. Its large file
    comes back in three ranges. `begun` is such a household as `make_two_versions` makes it."""
    inside = where / "up" / "here"
    inside.mkdir(parents=True)
    with one_job(inside) as made, patch("otherroof.restore.local_file.RANGE", RANGE):
        made.go_on_from(begun)
        yield made


def first(job: OneJob) -> str:
    """The older version."""
    return min(job.trees)


def newest(job: OneJob) -> str:
    """The newer version."""
    return max(job.trees)
