"""A month of household life with every mail in its order: none says what a later one shows to be wrong or needless."""

from __future__ import annotations

import json
from collections import Counter
from datetime import timedelta

import pytest

from otherroof.watch.channels import Message
from support.household_month import END, MAILS, MOVED_AWAY, OTHER_KEY, START, UNPLUGGED, HouseholdMonth, headlines

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> HouseholdMonth:
    return HouseholdMonth(tmp_path_factory.mktemp("month"))


def of_kind(month: HouseholdMonth, kind: str) -> list[Message]:
    return [mail for mail in month.mails if mail.kind == kind]


def told_in(mail: Message) -> list[str]:
    return [one["alert"] for one in json.loads(mail.facts)["alerts"]]


def test_the_months_mails_are_as_they_were_last_read(month: HouseholdMonth) -> None:
    assert headlines(month.mails) == MAILS.read_text(encoding="utf-8")


def test_the_month_held_what_it_was_to_hold(month: HouseholdMonth) -> None:
    """Else silence would be no merit."""
    photos = [one for one in month.ran if one.job == "photos"]
    first = next(place for place, one in enumerate(photos) if one.outcome == "done")
    assert first > 3, "its first copy took nights"
    assert {one.outcome for one in photos} == {"done", "cut", "failed", "held"}
    assert UNPLUGGED[1] - UNPLUGGED[0] > timedelta(days=4)
    for begin, end in (UNPLUGGED, OTHER_KEY):
        assert [one.outcome for one in month.ran if begin <= one.begun < end].count("failed") > 1
    assert any(MOVED_AWAY[0] <= one.begun < MOVED_AWAY[1] and one.outcome == "held" for one in photos)
    assert START < month.mails[0].at < month.mails[-1].at < END


def test_each_trouble_is_told_once_and_its_end_once(month: HouseholdMonth) -> None:
    raised = Counter(mail.about for mail in of_kind(month, "alert") if "] still: " not in mail.subject)
    over = Counter(mail.about for mail in of_kind(month, "all clear"))
    assert raised == Counter(["silent:heron", "damage:photos", "host_key:heron", "held:photos", "space:heron"])
    assert over == raised - Counter(["damage:photos"]), "what was healed before it was told needs no all-clear"


def test_what_follows_from_a_trouble_is_in_its_mail_and_nowhere_else(month: HouseholdMonth) -> None:
    late = [mail.about for mail in month.mails if mail.kind != "digest" and "late:photos" in told_in(mail)]
    assert late == ["silent:heron"]
    assert not any(mail.about.startswith("late:") for mail in month.mails)


def test_a_first_copy_is_not_taken_for_a_disk_that_fills(month: HouseholdMonth) -> None:
    space = next(mail for mail in month.mails if mail.about == "space:heron")
    assert space.at > UNPLUGGED[1]
    early = of_kind(month, "digest")[0]
    assert "first copy" in early.text
    digests = " ".join("".join(mail.text for mail in of_kind(month, "digest")).split())
    assert "a night less" not in digests, "nights grew no lighter"


def test_every_digest_agrees_with_what_stood_then(month: HouseholdMonth) -> None:
    well = [("All well" in mail.subject) or ("First copy" in mail.subject) for mail in of_kind(month, "digest")]
    standing: set[str] = set()
    expected = []
    for mail in month.mails:
        if mail.kind == "digest":
            expected.append(not standing)
        elif mail.about != "damage:photos":
            (standing.add if mail.kind == "alert" else standing.discard)(mail.about)
    assert well == expected
    assert len(well) == 5
