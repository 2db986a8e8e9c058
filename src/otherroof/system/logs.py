"""Where the service's own lines go: standard error, which systemd takes into the journal with each line's weight."""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from otherroof.base.clock import Clock, SystemClock

# sd-daemon(3): a line that begins with <N> has the weight N of syslog(3).
WEIGHTS = ((logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
LOWEST = 7
AGAIN_S = 3600.0


class _ForJournal(logging.Formatter):
    """Weight and text; the journal knows the time by itself."""

    def format(self, record: logging.LogRecord) -> str:
        mark = f"<{next((weight for level, weight in WEIGHTS if record.levelno >= level), LOWEST)}>"
        # The journal takes each line as an entry of its own, so each needs the mark: a trace has many.
        return "\n".join(mark + line for line in super().format(record).splitlines())


class _ForPeople(logging.Formatter):
    """The household's time and the text."""

    def __init__(self, zone: ZoneInfo) -> None:
        super().__init__("%(asctime)s %(levelname)-7s %(message)s")
        self._zone = zone

    def formatTime(self, record: logging.LogRecord, datefmt: str | None = None) -> str:
        return f"{datetime.fromtimestamp(record.created, UTC).astimezone(self._zone):%Y-%m-%d %H:%M:%S}"


class OnceAnHour(logging.Filter):
    """Lets the same warning through once an hour, with how often it came since: what stands for weeks, such as a
    folder that cannot be written, must not bury everything else."""

    def __init__(self, clock: Clock) -> None:
        super().__init__()
        self._clock = clock
        self._seen: dict[str, tuple[float, int]] = {}
        self._lock = threading.Lock()  # logging asks its filters from every thread, without one

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether this line is to be said now."""
        if record.levelno < logging.WARNING:
            return True
        with self._lock:
            return self._is_due(record)

    def _is_due(self, record: logging.LogRecord) -> bool:
        now, text = self._clock.monotonic(), record.getMessage()
        at, held_back = self._seen.get(text, (None, 0))
        if at is not None and now - at < AGAIN_S:
            self._seen[text] = (at, held_back + 1)
            return False
        # What has not come for long is forgotten, so that this does not grow with the years.
        self._seen = {line: seen for line, seen in self._seen.items() if now - seen[0] < 2 * AGAIN_S}
        self._seen[text] = (now, 0)
        if held_back:
            record.msg, record.args = f"{text} ({held_back} more since it was last said)", ()
        return True


def formatter(environ: Mapping[str, str], zone: ZoneInfo) -> logging.Formatter:
    """How lines look: for the journal if standard error leads there (systemd.exec(5), JOURNAL_STREAM)."""
    return _ForJournal("%(message)s") if environ.get("JOURNAL_STREAM") else _ForPeople(zone)


def set_up_logs(environ: Mapping[str, str], zone: ZoneInfo) -> None:
    """Send the lines of Otherroof and the warnings of its libraries to standard error."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(formatter(environ, zone))
    # At the handler, not at a logger: filters of a logger are not asked for what comes from loggers below it.
    handler.addFilter(OnceAnHour(SystemClock()))
    root = logging.getLogger()
    root.addHandler(handler)
    root.setLevel(logging.WARNING)
    logging.getLogger("otherroof").setLevel(logging.INFO)
