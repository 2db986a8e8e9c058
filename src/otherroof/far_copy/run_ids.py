"""Run ids: UTC, so that their order as text is their order in time, and a random end, so that no two are alike."""

from __future__ import annotations

import re
import secrets
from datetime import UTC, datetime, timedelta

from otherroof.base.clock import from_stamp

_RUN_ID = re.compile(r"\d{4}-\d\d-\d\dT\d{6}Z-[0-9a-f]{4}")


def next_run_id(now: datetime, last_seen: str) -> str:
    """A run id for `now`, in order after every run that left a trace, even if the clock went back."""
    # With a clock that went back, ids go on a second after the last one: an id that is lower would hide a newer version
    # behind an older one, and put what it moves aside into the wrong place in the order.
    if last_seen:
        last = datetime.strptime(last_seen[:18], "%Y-%m-%dT%H%M%SZ").replace(tzinfo=UTC)
        now = max(now, last + timedelta(seconds=1))
    return f"{now.astimezone(UTC):%Y-%m-%dT%H%M%SZ}-{secrets.token_hex(2)}"


def is_run_id(text: str) -> bool:
    """Whether this is a whole run id."""
    if not _RUN_ID.fullmatch(text):
        return False
    try:
        time_of_run(text)
    except ValueError:
        return False
    return True


def time_of_run(run: str) -> datetime:
    """The moment in a run's id."""
    return from_stamp(f"{run[:13]}:{run[13:15]}:{run[15:17]}Z")


def listing_text(run: str) -> str:
    """How the listing of a run is called in place of a path."""
    return f"(the listing of {run})"
