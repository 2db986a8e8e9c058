"""The ledger's pages on alerts: which stand, which ended, which are quiet, and what is to be said about each.

A change to an alert and the messages about it are written in one transaction, so that a restart neither
repeats an alert nor forgets one. Which changes are due is decided by the watch, not here.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import Page
from otherroof.ledger.messages import QueuedMessage, queue_together

_COLUMNS = "id, key, rule, about, headline, help, mark, begun, raised, told, times, quiet_until, ended, because"


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert. `begun` is when the trouble itself began, `raised` when it was found.

    `mark` tells one occurrence of the same trouble from the next; `times` counts how often it was told. `because`
    names the trouble that it follows from, while it was told with that one only and never by itself.
    """

    key: str
    rule: str
    about: str
    headline: str
    help: str
    begun: datetime
    raised: datetime
    told: datetime
    mark: str = ""
    times: int = 1
    quiet_until: datetime | None = None
    ended: datetime | None = None
    because: str = ""
    id: int = 0

    def as_json(self) -> dict[str, Any]:
        """The alert as `--json` prints it."""
        return {
            "alert": self.key,
            "rule": self.rule,
            "about": self.about,
            "headline": self.headline,
            "help": self.help,
            "begun": stamp(self.begun),
            "raised": stamp(self.raised),
            "told": stamp(self.told),
            "times": self.times,
            "because": self.because or None,
            "quiet_until": stamp(self.quiet_until) if self.quiet_until else None,
            "ended": stamp(self.ended) if self.ended else None,
        }


@dataclass(frozen=True, slots=True)
class AlertChange:
    """An alert as it shall be from now on, as it was (None: new), and the messages about it."""

    after: Alert
    before: Alert | None = None
    posts: tuple[QueuedMessage, ...] = field(default=())


class AlertPage(Page):
    """Every alert, standing or ended."""

    def standing(self) -> list[Alert]:
        """The alerts that have not ended, oldest first."""
        return self._rows("ended IS NULL ORDER BY raised, id")

    def ended_since(self, moment: datetime) -> list[Alert]:
        """The alerts that ended at or after `moment`, newest first."""
        return self._rows("ended IS NOT NULL AND ended >= ? ORDER BY ended DESC, id DESC", stamp(moment))

    def record(self, changes: Sequence[AlertChange]) -> int:
        """Write all `changes` with their messages, all or none. Returns how many took effect.

        A change whose alert another process has changed meanwhile is left out, with its messages. What is written
        by one call goes out together, as one message by each channel.
        """
        if not changes:
            return 0
        with self.file.writing() as db:
            made = [change for change in changes if _apply(db, change)]
            queue_together(db, [post for change in made for post in change.posts])
        return len(made)

    def quiet(self, key: str, until: datetime | None) -> bool:
        """Say nothing more about a standing alert until then (None: speak again). False if none stands."""
        moment = stamp(until) if until else None
        with self.file.writing() as db:
            return (
                db.execute("UPDATE alert SET quiet_until=? WHERE key=? AND ended IS NULL", (moment, key)).rowcount > 0
            )

    def _rows(self, where: str, *given: str) -> list[Alert]:
        with self.file.guarded():
            rows = self.file.db.execute(f"SELECT {_COLUMNS} FROM alert WHERE {where}", given).fetchall()
        return [_as_alert(row) for row in rows]


def _apply(db: sqlite3.Connection, change: AlertChange) -> bool:
    after, before = change.after, change.before
    if before is None:
        done = db.execute(
            "INSERT INTO alert (key, rule, about, headline, help, mark, begun, raised, told, times, because)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (
                after.key,
                after.rule,
                after.about,
                after.headline,
                after.help,
                after.mark,
                stamp(after.begun),
                stamp(after.raised),
                stamp(after.told),
                after.times,
                after.because,
            ),
        ).rowcount
    else:
        done = db.execute(
            "UPDATE alert SET headline=?, help=?, mark=?, told=?, times=?, because=?, ended=?"
            " WHERE id=? AND told=? AND times=? AND ended IS NULL",
            (
                after.headline,
                after.help,
                after.mark,
                stamp(after.told),
                after.times,
                after.because,
                stamp(after.ended) if after.ended else None,
                before.id,
                stamp(before.told),
                before.times,
            ),
        ).rowcount
    return done > 0


def _as_alert(row: tuple[Any, ...]) -> Alert:
    number, key, rule, about, headline, help_, mark, begun, raised, told, times, quiet_until, ended, because = row
    return Alert(
        key=key,
        rule=rule,
        about=about,
        headline=headline,
        help=help_,
        mark=mark,
        begun=from_stamp(begun),
        raised=from_stamp(raised),
        told=from_stamp(told),
        times=times,
        quiet_until=from_stamp(quiet_until) if quiet_until else None,
        ended=from_stamp(ended) if ended else None,
        because=because,
        id=number,
    )
