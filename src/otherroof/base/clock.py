"""Time as something that is handed in, so that tests can drive it.

The rest of the house asks a Clock for the time and for sleep; it never calls `time` or `datetime.now` itself.
"""

from __future__ import annotations

import re
import threading
import time
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Protocol


class Clock(Protocol):
    """What the house needs of time. `now` is aware and in UTC; seconds are floats."""

    def now(self) -> datetime: ...

    def monotonic(self) -> float: ...

    def sleep(self, seconds: float) -> None: ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def monotonic(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))


class SteppedClock:
    """A clock that moves only when it is told to, or when somebody sleeps on it. For simulation."""

    def __init__(self, start: datetime) -> None:
        if start.tzinfo is None:
            raise ValueError("a start without a zone")
        self._now = start.astimezone(UTC)
        self._monotonic = 0.0
        self._lock = threading.Lock()

    def now(self) -> datetime:
        with self._lock:
            return self._now

    def monotonic(self) -> float:
        with self._lock:
            return self._monotonic

    def sleep(self, seconds: float) -> None:
        self.step(seconds)

    def step(self, seconds: float) -> None:
        """Let `seconds` pass."""
        with self._lock:
            self._now += timedelta(seconds=max(0.0, seconds))
            self._monotonic += max(0.0, seconds)

    def jump(self, seconds: float) -> None:
        """Set the wall clock forward or back without time passing, as a corrected clock does."""
        with self._lock:
            self._now += timedelta(seconds=seconds)


def in_ns(moment: datetime) -> int:
    """`moment` as nanoseconds since 1970, as file systems tell times."""
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000


def stamp(moment: datetime) -> str:
    """`moment` as RFC 3339 text in UTC with whole seconds, as the ledger and listings store it."""
    # Not by `strftime`, which takes several times as long: a service asks its ledger thousands of times a day.
    return f"{moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec='seconds')}Z"


def from_stamp(text: str) -> datetime:
    """The moment that RFC 3339 text names. Lower-case `t` and `z` are taken too (RFC 3339 §5.6).

    Raises ValueError for anything else, and for a time without an offset.
    """
    moment = datetime.fromisoformat(text if text.endswith("Z") else text.upper())
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no offset from UTC")
    return moment if moment.tzinfo is UTC else _in_utc(moment)


def parse_moment(text: str, zone: tzinfo, *, end: bool = False) -> datetime:
    """The moment that a person means by `text`: RFC 3339, or a date or time without offset in the household's `zone`.

    A date or a time without seconds is the first moment of its day, hour or minute, with `end` the last: whoever reads
    08:59 on the screen and writes it down means all of that minute. Raises ValueError for anything else.
    """
    moment = datetime.fromisoformat(text.upper())
    if end:
        moment += _left_open(text)
    if moment.tzinfo is None:
        # An hour that the clock shows twice, when it is put back: its first moment is in the first, its last in the
        # second.
        moment = moment.replace(tzinfo=zone, fold=1 if end else 0)
    return _in_utc(moment)


def _left_open(text: str) -> timedelta:
    """How much later the last moment is that `text` can mean than the first, by what it does not say."""
    grain = timedelta(microseconds=1)
    try:
        date.fromisoformat(text)
    except ValueError:
        clock = re.split(r"[+Z-]", re.split(r"[T ]", text.upper(), maxsplit=1)[-1])[0].replace(":", "")
        grain = {2: timedelta(hours=1), 4: timedelta(minutes=1), 6: timedelta(seconds=1)}.get(len(clock), grain)
    else:
        grain = timedelta(days=1)
    return grain - timedelta(microseconds=1)


def _in_utc(moment: datetime) -> datetime:
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        raise ValueError(f"{moment} is beyond the calendar") from None
