"""What can go wrong when several screens tell when a far disk will be full: two of them tell different days."""

from __future__ import annotations

import json
import re
from datetime import timedelta

import pytest

from otherroof.base.clock import SteppedClock, stamp
from otherroof.base.local_time import between_days, day_text
from otherroof.cli.look import status as status_verb
from otherroof.cli.think_ahead.show_outlook import picture
from otherroof.forecast.planning.outlook import outlook
from otherroof.jobs.planning.gather import facts_of
from otherroof.jobs.planning.request import PlanRequest
from otherroof.ledger import Ledger
from otherroof.settings import Settings
from otherroof.watch import digest
from otherroof.watch.gather import WatchInputs, gather
from otherroof.watch.overview import overview
from otherroof.watch.rules import findings
from support.one_way import text_of
from support.screens import NOW, lived, pages, terminal


def _words(text: str) -> str:
    return " ".join(text.split())


def _plan(settings: Settings, ledger: Ledger, clock: SteppedClock) -> tuple[str, dict[str, float | None]]:
    facts = facts_of(settings, "letters", ledger, clock.now(), PlanRequest())
    made = outlook(facts)
    return _words("\n".join(picture(made, facts.amounts))), made.as_json()["figures"]["far_disk.full"]


@pytest.mark.parametrize("name", ["well", "trouble"])
def test_status_digest_page_plan_and_alerts_tell_one_day_and_one_range(name: str) -> None:
    with lived(name) as (settings, ledger, clock):
        full = gather(settings, ledger, clock, WatchInputs()).fars[0].full
        assert full is not None
        assert full.latest is not None
        zone = settings.zone
        day, span = (
            day_text(full.likely, zone),
            between_days(full.soonest.astimezone(zone).date(), full.latest.astimezone(zone).date()),
        )
        assert full.soonest < full.likely < full.latest
        found = overview(settings, ledger, clock)
        status = _words("\n".join(status_verb.screen(found, zone, [], terminal(80))))
        assert day in status
        assert span in status
        weekly = digest.make(settings, ledger, clock, WatchInputs())
        whole = f"about {day} ({span})"
        assert whole in _words(digest.as_text(weekly))
        assert whole in _words(text_of(pages(settings, ledger, clock)[0]))
        plan, figure = _plan(settings, ledger, clock)
        assert f"full on {day} ({span})" in plan
        said = [one.headline for one in findings(gather(settings, ledger, clock, WatchInputs())) if one.rule == "space"]
        assert len(said) == (name == "trouble")
        assert all(f"{day} (in 15 days; {span})" in headline for headline in said)
        # And so do those who read figures.
        in_status = json.loads(json.dumps(found.as_json()))["far"][0]
        in_digest = weekly.as_json()["far"][0]
        for key, moment in (("", full.likely), ("_soonest", full.soonest), ("_latest", full.latest)):
            assert in_digest["full" + key] == in_status[f"full{key or '_on'}"] == stamp(moment)
        assert figure["low"] < figure["likely"] < figure["high"]


def test_a_first_copy_is_whole_on_one_day_for_status_and_plan() -> None:
    with lived("first-copy") as (settings, ledger, clock):
        found = overview(settings, ledger, clock)
        status = _words("\n".join(status_verb.screen(found, settings.zone, [], terminal(80))))
        facts = facts_of(settings, "photos", ledger, clock.now(), PlanRequest())
        plan = _words("\n".join(picture(outlook(facts), facts.amounts)))
        (whole,) = re.findall(r"whole about (\d+ \w+ \d{4} \(between [^)]*\)) if", status)
        assert f"whole on {whole}" in plan
        asked = facts_of(settings, "photos", ledger, clock.now(), PlanRequest(up_mbit=20))
        assert asked.brought is None, "another line than the one that the nights were sent over"


def test_the_day_is_the_households_whatever_the_hour_in_utc() -> None:
    """In a zone behind UTC a disk that is full at two in the morning there is full on the day before."""
    with lived("trouble") as (settings, ledger, _):
        others = 0
        for step in range(12):
            now = NOW + timedelta(minutes=step)
            # Each takes two hours of the far disk's growth.
            ledger.spaces.note("heron", now, 60 * 10**9 - step * 4 * 10**9 // 12, 2_000 * 10**9)
            (box,) = overview(settings, ledger, SteppedClock(now)).far
            assert box.full is not None
            day = day_text(box.full.likely, settings.zone)
            assert f"full on {day} (" in _plan(settings, ledger, SteppedClock(now))[0]
            others += not day.startswith(f"{box.full.likely.day} ")
        assert others, "for some of them it is another day in UTC"
