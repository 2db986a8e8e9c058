"""When an alert is told: at once, again, with another one, or not by itself. Values in, values out."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from otherroof.ledger.alerts import Alert
from otherroof.ledger.messages import QueuedMessage
from otherroof.watch.alert_steps import alert_steps
from otherroof.watch.facts import Finding
from otherroof.watch.messages import OVER, MessageContext, included_alerts, message_of, posts_for
from otherroof.watch.rules import RULES, is_event

NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
HOUR, DAY, WEEK = timedelta(hours=1), timedelta(days=1), timedelta(days=7)


def finding(rule: str = "silent", about: str = "heron", *, mark: str = "", because: str = "") -> Finding:
    return Finding(rule, about, "headline", "help", NOW - 9 * DAY, mark, because=because)


def alert(found: Finding, *, told: timedelta = HOUR, **changed: object) -> Alert:
    """As it stands since `told` ago."""
    made = Alert(found.key, found.rule, found.about, found.headline, found.help, found.begun, NOW - told, NOW - told)
    return replace(made, mark=found.mark, **changed)  # type: ignore[arg-type]


def steps(found: list[Finding], standing: list[Alert]) -> dict[str, tuple[str, str]]:
    """Of each alert what happens to it, and under which other one it is told."""
    return {step.after.key: (step.kind, step.under) for step in alert_steps(found, standing, NOW, WEEK)}


def kind_of(found: Finding, standing: Alert) -> str:
    return steps([found], [standing]).get(found.key, ("nothing", ""))[0]


SILENT = finding()
LATE = finding("late", "photos", because="silent:heron")
OTHER = finding("late", "papers", because="silent:heron")


# -- told again --


@pytest.mark.parametrize(
    ("told", "kind"), [(HOUR, "nothing"), (WEEK - HOUR, "nothing"), (WEEK, "again"), (-DAY, "again")]
)
def test_what_lasts_is_told_each_week_and_at_once_if_a_wrong_clock_told_it(told: timedelta, kind: str) -> None:
    assert kind_of(SILENT, alert(SILENT, told=told)) == kind


def test_telling_is_written_down() -> None:
    (step,) = alert_steps([SILENT], [alert(SILENT, told=WEEK)], NOW, WEEK)
    assert (step.after.told, step.after.times) == (NOW, 2)


def test_another_occurrence_is_told_at_once() -> None:
    assert kind_of(finding(mark="2"), alert(finding(mark="1"))) == "again"


# -- quiet --


def test_quiet_is_kept_however_long_it_lasts() -> None:
    quiet = alert(SILENT, told=3 * WEEK, quiet_until=NOW + timedelta(seconds=1))
    assert kind_of(SILENT, quiet) == "nothing"


def test_the_end_of_quiet_is_told_once() -> None:
    quiet = alert(SILENT, told=DAY, quiet_until=NOW)
    (step,) = alert_steps([SILENT], [quiet], NOW, WEEK)
    assert step.kind == "again"
    assert alert_steps([SILENT], [step.after], NOW + HOUR, WEEK) == []


def test_an_alert_that_is_quiet_is_not_told_with_another() -> None:
    quiet = alert(LATE, because="silent:heron", quiet_until=NOW + DAY)
    assert steps([SILENT, LATE], [quiet])["silent:heron"] == ("raised", "")
    assert steps([SILENT, LATE], [quiet]).get("late:photos", ("nothing", ""))[1] == ""


# -- what follows from another --


def test_what_follows_goes_along_with_what_is_told_now() -> None:
    assert steps([SILENT, LATE], []) == {"silent:heron": ("raised", ""), "late:photos": ("raised", "silent:heron")}


def test_what_follows_waits_in_silence_while_the_other_is_not_told() -> None:
    told_before = alert(SILENT)
    assert steps([SILENT, LATE], [told_before]) == {"late:photos": ("kept", "")}


def test_it_waits_also_if_only_the_words_of_the_other_changed() -> None:
    before = replace(alert(SILENT), headline="other words")
    assert steps([SILENT, LATE], [before]) == {"silent:heron": ("kept", ""), "late:photos": ("kept", "")}


def test_what_was_only_told_with_another_is_told_by_itself_when_it_stands_alone() -> None:
    alone = replace(LATE, because="")
    assert kind_of(alone, alert(LATE, because="silent:heron")) == "again"


def test_of_several_that_follow_the_first_speaks_for_all() -> None:
    first = alert(LATE, told=2 * HOUR)
    assert steps([LATE, OTHER], [first]) == {"late:papers": ("kept", "")}


# -- over --


def test_what_is_not_found_any_more_is_over_and_said_so() -> None:
    (step,) = alert_steps([], [alert(SILENT)], NOW, WEEK)
    assert (step.kind, step.after.ended) == ("over", NOW)


def test_there_is_no_all_clear_for_what_was_never_told_by_itself() -> None:
    (step,) = alert_steps([], [alert(LATE, because="silent:heron")], NOW, WEEK)
    assert (step.kind, step.after.ended) == ("kept", NOW)


def test_nothing_began_in_the_future() -> None:
    (step,) = alert_steps([replace(SILENT, begun=NOW + DAY)], [], NOW, WEEK)
    assert step.after.begun == NOW


# -- one message of several --


def post(kind: str, about: str, number: int) -> QueuedMessage:
    made = NOW + timedelta(seconds=number)
    return QueuedMessage("mail", kind, about, made, about, about, facts='{"alerts": []}', bundle=3, id=number)


def test_the_gravest_alert_is_named_and_all_clears_come_last() -> None:
    posts = [post("all clear", "damage:photos", 1), post("alert", "late:photos", 2), post("alert", "damage:papers", 3)]
    assert message_of("larch", posts).subject == "damage:papers, and 2 more"
    assert message_of("larch", posts[:2]).subject == "late:photos, and 1 more"


def test_two_messages_of_one_day_are_two() -> None:
    one, other = (message_of("larch", [post("alert", "late:photos", number)]).id for number in (1, 2))
    assert one != other


# -- which channel is told what --


def posts(found: list[Finding], standing: list[Alert], *channels: tuple[str, tuple[str, ...]]) -> dict[str, list[str]]:
    """By channel the alerts that a message was made about."""
    named: Any = {name: SimpleNamespace(carries=carries) for name, carries in channels}
    context = MessageContext("larch", NOW, ZoneInfo("UTC"), WEEK, named, {"silent:heron", "late:photos", "unsent:mail"})
    made = alert_steps(found, standing, NOW, WEEK)
    told: dict[str, list[str]] = {name: [] for name, _ in channels}
    for step in made:
        for one in posts_for(step, included_alerts(step, made, found), context):
            told[one.channel].append(one.about)
    return told


ALERTS, DIGESTS = ("alerts",), ("digest",)


def test_what_follows_is_told_in_the_message_about_the_other_alone() -> None:
    assert posts([SILENT, LATE], [], ("mail", ALERTS)) == {"mail": ["silent:heron"]}
    made = alert_steps([SILENT, LATE], [], NOW, WEEK)
    lead = next(step for step in made if step.after.key == "silent:heron")
    assert [step.after.key for step in included_alerts(lead, made, [SILENT, LATE]).steps] == ["late:photos"]


def test_a_channel_for_digests_gets_no_alerts_and_one_that_is_broken_none_about_itself() -> None:
    stuck = replace(finding("unsent", "mail"), not_by="mail")
    told = posts([stuck, SILENT], [], ("mail", ALERTS), ("bell", ALERTS), ("paper", DIGESTS))
    assert told == {"mail": ["silent:heron"], "bell": ["unsent:mail", "silent:heron"], "paper": []}


def test_the_end_of_an_alert_is_told_too() -> None:
    assert posts([], [alert(SILENT)], ("mail", ALERTS)) == {"mail": ["silent:heron"]}


def test_every_rule_whose_end_is_told_has_words_of_its_own_for_it() -> None:
    assert set(OVER) == {rule.__name__ for rule in RULES if not is_event(rule.__name__, "")}
