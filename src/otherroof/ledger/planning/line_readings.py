"""Ledger: what the line to each far box carried when somebody measured it."""

from __future__ import annotations

from dataclasses import astuple, dataclass
from datetime import datetime

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import WirePage


@dataclass(frozen=True, slots=True)
class LineReading:
    """One measurement: Mbit/s of TCP payload to the far box and from there, round trips in ms while the line was idle
    and while it carried each of these, and the bytes that it took."""

    far: str
    at: datetime
    up_mbit: float
    down_mbit: float
    idle_ms: float
    loaded_up_ms: float
    loaded_down_ms: float
    wire_up: int
    wire_down: int


class LinePage(WirePage):
    """Every measurement."""

    table = "line_reading"
    moment = "at"

    def note(self, reading: LineReading) -> None:
        """Write down what was measured."""
        far, at, *figures = astuple(reading)
        with self.file.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO line_reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", (far, stamp(at), *figures)
            )

    def last(self, far: str, before: datetime) -> LineReading | None:
        """The newest measurement of a far box that is no later than `before`."""
        with self.file.guarded():
            row = self.file.db.execute(
                "SELECT * FROM line_reading WHERE far=? AND at<=? ORDER BY at DESC LIMIT 1", (far, stamp(before))
            ).fetchone()
        return LineReading(row[0], from_stamp(row[1]), *row[2:]) if row else None
