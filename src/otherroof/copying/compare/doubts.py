"""Reads files that kept their size, before the guard's verdict: their times prove nothing.

Whoever overwrites files can put their times back, and a change of owner moves times of files that are the same. What
was found goes into the plan; whether it is too much is the guard's affair.
"""

from __future__ import annotations

from collections.abc import Callable

from otherroof.base.errors import HomeTrouble
from otherroof.copying.compare.change import LARGE, PlannedChange, Rows
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.home.read import ChangedWhileRead, SourceFolder


class DoubtSettler:
    """Settles the doubts of one plan."""

    def __init__(self, plan: RunPlan, source: SourceFolder, check_stop: Callable[[], None]) -> None:
        self._plan = plan
        self._source = source
        self._check_stop = check_stop

    def settle(self, still_matters: Callable[[int], bool]) -> None:
        """Read what kept its size, for as long as `still_matters` says so of the number that may have changed."""
        totals = self._plan.totals()
        changed = totals.changed + totals.doubtful
        for change in self._plan.pages(Rows.SAME_SIZE):
            if not still_matters(changed):
                return
            self._check_stop()
            changed -= not self._has_changed(change)

    def _has_changed(self, change: PlannedChange) -> bool:
        """Read one file and note what was found; whether it counts as changed from now on."""
        try:
            digest = self._digest(change)
        except ChangedWhileRead:
            digest = b""
        except HomeTrouble:
            return not change.doubt  # nothing of it can be sent
        same = digest == change.old_digest
        # A large file's digest spares reading it twice. A further name must not look as if its content were on its way.
        keep = same or (change.size > LARGE and change.first is None and digest)
        self._plan.settle_doubt(change, digest if keep else None, same=same)
        return not same

    def _digest(self, change: PlannedChange) -> bytes:
        """The digest of the file as the scan found it; empty if it is another by now."""
        first = self._plan.get(change.first) if change.first is not None else None
        if first is not None and first.digest and first.numbers == change.numbers:
            return first.digest
        _, entry, numbers = self._source.digest(change.path)
        return entry.digest if numbers == change.numbers else b""
