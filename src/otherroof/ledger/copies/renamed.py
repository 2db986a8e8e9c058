"""Writes in the history that a job has another name from now on: all that it has of the copy at one far box.

It must not know why, nor which names there may be. What is of a far box (its answers, its disk, its line) stays.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from otherroof.ledger.file import Page

OF_A_FAR_BOX = ("run", "proof", "drill")  # tables with a column for the job and one for the far box
OF_A_RUN = ("run_problem", "run_nature", "hold", "damage", "pin", "let_go")  # of the box that the run went to
# Without a far box: these are of the one to which the job went last, and so is what is of a run that nothing else tells
# of.
OF_A_JOB = ("turn", "proved", "thinned", "keeping_rule", "forecast")
# How recurring work on a job is called where the ledger keeps when that was last done, and what is watched.
MARKS = ("drill {}", "prove {}", "thin {}", "thinned after {}")
WATCHED = "job {} to {}"
_LAST_FAR = "SELECT far FROM run WHERE job=? ORDER BY started DESC, run DESC LIMIT 1"


class RenamedPage(Page):
    """The names of jobs in all other pages."""

    def last_far(self, job: str) -> str:
        """To which far box the newest run of `job` went; empty if there is none."""
        return self._one(_LAST_FAR, job)

    def went_to(self, job: str, far: str) -> bool:
        """Whether a run of `job` ever went to that far box."""
        return bool(self._one("SELECT far FROM run WHERE job=? AND far=? LIMIT 1", job, far))

    def rename(self, old: str, new: str, far: str, rules: Sequence[str]) -> None:
        """What is known of `old` at `far` is known of `new`. `rules` are those whose alerts are about jobs.

        All or nothing. In place of what `new` has by now: whoever still works under the old name has written last.
        """
        with self.file.writing() as db:
            whole = db.execute(_LAST_FAR, (old,)).fetchone() == (far,)
            for table in OF_A_RUN:
                of_far = "run IN (SELECT run FROM run WHERE job=?2 AND far=?3)"
                db.execute(f"UPDATE OR REPLACE {table} SET job=?1 WHERE job=?2 AND {of_far}", (new, old, far))
            for table in OF_A_FAR_BOX:
                db.execute(f"UPDATE OR REPLACE {table} SET job=? WHERE job=? AND far=?", (new, old, far))
            subjects = (WATCHED.format(new, far), WATCHED.format(old, far))
            db.execute("UPDATE OR REPLACE watched SET subject=? WHERE subject=?", subjects)
            if whole:
                _rename_rest(db, old, new, rules)

    def _one(self, query: str, *given: str) -> str:
        with self.file.guarded():
            row = self.file.db.execute(query, given).fetchone()
        return str(row[0]) if row else ""


def _rename_rest(db: sqlite3.Connection, old: str, new: str, rules: Sequence[str]) -> None:
    for table in OF_A_RUN:
        unknown = "run NOT IN (SELECT run FROM run WHERE job=?2)"
        db.execute(f"UPDATE OR REPLACE {table} SET job=?1 WHERE job=?2 AND {unknown}", (new, old))
    for table in OF_A_JOB:
        db.execute(f"UPDATE OR REPLACE {table} SET job=? WHERE job=?", (new, old))
    for mark in MARKS:
        db.execute("UPDATE OR REPLACE mark SET name=? WHERE name=?", (mark.format(new), mark.format(old)))
    for rule in rules:  # by the rule, since a far box may be called like a job
        keys = (f"{rule}:{new}", f"{rule}:{old}")
        db.execute("UPDATE OR REPLACE alert SET key=?1, about=?3 WHERE key=?2", (*keys, new))
        db.execute("UPDATE alert SET because=? WHERE because=?", keys)
