"""Ledger: the forecasts that were made of each job, so that the next one can say what has become otherwise."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import Page

# With the one that is compared with, enough to see what was said in the course of a year.
MOST_KEPT = 400


class ForecastPage(Page):
    """Forecasts as they were printed in JSON."""

    def note(self, job: str, at: datetime, told: Mapping[str, Any]) -> None:
        """Keep a forecast; of each job the newest MOST_KEPT stay."""
        with self.file.writing() as db:
            db.execute("INSERT OR REPLACE INTO forecast VALUES (?, ?, ?)", (job, stamp(at), json.dumps(told)))
            db.execute(
                "DELETE FROM forecast WHERE job=?1 AND at NOT IN"
                " (SELECT at FROM forecast WHERE job=?1 ORDER BY at DESC LIMIT ?2)",
                (job, MOST_KEPT),
            )

    def last(self, job: str, before: datetime) -> tuple[datetime, dict[str, Any]] | None:
        """When the newest forecast of a job no later than `before` was made, and what it said."""
        with self.file.guarded():
            row = self.file.db.execute(
                "SELECT at, told FROM forecast WHERE job=? AND at<=? ORDER BY at DESC LIMIT 1", (job, stamp(before))
            ).fetchone()
        return (from_stamp(row[0]), json.loads(row[1])) if row else None
