"""The ledger's pages on versions: which were thinned, why some are pinned, and by which rule a job was thinned last.

It must not know the rule itself, only its text. Whether a version is pinned is noted at the far end; here is why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import Page


@dataclass(frozen=True, slots=True)
class Thinned:
    """Versions that went at one time: their runs, and how many bytes of content went with them."""

    at: datetime
    job: str
    runs: tuple[str, ...]
    freed: int


@dataclass(frozen=True, slots=True)
class RuleInForce:
    """By which rule a job was last thinned. `shortened`: in how far that keeps less than the one before, and then since
    when and until when what goes by it can be recalled; `recalled`: since when the service lets nothing go."""

    rule: str
    shortened: str = ""
    since: datetime | None = None
    until: datetime | None = None
    recalled: datetime | None = None


class ThinnedPage(Page):
    """What was thinned."""

    def note(self, thinned: Thinned) -> None:
        """Versions have gone."""
        with self.file.writing() as db:
            db.execute(
                "INSERT INTO thinned (at, job, runs, freed) VALUES (?, ?, ?, ?)",
                (stamp(thinned.at), thinned.job, " ".join(thinned.runs), thinned.freed),
            )

    def rows(self, job: str = "", since: datetime | None = None) -> list[Thinned]:
        """What was thinned, of one job or all, from a moment on; the newest first."""
        with self.file.guarded():
            found = self.file.db.execute(
                "SELECT at, job, runs, freed FROM thinned WHERE (?1 = '' OR job = ?1) AND at >= ?2 ORDER BY at DESC",
                (job, stamp(since) if since is not None else ""),
            ).fetchall()
        return [Thinned(from_stamp(at), name, tuple(runs.split()), freed) for at, name, runs, freed in found]


class PinPage(Page):
    """Why versions are pinned."""

    def note(self, job: str, run: str, why: str, at: datetime) -> None:
        """A person pinned this version."""
        with self.file.writing() as db:
            db.execute("INSERT OR REPLACE INTO pin (job, run, why, at) VALUES (?, ?, ?, ?)", (job, run, why, stamp(at)))

    def drop(self, job: str, run: str) -> None:
        """It is pinned no longer."""
        with self.file.writing() as db:
            db.execute("DELETE FROM pin WHERE job = ? AND run = ?", (job, run))

    def of(self, job: str) -> dict[str, str]:
        """Why each version of a job is pinned, by run, as far as it is known here."""
        with self.file.guarded():
            return dict(self.file.db.execute("SELECT run, why FROM pin WHERE job = ?", (job,)).fetchall())


class LetGoPage(Page):
    """Damaged versions that a person lets go, whatever the rule says; also those that have gone since."""

    def note(self, job: str, run: str, at: datetime) -> None:
        """A person lets this version go."""
        with self.file.writing() as db:
            db.execute("INSERT OR IGNORE INTO let_go (job, run, at) VALUES (?, ?, ?)", (job, run, stamp(at)))

    def take_back(self, job: str, run: str = "") -> None:
        """It is to stay after all; without `run`, all are."""
        with self.file.writing() as db:
            db.execute("DELETE FROM let_go WHERE job = ?1 AND ?2 IN ('', run)", (job, run))

    def of(self, job: str) -> frozenset[str]:
        """The runs that left those versions."""
        with self.file.guarded():
            return frozenset(run for (run,) in self.file.db.execute("SELECT run FROM let_go WHERE job = ?", (job,)))


class RulePage(Page):
    """By which rule each job was last thinned."""

    def of(self, job: str) -> RuleInForce | None:
        """The rule that a job was last thinned by; None before the first time."""
        with self.file.guarded():
            row = self.file.db.execute(
                "SELECT rule, shortened, since, until, recalled FROM keeping_rule WHERE job = ?", (job,)
            ).fetchone()
        if row is None:
            return None
        rule, shortened, *moments = row
        since, until, recalled = (from_stamp(text) if text else None for text in moments)
        return RuleInForce(rule, shortened, since, until, recalled)

    def note(self, job: str, rule: RuleInForce) -> None:
        """From now on a job is thinned by this."""
        moments: Sequence[datetime | None] = (rule.since, rule.until, rule.recalled)
        with self.file.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO keeping_rule VALUES (?, ?, ?, ?, ?, ?)",
                (job, rule.rule, rule.shortened, *(stamp(moment) if moment else None for moment in moments)),
            )
