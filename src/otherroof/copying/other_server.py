"""Notices a second server that writes to the same far copy, such as the old one that was left on after a move.

Two of them would each replace what the other's listing names. A run that goes on keeps its mark at the far end fresh;
whoever finds a fresh mark of another server, or a newest version that it did not begin from, writes no more.
"""

from __future__ import annotations

from collections.abc import Sequence

from otherroof.base.errors import FarTrouble
from otherroof.far_copy.keeper import FarNow, Keeper, RunMark
from otherroof.far_copy.view import FarCopyView

KEEP_FRESH_S = 60.0  # how often a run that goes on says so
FRESH_S = 15 * 60  # for so long it is believed: some steps of a run take minutes in which it says nothing
ADVICE = (
    "stop the service on all servers but one, or give each its own job names; if a run of a server that is off now "
    "stopped early just before, wait a quarter of an hour"
)


def require_alone(keeper: Keeper, view: FarCopyView, run: str, base: str, now: FarNow | None = None) -> None:
    """Raises FarTrouble if another server has changed the far copy since `run` began, or is changing it now.

    `base` is the version that `run` began from. `view` is what stood there when this connection was made, `now` what
    stands there now, if somebody has looked.
    """
    now = now or keeper.look_around(run)
    if now.marks and all(mark.run != run for mark in now.marks):
        keeper.begin(run, view)  # for a mark of our own, which tells the time over there
        now = keeper.look_around(run)
    if now.newest not in (base, run):
        what = f"another server copied to it meanwhile (run {now.newest}), so this run ends here"
        raise FarTrouble(what, advice=ADVICE)
    other = fresh_mark_of_another(now.marks, run)
    if other is not None:
        raise FarTrouble(f"another server is copying to it (run {other.run}), so this run ends here", advice=ADVICE)


def fresh_mark_of_another(marks: Sequence[RunMark], run: str) -> RunMark | None:
    """The mark of a run of another server that goes on, if there is one among these and that of `run`."""
    own = next((mark for mark in marks if mark.run == run), None)
    if own is None:
        return None
    # A mark that says nothing was made on a disk that took no more: its run has moved nothing.
    others = (mark for mark in marks if mark.server and own.server and mark.server != own.server)
    return next((mark for mark in others if own.at - mark.at < FRESH_S), None)
