"""How large a folder is and what a day brings: from the ledger's runs, from the folder itself, or as it was said."""

from __future__ import annotations

import math
import os
import stat
from collections.abc import Sequence
from datetime import datetime, timedelta

from otherroof.base.units import count_text, size_text
from otherroof.copying.home.leave_out import leave_out_rule
from otherroof.copying.home.scan import Scan
from otherroof.copying.report import GOOD
from otherroof.far_copy.numbers import COLUMNS, MODE, SIZE
from otherroof.forecast.first_copy import mean_and_margin
from otherroof.forecast.planning.copy_time import Work
from otherroof.forecast.planning.estimate import Likely
from otherroof.forecast.planning.facts import Amounts
from otherroof.forecast.theil_sen import median_line
from otherroof.jobs.planning.request import PlanRequest
from otherroof.ledger.runs import RunRow
from otherroof.settings import Job

DAILY_OVER = timedelta(days=30)
LEAST_RUNS = 3
DAY_S = 86_400.0
# If nothing is known: a household changes a thousandth of its files a day (an assumption; from none to five times it).
ASSUMED_SHARE = Likely(0.0, 0.001, 0.005)
MEAN_FILE = 4_000_000.0  # bytes, if the number of files is not said: photos (an assumption)


def amounts_of(job: Job | None, rows: Sequence[RunRow], asked: PlanRequest, now: datetime) -> Amounts:
    """What is said counts first, then the newest run that saw the folder, then the folder itself.

    `rows` are the job's runs to its far box, newest first. Raises HomeTrouble if the folder cannot be read.
    """
    size, files, how = _now(job, rows, asked)
    daily, daily_files, how_daily = _daily(rows, asked, now, (size, files))
    growth = _growth(rows, asked, daily)
    return Amounts(size, files, daily, daily_files, growth, how, how_daily)


def folder_size(folder: str, leave_out: Sequence[str] = (), *, other_disks: bool = False) -> Work:
    """Files below `folder` and their bytes, less what a copy leaves out. Raises HomeTrouble if it cannot be read."""
    size = files = 0
    for batch in Scan(os.fsencode(folder), left_out=leave_out_rule(leave_out), other_disks=other_disks):
        sizes, modes = batch.numbers[SIZE::COLUMNS], batch.numbers[MODE::COLUMNS]
        for one, mode in zip(sizes, modes, strict=True):
            if not stat.S_ISDIR(mode):
                files += 1
                size += one
    return Work(size, files)


def few_of(folder: str, paths: Sequence[str]) -> Work | None:
    """What stands at `paths` in the folder now; None if nothing does."""
    size = files = 0.0
    for path in paths:
        whole = os.path.join(folder, path.strip("/"))
        if os.path.isdir(whole):
            found = folder_size(whole)
            size, files = size + found.size, files + found.files
        elif os.path.isfile(whole):
            size, files = size + os.path.getsize(whole), files + 1
    return Work(size, files) if files else None


def usual_files(size: float) -> float:
    """How many files so many bytes are, if nobody says."""
    return max(1.0, size / MEAN_FILE)


def _now(job: Job | None, rows: Sequence[RunRow], asked: PlanRequest) -> tuple[float, float, str]:
    if asked.size:
        files = asked.files or usual_files(asked.size)
        return (
            asked.size,
            files,
            "" if asked.files else f"if its files are of {size_text(MEAN_FILE)} each (--files says better)",
        )
    seen = next((row for row in rows if row.report.bytes.seen), None)
    if seen is not None:
        files = asked.files or float(seen.report.files.seen)
        return float(seen.report.bytes.seen), files, f"as run {seen.report.run}, UTC, saw it"
    assert job is not None  # without a job a size is asked for
    found = folder_size(job.folder, job.leave_out, other_disks=job.other_disks)
    return found.size, asked.files or found.files, f"as {job.folder} stands now"


def _daily(
    rows: Sequence[RunRow], asked: PlanRequest, now: datetime, whole: tuple[float, float]
) -> tuple[Likely, float, str]:
    size, files = whole
    mean_size = size / files if files else MEAN_FILE
    if asked.daily:
        return Likely.sure(asked.daily), max(1.0, asked.daily / max(mean_size, 1.0)), ""
    days = _by_day(rows, now)
    if len(days) >= LEAST_RUNS:
        bytes_a_day = [size for size, _ in days]
        mean, margin = mean_and_margin(bytes_a_day)
        many = math.fsum(count for _, count in days) / len(days)
        how = f"the mean of the last {count_text(len(days), 'day')}, and how far single days are from it"
        return Likely(max(0.0, mean - margin), mean, mean + margin), many, how
    share = ASSUMED_SHARE
    how = f"a guess: {share.value * 100:g} % of it, up to {share.high * 100:g} %; --daily says better"
    return share.times(size), files * share.value, how


def _by_day(rows: Sequence[RunRow], now: datetime) -> list[tuple[float, float]]:
    """Bytes and files that each day brought, without the first copy; a day without a run that counted is none."""
    good = [row for row in rows if row.report.outcome in GOOD]
    later = [row for row in good[:-1] if row.started >= now - DAILY_OVER]
    days: dict[int, tuple[float, float]] = {}
    for row in later:
        day, files = int(row.started.timestamp() // DAY_S), row.report.files
        size, count = days.get(day, (0.0, 0.0))
        days[day] = (size + row.report.bytes.new, count + files.new + files.changed)
    return list(days.values())


def _growth(rows: Sequence[RunRow], asked: PlanRequest, daily: Likely) -> Likely:
    """By how much the folder grows a day, never more than what comes."""
    if asked.growth is not None:
        return Likely.sure(min(asked.growth, daily.high))
    points = [(row.started.timestamp() / DAY_S, float(row.report.bytes.seen)) for row in rows if row.report.bytes.seen]
    line = median_line(points[::-1]) if len(points) >= LEAST_RUNS * 2 else None
    if line is None:
        return Likely(0.0, daily.value / 2, daily.high)
    return Likely(*(min(max(0.0, one), daily.high) for one in (line.least, line.slope, line.most)))
