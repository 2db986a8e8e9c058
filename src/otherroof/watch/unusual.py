"""Whether a run changed far more than its job ever does, or turned content into something that looks encrypted.

Pure. Each measure of a run is held against the same measure of the job's earlier runs by median and median
absolute deviation, which one odd night cannot move (Hampel's identifier; common practice, no source here).
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence

from otherroof.base.units import count_text, percent_text
from otherroof.copying.report import EncryptionSigns
from otherroof.ledger.runs import RunRow

# Earlier runs that it takes to compare with, and that are used at most. FAR_ABOVE is in scaled deviations.
LEAST_HISTORY = 7
MOST_HISTORY = 60
FAR_ABOVE = 6.0
# A deviation scaled like this estimates the standard deviation of normally distributed values.
_SCALE = 1.4826
# Smaller changes are never unusual, however quiet the job is. Fractions of the files.
LEAST_CHANGED = 0.10
LEAST_DENSE = 0.30
LEAST_ENDINGS = 0.05


def stands_out(value: float, history: Sequence[float], least: float) -> bool:
    """Whether `value` stands out above `history`, and is at least `least` above its middle."""
    middle = statistics.median(history)
    deviation = statistics.median(abs(earlier - middle) for earlier in history)
    # `least` decides for a quiet job: if most nights are alike, the deviation is 0 and every small change would stand
    # out.
    return value > middle + max(least, FAR_ABOVE * _SCALE * deviation)


def changed_share(row: RunRow) -> float:
    """The share of the files known before that a run found replaced or gone, 0 to 1."""
    files = row.report.files
    # What the job had before the run: without the new ones, and with those that are gone.
    before = files.seen - files.new + files.removed
    return min(1.0, (files.changed + files.removed) / before) if before > 0 else 0.0


def why_unusual(
    row: RunRow, earlier: Sequence[RunRow], natures: Mapping[str, EncryptionSigns], least_files: int
) -> str | None:
    """What is unusual about a run in the light of the `earlier` ones of its job, or None.

    Fewer than `least_files` files touched, or a job younger than a week of runs, is never unusual.
    """
    # A run that saw no files tells nothing about shares of files.
    history = [past_run for past_run in earlier[:MOST_HISTORY] if past_run.report.files.seen > 0]
    if len(history) < LEAST_HISTORY:
        return None
    files = row.report.files
    nature = natures.get(row.report.run)
    # From here on the surest sign comes first: names that all got the same kind of ending, then content, then mere
    # numbers. Only one is told.
    if nature is not None and nature.endings_changed >= least_files:
        of_files = max(1, files.seen)
        if nature.endings_changed / of_files >= LEAST_ENDINGS:
            files_renamed = count_text(nature.endings_changed, "file")
            return f"{files_renamed} got a further ending on the name, as encrypted files often do"
    if nature is not None and nature.sampled >= least_files:
        past = [_dense_share(natures[past_run.report.run]) for past_run in history if past_run.report.run in natures]
        share = _dense_share(nature)
        if len(past) >= LEAST_HISTORY and stands_out(share, past, LEAST_DENSE):
            usual = statistics.median(past)
            return (
                f"{percent_text(share)} of the new content cannot be compressed, where {percent_text(usual)} is usual"
            )
    touched = files.changed + files.removed
    if touched >= least_files:
        shares = [changed_share(past_run) for past_run in history]
        share = changed_share(row)
        if stands_out(share, shares, LEAST_CHANGED):
            usual = statistics.median(shares)
            files_gone = count_text(touched, "file was", "files were")
            return f"{files_gone} replaced or gone ({percent_text(share)}), where {percent_text(usual, 1)} is usual"
    return None


def _dense_share(nature: EncryptionSigns) -> float:
    return nature.dense / nature.sampled if nature.sampled else 0.0
