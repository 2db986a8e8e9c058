"""The rule about recovery sheets: one that was printed tells what is no longer so. Pure, as all rules."""

from __future__ import annotations

from collections.abc import Iterator

from otherroof.base.local_time import day_text
from otherroof.base.text.words import list_text
from otherroof.watch.facts import Facts, Finding


def sheet(facts: Facts) -> Iterator[Finding]:
    """Keys, addresses, far boxes or jobs have changed since the recovery sheet was printed."""
    old = facts.old_sheet
    if old is None:
        return
    which = "recovery sheet with keys" if old.with_keys else "recovery sheet"
    again = "otherroof sheet --with-keys --html FILE" if old.with_keys else "otherroof sheet --html FILE"
    yield Finding(
        "sheet",
        "",
        f"the {which} of {day_text(old.printed, facts.zone)} is older than what it tells: {list_text(old.changed)} "
        "changed since",
        f"Copies go on as they should; but whoever has to go by that sheet would not get in. `{again}` makes a new "
        "one: print it, put it where the old one lies, destroy the old one and the file.",
        facts.now,
        mark=",".join(old.changed),
    )
