"""Why no version may go now, whatever the rule says. Pure: what is known in, reasons out, each with what to do."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from otherroof.base.units import count_text
from otherroof.far.clock_offset import ClockOffset

AFTER_JUMP = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class ThinState:
    """What is known as versions are about to go.

    `damaged` counts files known to be damaged at the far end, `flawed` names a version whose listing cannot be read,
    `lost` the newest run that counted if the far box does not show it. `jumped_at`: when home's clock was last set by a
    lot; `ahead`: how many runs home's history holds from the future; `other`: a run of another server that goes on.
    """

    now: datetime
    damaged: int = 0
    held: bool = False
    flawed: str = ""
    lost: str = ""
    offset: ClockOffset | None = None
    jumped_at: datetime | None = None
    ahead: int = 0
    other: str = ""


def objection(job: str, state: ThinState) -> str:
    """The gravest reason why nothing may go or be written down now; empty if there is none."""
    if state.damaged or state.flawed:
        damaged = count_text(state.damaged, "file is", "files are")
        what = f"the listing of {state.flawed} cannot be read" if state.flawed else f"{damaged} damaged"
        return (
            f"{what} at the far end: an older version may be the only good one; `otherroof prove {job} --heal` mends "
            f"what this home has, `otherroof thin {job} --let-go RUN` lets a version go that nobody can mend"
        )
    if state.lost:
        return f"the far box does not show run {state.lost}, which counted: find out why first"
    if state.held:
        return f"a run is held, so older versions may be needed: look first, then `otherroof release {job}`"
    if state.other:
        return f"another server is copying to it (run {state.other}): one server only may write to a far copy"
    if state.offset is None:
        return "the far box's clock cannot be told: `otherroof probe` shows why it takes no file"
    if not state.offset.agrees:
        by = f"{abs(state.offset.ahead_s):.0f} s {'ahead of' if state.offset.ahead_s > 0 else 'behind'}"
        return f"the far box's clock is {by} this machine's, so ages cannot be told: set the one that is wrong"
    if state.ahead:
        return "home's history holds runs from the future, so this machine's clock is or was wrong: `timedatectl`"
    if state.jumped_at is not None and abs(state.now - state.jumped_at) < AFTER_JUMP:
        return (
            "this machine's clock was set by a lot within the last day: look whether it is right; tomorrow it goes on"
        )
    return ""
