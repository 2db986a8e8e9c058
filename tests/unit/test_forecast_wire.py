"""What a forecast says of the bytes on the wire, held against runs and restores that really put them there."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.forecast.planning.copy_time import Work, wire_of
from otherroof.forecast.planning.packets import copy_on_wire, restore_on_wire
from otherroof.jobs.context import JobContext
from otherroof.jobs.drill import DrillRequest, drill
from otherroof.restore.progress import RestoreProgress
from support.main_job import JOB, OneJob, one_job

pytestmark = pytest.mark.slow

# Logins, looks, the listing's head and the like, whatever is copied: bytes each way.
AROUND = 30_000


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        yield made


def put(job: OneJob, kind: str) -> Work:
    sizes = {
        "large": [9_000_000],
        "small": [2_000 + place * 11 for place in range(700)],
        "mixed": [3_000 + place * 7 for place in range(250)] + [2_500_000, 1_800_000],
    }[kind]
    for place, size in enumerate(sizes):
        job.put(f"album-{place // 100:03}/note-{place:05}.bin", os.urandom(size))
    return Work(sum(sizes), len(sizes))


@pytest.mark.parametrize("kind", ["large", "small", "mixed"])
def test_bytes_on_the_wire_are_told_within_a_few_percent(job: OneJob, kind: str) -> None:
    work = put(job, kind)
    ran = job.done()
    path = len("album-000/note-00000.bin")
    told = copy_on_wire(work.size, work.files, path, len(f"{job.settings.far['heron'].base}/{JOB}"))
    assert told.up == pytest.approx(ran.bytes.wire_up, rel=0.03, abs=AROUND)
    # What a forecast without such names takes for usual is as near.
    assert copy_on_wire(work.size, work.files).up == pytest.approx(ran.bytes.wire_up, rel=0.05, abs=AROUND)
    # Answers are small, and come in packets of as many as happen to be ready: only their order of size can be told.
    assert told.down / 3 < ran.bytes.wire_down < told.down * 3 + AROUND
    progress = RestoreProgress()
    drill(job.settings, DrillRequest(JOB, from_nothing=True), JobContext(progress))
    back = restore_on_wire(work.size, work.files)
    assert back.down == pytest.approx(progress.meter.wire_down, rel=0.03, abs=3 * AROUND)


def test_a_night_after_which_one_file_of_many_is_new_sends_the_lines_of_all(job: OneJob) -> None:
    for place in range(2_500):
        job.put(f"album-{place // 100:03}/note-{place:05}.bin", b"%d" % place)
    first = job.done()
    job.put("album-000/one-more.bin", os.urandom(4_000))
    night = job.done()
    without_lines = wire_of(Work(4_000, 1, 1)).up
    assert wire_of(Work(4_000, 1, 2_501)).up == pytest.approx(night.bytes.wire_up, abs=AROUND)
    assert night.bytes.wire_up > without_lines + 100_000
    assert first.bytes.wire_up > night.bytes.wire_up
