"""The life of an alert: told once, told again, quiet, changed, over; by simulated time."""

from __future__ import annotations

from datetime import datetime, timedelta

from otherroof.ledger.alerts import Alert
from otherroof.watch.alert_steps import AlertStep, alert_steps
from otherroof.watch.facts import Finding
from support.watching import DAY, HOUR, NOW

WEEK = 7 * DAY


def finding(mark: str = "", headline: str = "far box heron has not answered") -> Finding:
    return Finding("silent", "heron", headline, "`otherroof probe heron`", NOW - 3 * DAY, mark)


class Life:
    """One alert's life, look by look."""

    def __init__(self) -> None:
        self.standing: list[Alert] = []
        self.told: list[tuple[timedelta, str]] = []

    def look(self, at: datetime, *found: Finding) -> list[AlertStep]:
        steps = alert_steps(found, self.standing, at, WEEK)
        for step in steps:
            self.standing = [one for one in self.standing if one.key != step.after.key]
            if step.after.ended is None:
                self.standing.append(step.after)
            if step.kind != "kept":
                self.told.append((at - NOW, step.kind))
        return steps

    def quiet(self, until: datetime) -> None:
        self.standing = [
            Alert(**{name: getattr(one, name) for name in one.__slots__} | {"quiet_until": until})
            for one in self.standing
        ]


def test_it_is_told_once_again_after_the_week_and_over_once() -> None:
    life = Life()
    for hours in range(24 * 17):
        life.look(NOW + hours * HOUR, *([finding()] if hours < 24 * 16 else []))
    assert life.told == [(0 * DAY, "raised"), (7 * DAY, "again"), (14 * DAY, "again"), (16 * DAY, "over")]


def test_an_alert_that_comes_back_is_raised_anew() -> None:
    life = Life()
    life.look(NOW, finding())
    life.look(NOW + HOUR)
    life.look(NOW + 2 * HOUR, finding())
    assert [kind for _, kind in life.told] == ["raised", "over", "raised"]


def test_words_that_change_are_kept_without_telling() -> None:
    life = Life()
    life.look(NOW, finding())
    steps = life.look(NOW + HOUR, finding(headline="far box heron has not answered for longer"))
    assert [step.kind for step in steps] == ["kept"]
    assert life.standing[0].headline.endswith("longer")
    assert life.look(NOW + 2 * HOUR, finding(headline="far box heron has not answered for longer")) == []


def test_another_occurrence_is_told_at_once_also_when_quiet() -> None:
    life = Life()
    life.look(NOW, finding(mark="one"))
    life.quiet(NOW + 30 * DAY)
    life.look(NOW + HOUR, finding(mark="two"))
    assert life.told == [(0 * DAY, "raised"), (HOUR, "again")]


def test_quiet_holds_back_repeats_and_speaks_once_when_it_ends() -> None:
    life = Life()
    life.look(NOW, finding())
    life.quiet(NOW + 10 * DAY)
    for day in range(1, 20):
        life.look(NOW + day * DAY, finding())
    assert life.told == [(0 * DAY, "raised"), (10 * DAY, "again"), (17 * DAY, "again")]


def test_a_quiet_alert_still_says_when_it_is_over() -> None:
    life = Life()
    life.look(NOW, finding())
    life.quiet(NOW + 10 * DAY)
    life.look(NOW + DAY)
    assert life.told[-1] == (DAY, "over")


def test_a_clock_set_back_by_a_year_does_not_silence_an_alert_for_a_year() -> None:
    life = Life()
    life.look(NOW + 365 * DAY, finding())
    life.look(NOW, finding())
    life.look(NOW + HOUR, finding())
    assert [kind for _, kind in life.told] == ["raised", "again"]


def test_an_alert_never_begins_after_it_was_raised() -> None:
    late = Finding("silent", "heron", "words", "help", NOW + DAY)
    (step,) = alert_steps([late], [], NOW, WEEK)
    assert step.after.begun == NOW
