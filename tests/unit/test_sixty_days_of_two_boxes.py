"""Two far boxes, one of them silent for sixty days and damaged after: what status, digest and alerts say each day."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from otherroof.base.clock import from_stamp
from otherroof.ledger.far_findings import DamagedFile
from otherroof.settings.alerting import AlertingSettings
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from support.noons import Day, day_at
from support.simulated import Simulation, Troubles, household, utc

pytestmark = pytest.mark.slow

JOBS: dict[str, dict[str, object]] = {
    "photos@heron": {"at": "30 1 * * *", "far": "heron", "drill_days": 0.0},
    "photos@wren": {"at": "30 3 * * *", "far": "wren", "drill_days": 0.0, "promise_hours": 120.0},
    "papers": {"at": "30 2 * * *", "far": "heron", "drill_days": 0.0},
}
START = utc(2031, 2, 5, 11, 50)  # so the watch looks ten minutes before each noon
SILENT, BACK = utc(2031, 2, 9, 20), utc(2031, 4, 10, 20)  # sixty days
DAMAGED, HEALED = utc(2031, 4, 12, 9), utc(2031, 4, 15, 9)
BOTH_BROKEN = utc(2031, 4, 13, 20), utc(2031, 4, 16, 20)  # heron is silent too
END = utc(2031, 4, 18, 12)


def wren_answered(day: Day) -> datetime:
    (wren,) = [far for far in day.overview.far if far.far == "wren"]
    assert wren.answered is not None
    return from_stamp(wren.answered)


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> dict[datetime, Day]:
    told = AlertingSettings.model_validate({"channel": {"family": {"kind": "command", "command": ["/bin/true"]}}})
    settings = household(JOBS, zone="Europe/Berlin", far={"heron": {}, "wren": {}}).model_copy(update={"told": told})
    troubles = Troubles(silent={"wren": [(SILENT, BACK)], "heron": [BOTH_BROKEN]})
    simulation = Simulation(settings, tmp_path_factory.mktemp("days"), START, troubles, look_every=timedelta(hours=12))
    ledger, clock = simulation.ledger, simulation.clock
    channels = {"family": simulation.channel, "journal": simulation.channel}
    simulation.on_look = lambda _: look(settings, ledger, clock, WatchInputs(), channels)
    mark = DamagedFile("photos@wren", "summer/1.jpg", "2031-02-09T023000Z-0000", DAMAGED, "another digest")
    simulation.at(DAMAGED, lambda: ledger.damages.note([mark]))
    simulation.at(HEALED, lambda: ledger.damages.settle("photos@wren", ["summer/1.jpg"]))
    found: dict[datetime, Day] = {}
    noon = START + timedelta(minutes=10)
    while (noon := noon + timedelta(days=1)) <= END:
        found[noon] = day_at(simulation, noon)
    ledger.close()
    return found


def during(days: dict[datetime, Day], begin: datetime, end: datetime) -> list[Day]:
    """The days in this stretch; there are some."""
    chosen = [day for at, day in days.items() if begin <= at < end]
    assert chosen
    return chosen


def test_as_long_as_one_promise_is_kept_the_folder_is_safe_on_each_day(days: dict[datetime, Day]) -> None:
    for day in during(days, START + timedelta(days=2), SILENT):
        assert day.digest.sentence.startswith("Safe: each of 2 folders has a recent copy (the oldest is "), day
        assert (day.digest.verdict, day.line) == ("safe", "photos: 2 copies: heron last night, wren last night")
    for day in during(days, SILENT + timedelta(days=4), BACK):
        assert day.digest.sentence.startswith("Safe: each of 2 folders has a recent copy"), day.at
        assert day.digest.verdict == "look"
        assert {folder.name: folder.kept for folder in day.overview.folders} == {"photos": True, "papers": True}


def test_the_broken_copy_is_named_with_since_when_on_each_of_sixty_days(days: dict[datetime, Day]) -> None:
    silent = during(days, SILENT + timedelta(hours=12), BACK)
    assert len(silent) == 60
    assert {day.line for day in silent} == {"photos: 2 copies: heron last night, wren silent since 9 February 2031"}
    assert {wren_answered(day) for day in silent} == {wren_answered(silent[0])}
    due = wren_answered(silent[0]) + timedelta(days=3)
    assert SILENT - timedelta(hours=6) < wren_answered(silent[0]) <= SILENT
    for day in silent:
        assert ("silent:wren" in day.alerts) == (day.at > due), day.at
        # Its newest good copy was begun at 3:30 of 9 February, in Berlin; five days are promised.
        assert ("late:photos@wren" in day.alerts) == (day.at > utc(2031, 2, 14, 2, 30)), day.at
        assert not day.alerts - {"silent:wren", "late:photos@wren"}, day.at
    (raised,) = {alert.raised for day in silent for alert in day.overview.alerts if alert.key == "silent:wren"}
    assert raised == min(at for at in silent[-1].looks if at >= due), (
        "at the first look after it fell due, and at none before"
    )
    late = during(days, utc(2031, 2, 15), BACK)
    for day in late:
        (alert,) = [alert for alert in day.overview.alerts if alert.key == "late:photos@wren"]
        assert "the folder has a copy as new as promised: photos@heron" in alert.headline
        assert "far box wren does not answer" in day.digest.sentence


def test_back_again_all_is_well_after_the_first_night(days: dict[datetime, Day]) -> None:
    for day in during(days, utc(2031, 4, 11, 12), DAMAGED):
        assert (day.line, day.alerts) == ("photos: 2 copies: heron last night, wren last night", frozenset())


def test_damage_in_one_copy_is_named_and_the_folder_stays_safe(days: dict[datetime, Day]) -> None:
    for day in during(days, DAMAGED, BOTH_BROKEN[0]):
        assert day.line == "photos: 2 copies: heron last night, wren damaged"
        assert day.alerts == {"damage:photos@wren"}
        assert day.digest.sentence.startswith("Safe: each of 2 folders")
        assert "damage in the copy of photos@wren" in day.digest.sentence


def test_with_no_copy_kept_it_is_not_safe_and_counted_by_folder(days: dict[datetime, Day]) -> None:
    healed = during(days, HEALED, BOTH_BROKEN[1])
    # Heron's copies of 13 April, 1:30 and 2:30 in Berlin, are two days old on the 15th, but their promise is kept no
    # more; wren's is whole again.
    assert [day.at for day in healed] == [utc(2031, 4, 15, 12), utc(2031, 4, 16, 12)]
    for day in healed:
        assert day.digest.sentence.startswith(
            "Not safe: 1 of 2 folders is without a copy as fresh as promised: papers;"
        )
    (both,) = during(days, utc(2031, 4, 14), utc(2031, 4, 15))
    assert both.line == "photos: 2 copies: heron silent since 13 April 2031, wren damaged"
    assert both.digest.verdict == "look", "heron's newest copy is still as new as promised"


def test_at_the_end_all_is_as_it_was(days: dict[datetime, Day]) -> None:
    last = days[END]
    assert (last.digest.verdict, last.alerts) == ("safe", frozenset())
    assert last.line == "photos: 2 copies: heron last night, wren last night"
    assert last.overview.as_json()["folders"][0]["said"] == "2 copies: heron last night, wren last night"
