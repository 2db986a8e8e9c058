"""Which versions of a job are kept: the table `[versions]`, and its lines of text such as `"30 days" = "one a day"`.

Pure. It says what was written and whether that can be meant; which version goes by it is decided in `restore`.
"""

from __future__ import annotations

import calendar
import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import MINYEAR, date, timedelta
from itertools import pairwise
from typing import Annotated, Literal, Self, get_args

from pydantic import AfterValidator, Field

from otherroof.settings.fields import Strict

Unit = Literal["day", "week", "month", "year"]
Spacing = Literal["every run", "one a day", "one a week", "one a month", "one a year"]  # ever wider
SPACINGS: tuple[Spacing, ...] = get_args(Spacing)

AGE_RULE = re.compile(r"([1-9]\d{0,3}) (day|week|month|year)s?\Z", re.ASCII)
NOMINAL_DAYS: dict[Unit, float] = {"day": 1, "week": 7, "month": 365.2425 / 12, "year": 365.2425}  # to compare ages


@dataclass(frozen=True, slots=True)
class Age:
    """So many days, weeks, months or years, counted in the household's calendar."""

    count: int
    unit: Unit

    @classmethod
    def parse(cls, text: str) -> Self:
        """The age that `text` names. Raises ValueError with what would be right."""
        match = AGE_RULE.match(text)
        if match is None:
            raise ValueError(f'{text!r} is not an age; such as "7 days", "8 weeks" or "5 years" is wanted')
        unit: Unit = match.group(2)  # type: ignore[assignment]  # the pattern takes no other
        return cls(int(match.group(1)), unit)

    @property
    def nominal_days(self) -> float:
        """About how many days it is."""
        return self.count * NOMINAL_DAYS[self.unit]

    def before(self, day: date) -> date:
        """The day that lies so far before `day`; of a month that has no such day, its last."""
        try:
            if self.unit in ("day", "week"):
                return day - timedelta(days=self.count * (7 if self.unit == "week" else 1))
            months = self.count * (12 if self.unit == "year" else 1)
            year, month = divmod(day.year * 12 + day.month - 1 - months, 12)
            return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))
        except (OverflowError, ValueError):
            return date(MINYEAR, 1, 1)  # before the calendar begins


@dataclass(frozen=True, slots=True)
class SpacingLine:
    """Up to this age, versions are kept so far apart."""

    age: Age
    spacing: Spacing


def spacing_lines(table: Mapping[str, str]) -> tuple[SpacingLine, ...]:
    """The lines of `[versions.spacing]`, the youngest age first. Raises ValueError with what would be right."""
    lines = [SpacingLine(Age.parse(age), _spacing(age, text)) for age, text in table.items()]
    lines.sort(key=lambda line: line.age.nominal_days)
    texts = {Age.parse(age): age for age in table}
    for younger, older in pairwise(lines):
        pair = f"{texts[younger.age]!r} and {texts[older.age]!r}"
        if abs(older.age.nominal_days - younger.age.nominal_days) < 0.01:
            raise ValueError(f"{pair} are the same age; one line for each is wanted")
        if SPACINGS.index(older.spacing) < SPACINGS.index(younger.spacing):
            raise ValueError(
                f"{pair}: what is older cannot be kept closer together ({older.spacing!r} after {younger.spacing!r})"
            )
    return tuple(lines)


def _spacing(age: str, text: str) -> Spacing:
    for known in SPACINGS:
        if text == known:
            return known
    near = difflib.get_close_matches(text, SPACINGS, n=1, cutoff=0.5)
    right = f"perhaps {near[0]!r} is meant" if near else f"one of these is wanted: {', '.join(SPACINGS)}"
    raise ValueError(f"{age!r} = {text!r} is no spacing; {right}")


def _checked(table: dict[str, str]) -> dict[str, str]:
    spacing_lines(table)
    return table


class Versions(Strict):
    """Which versions stay. Without a line in `spacing` every one does.

    `spacing`: up to which age, how far apart; what is older than its last line goes, and fewer than `at_least` never
    remain. What is to go is written down at the far box and goes `thin_wait_days` later.
    """

    at_least: int = Field(default=10, ge=1)
    thin_wait_days: float = Field(default=7, ge=1)
    spacing: Annotated[dict[str, str], AfterValidator(_checked)] = Field(default_factory=dict)

    @property
    def lines(self) -> tuple[SpacingLine, ...]:
        """The lines of `spacing`, the youngest age first."""
        return spacing_lines(self.spacing)

    def over(self, default: Versions) -> Versions:
        """This table with `default` for what it does not say. The lines of `spacing` go together."""
        return default.model_copy(update={name: getattr(self, name) for name in self.model_fields_set})
