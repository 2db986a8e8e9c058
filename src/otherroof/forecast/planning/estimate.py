"""A figure that is not known for sure: its likely value, its range, and the sentence of how it came about.

Values only. It knows neither what is forecast nor how it is shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

# s: seconds; B: bytes; Mbit/s: of content; nights and files: whole ones; share: of 1; times: as much as now; day: days
# since 0001-01-01, as `date.toordinal` counts them.
EstimateUnit = Literal["s", "B", "Mbit/s", "nights", "files", "share", "times", "day"]


@dataclass(frozen=True, slots=True)
class Likely:
    """A value and the range it lies in; `low` ≤ `value` ≤ `high`, which may be infinite."""

    low: float
    value: float
    high: float

    @classmethod
    def sure(cls, value: float) -> Likely:
        """A value that is known."""
        return cls(value, value, value)

    def __add__(self, other: Likely | float) -> Likely:
        more = other if isinstance(other, Likely) else Likely.sure(other)
        return Likely(self.low + more.low, self.value + more.value, self.high + more.high)

    def times(self, factor: float) -> Likely:
        """All of it times a factor that is not negative."""
        return Likely(self.low * factor, self.value * factor, self.high * factor)

    def under(self, amount: float) -> Likely:
        """`amount` divided by it: the greatest divides into the least. 0 gives infinity."""
        return Likely(_divided(amount, self.high), _divided(amount, self.value), _divided(amount, self.low))


@dataclass(frozen=True, slots=True)
class Estimate:
    """One figure of a forecast. `key` names it from one forecast to the next, as `first_copy.nights`."""

    key: str
    unit: EstimateUnit
    likely: Likely
    how: str

    def as_json(self) -> dict[str, Any]:
        """As `plan --json` prints it; what is infinite is null: perhaps never."""
        low, value, high = (_finite(one) for one in (self.likely.low, self.likely.value, self.likely.high))
        return {"unit": self.unit, "likely": value, "low": low, "high": high, "how": self.how}


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _divided(amount: float, rate: float) -> float:
    return amount / rate if rate > 0 else math.inf if amount > 0 else 0.0
