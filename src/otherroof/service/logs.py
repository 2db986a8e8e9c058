"""Where the service's own lines go: standard error, which systemd takes into the journal with each line's weight."""

from __future__ import annotations

import logging
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

# sd-daemon(3): a line that begins with <N> has the weight N of syslog(3).
WEIGHTS = ((logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
LOWEST = 7


class _ForJournal(logging.Formatter):
    """Weight and text; the journal knows the time by itself."""

    def format(self, record: logging.LogRecord) -> str:
        mark = f"<{next((weight for level, weight in WEIGHTS if record.levelno >= level), LOWEST)}>"
        return "\n".join(mark + line for line in super().format(record).splitlines())


class _ForPeople(logging.Formatter):
    """The household's time and the text."""

    def __init__(self, zone: ZoneInfo) -> None:
        super().__init__("%(asctime)s %(levelname)-7s %(message)s")
        self._zone = zone

    def formatTime(self, record: logging.LogRecord, datefmt: str | None = None) -> str:
        return f"{datetime.fromtimestamp(record.created, UTC).astimezone(self._zone):%Y-%m-%d %H:%M:%S}"


def formatter(environ: Mapping[str, str], zone: ZoneInfo) -> logging.Formatter:
    """How lines look: for the journal where standard error leads there (systemd.exec(5), JOURNAL_STREAM)."""
    return _ForJournal("%(message)s") if environ.get("JOURNAL_STREAM") else _ForPeople(zone)


def set_up_logs(environ: Mapping[str, str], zone: ZoneInfo) -> None:
    """Send the lines of Otherroof and the warnings of its libraries to standard error."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(formatter(environ, zone))
    root = logging.getLogger()
    root.addHandler(handler)
    root.setLevel(logging.WARNING)
    logging.getLogger("otherroof").setLevel(logging.INFO)
