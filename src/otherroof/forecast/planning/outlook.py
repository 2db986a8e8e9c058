"""The whole forecast of one job, and what it says otherwise than the one before.

Pure: facts in, an outlook out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from otherroof.forecast.planning.coming_back import coming_back, copies_there_are
from otherroof.forecast.planning.estimate import Estimate, Likely
from otherroof.forecast.planning.facts import Outlook, PlanFacts, PlanSection
from otherroof.forecast.planning.far_disk import far_disk
from otherroof.forecast.planning.first import first_copy
from otherroof.forecast.planning.nightly import usual_night


def outlook(facts: PlanFacts) -> Outlook:
    """Every question of a forecast, in the order in which a household meets it."""
    parts = [first_copy(facts), usual_night(facts), far_disk(facts), coming_back(facts)]
    if facts.copies:
        parts.append(copies_there_are(facts))
    line = PlanSection(
        "line",
        (
            Estimate("line.up", "Mbit/s", facts.line.up, facts.line.how_up),
            Estimate("line.back", "Mbit/s", facts.line.back, facts.line.how_back),
        ),
    )
    return Outlook(facts.name, (line, *parts))


@dataclass(frozen=True, slots=True)
class ChangedEstimate:
    """A figure that lies outside the range that the last forecast gave for it."""

    estimate: Estimate
    before: Likely

    def as_json(self) -> dict[str, Any]:
        """As `plan --json` prints it."""
        before = Estimate(self.estimate.key, self.estimate.unit, self.before, "").as_json()
        return {"key": self.estimate.key, "before": {key: before[key] for key in ("likely", "low", "high")}}


def changed_since(now: Outlook, before: Mapping[str, Any]) -> list[ChangedEstimate]:
    """The figures of `now` that lie outside the range of the forecast `before`, as its `as_json` had it."""
    found = []
    for key, one in now.estimates.items():
        last = before.get("figures", {}).get(key)
        if not isinstance(last, Mapping) or last.get("unit") != one.unit:
            continue
        low, value, high = (_number(last.get(part)) for part in ("low", "likely", "high"))
        if not low * (1 - 1e-9) <= one.likely.value <= high * (1 + 1e-9):
            found.append(ChangedEstimate(one, Likely(low, value, high)))
    return found


def _number(value: object) -> float:
    """What is null is infinite: a JSON file has no word for that."""
    return float(value) if isinstance(value, int | float) else math.inf
