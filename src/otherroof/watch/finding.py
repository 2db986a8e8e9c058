"""What a rule of the watch answers with, and what the rules share. Pure, and it knows none of the rules."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from otherroof.watch.facts import Facts

# After home itself was off for long, nobody can have answered it; it gets this long to ask and to catch up.
GRACE = timedelta(hours=3)


@dataclass(frozen=True, slots=True)
class Finding:
    """What a rule found: about which job, far box or channel, since when, and what to do.

    A new `mark` means another occurrence of the same thing, told at once; `not_by` is a channel of no use here.
    `because` is the key of what it follows from, whether or not that is found too.
    """

    rule: str
    about: str
    headline: str
    help: str
    begun: datetime
    mark: str = ""
    not_by: str = ""
    because: str = ""

    @property
    def key(self) -> str:
        """The alert's name: `silent:heron`; just the rule if it is about home itself."""
        return f"{self.rule}:{self.about}" if self.about else self.rule


def too_early(facts: Facts, key: str, overdue: timedelta, limit: timedelta) -> bool:
    """Whether it is too early: home itself was off until just now, and less than twice the limit has passed.

    An alert that stands is not ended by this.
    """
    if key in facts.standing:
        return False
    # At twice the limit nobody should wait any longer, even if home's own sleep may explain it.
    return facts.now - facts.look.awake_since < GRACE and overdue < 2 * limit
