"""The ledger's pages on tunnel sessions and probes: nothing is lost, and old rungs do not pile up."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from otherroof.ledger import Ledger
from otherroof.probe.ladder import ClimbResult, RungFinding, RungResult, not_ok, not_tried, ok
from support.ledger_rows import rungs_of

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(str(tmp_path / "ledger.sqlite")) as made:
        yield made


ANSWERED = ClimbResult(
    (RungResult("names", ok("yes"), 0.5), RungResult("far address", RungFinding("ok", "far", round_trip_ms=21.5), 2.0))
)
UNREACHED = ClimbResult(
    (
        RungResult("names", ok("yes")),
        RungResult("handshake", not_ok("none", "look"), 60),
        RungResult("login", not_tried("-")),
    )
)


def test_session_is_kept_from_up_to_down(ledger: Ledger) -> None:
    number = ledger.tunnels.begin("garden", "roof0", NOW)
    ledger.tunnels.note_handshake(number, NOW + timedelta(seconds=3))
    ledger.tunnels.note_handshake(number, NOW + timedelta(seconds=99))
    ledger.tunnels.end(number, NOW + timedelta(hours=2), 1000, 2000)
    (session,) = ledger.tunnels.rows()
    assert session.as_json() == {
        "far": "garden",
        "tunnel": "roof0",
        "up": "2031-04-05T01:30:00Z",
        "handshake_s": 3.0,
        "down": "2031-04-05T03:30:00Z",
        "sent": 1000,
        "received": 2000,
        "cut": False,
    }


def test_session_without_an_end_is_cut_when_the_next_begins(ledger: Ledger) -> None:
    ledger.tunnels.begin("garden", "roof0", NOW)
    ledger.tunnels.begin("quay", "roof1", NOW)
    ledger.tunnels.begin("garden", "roof0", NOW + timedelta(days=1))
    newest, *before = ledger.tunnels.rows()
    assert (newest.far, newest.cut) == ("garden", False)
    assert {session.far: session.cut for session in before} == {"garden": True, "quay": False}, (
        "another far box's stays"
    )


def test_sessions_come_newest_first_and_are_asked_for_by_time(ledger: Ledger) -> None:
    for day in range(5):
        ledger.tunnels.end(ledger.tunnels.begin("garden", "roof0", NOW + timedelta(days=day)), NOW, None, None)
    assert [session.up.day for session in ledger.tunnels.rows(since=NOW + timedelta(days=3))] == [9, 8]
    assert ledger.tunnels.rows()[0].sent is None, "a kind that does not count tells no bytes"


def test_probe_is_kept_with_its_rungs_in_order(ledger: Ledger) -> None:
    ledger.probes.note("garden", NOW, UNREACHED, answered=False)
    ledger.probes.note("garden", NOW + timedelta(hours=1), ANSWERED, answered=True)
    newest, older = ledger.probes.rows(far="garden")
    assert (newest.answered, newest.exit_code, newest.took_s, newest.round_trip_ms) == (True, 0, 2.5, 21.5)
    assert (older.answered, older.exit_code, older.headline, older.advice) == (False, 3, "handshake: none", "look")
    assert [(row["rung"], row["state"]) for row in rungs_of(ledger, older.number)] == [
        ("names", "ok"),
        ("handshake", "not ok"),
        ("login", "not tried"),
    ]
    assert rungs_of(ledger, older.number)[1] == {
        "rung": "handshake",
        "state": "not ok",
        "took_s": 60,
        "seen": "none",
        "advice": "look",
    }


def test_rungs_of_old_probes_that_were_well_are_dropped_and_others_kept(ledger: Ledger) -> None:
    ledger.probes.note("garden", NOW, ANSWERED, answered=True)
    ledger.probes.note("garden", NOW, UNREACHED, answered=False)
    ledger.probes.note("garden", NOW + timedelta(days=89), ANSWERED, answered=True)
    assert all(rungs_of(ledger, probe.number) for probe in ledger.probes.rows())
    ledger.probes.note("garden", NOW + timedelta(days=91), ANSWERED, answered=True)
    kept = {probe.at: bool(rungs_of(ledger, probe.number)) for probe in ledger.probes.rows() if probe.exit_code == 0}
    assert kept[NOW] is False
    assert kept[NOW + timedelta(days=89)] is True
    assert all(rungs_of(ledger, probe.number) for probe in ledger.probes.rows() if probe.exit_code == 3)
    assert len(ledger.probes.rows()) == 4, "that there was a probe, and how it ended, is kept for good"
