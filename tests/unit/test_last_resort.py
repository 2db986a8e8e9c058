"""The last resort when the ledger cannot be used: who is told, when, how often, and what the service does meanwhile."""

from __future__ import annotations

import json
import os
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.base.errors import HomeTrouble
from otherroof.jobs.locks import service_lock
from otherroof.ledger import Ledger
from otherroof.schedule import last_resort
from otherroof.schedule.last_resort import AGAIN_S, BLIND_AFTER_S, LastResort, open_ledger_patiently, tell_channels
from otherroof.settings import Settings, require_settings
from otherroof.system.notification import Notifier
from support.household import write_household
from support.watching import MAIL, NotingChannel

START = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
CHANNELS = f"""{MAIL}[channel.weekly]
kind = "mail"
to = ["robin@example.net"]
carries = ["digest"]
"""


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return require_settings(write_household(tmp_path, more=CHANNELS))


def test_it_is_due_after_hours_without_a_look_and_again_after_a_day() -> None:
    clock = SteppedClock(START)
    resort = LastResort(clock)
    clock.step(BLIND_AFTER_S - 1)
    assert resort.due_in_s() == 1
    clock.jump(10 * 86_400)
    assert resort.due_in_s() == 1, "a clock that is set is no time that passed"
    clock.step(1)
    assert resort.due_in_s() == 0
    resort.note_told("no room")
    assert resort.due_in_s() == AGAIN_S
    assert not resort.is_over
    clock.step(AGAIN_S - 1)
    assert resort.due_in_s() == 1
    clock.step(1)
    assert resort.due_in_s() == 0
    resort.well()
    assert (resort.is_over, resort.told, resort.due_in_s()) == (True, "no room", BLIND_AFTER_S)
    resort.note_all_clear()
    resort.well()
    assert not resort.is_over
    assert resort.due_in_s() == BLIND_AFTER_S


def test_each_channel_that_carries_alerts_is_told_past_the_ledger(settings: Settings) -> None:
    channels = {name: NotingChannel(broken=name == "journal") for name in settings.told.channels}
    tell_channels(settings, SteppedClock(START), "/var/lib/x: disk is full", over=False, channels=channels)
    (told,) = channels["family"].taken
    assert told.line == "[larch] the service cannot do its work: /var/lib/x: disk is full"
    assert "`df -h`" in told.text
    assert json.loads(told.facts)["trouble"] == "/var/lib/x: disk is full"
    assert channels["weekly"].taken == []
    tell_channels(settings, SteppedClock(START), "", over=True, channels=channels)
    assert channels["family"].taken[1].kind == "all clear"
    assert not os.path.exists(settings.ledger)


def test_a_ledger_that_cannot_be_opened_at_the_start_is_waited_for_and_told_past_it(
    settings: Settings, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    clock, told, tries = SteppedClock(START), list[tuple[float, str, bool]](), list[float]()

    def opened(path: str) -> Ledger:
        tries.append(clock.monotonic())
        if clock.monotonic() < 30 * 3600:
            raise HomeTrouble("the ledger cannot be used: disk I/O error", where="ledger")
        return Ledger(path)

    monkeypatch.setattr(last_resort, "Ledger", opened)
    monkeypatch.setattr(
        last_resort,
        "tell_channels",
        lambda _, clock, said, *, over: told.append((clock.monotonic(), said, over)),
    )
    with open_ledger_patiently(settings, clock, Notifier()) as ledger:
        assert ledger.marks.by_name() == {}
    trouble = "ledger: the ledger cannot be used: disk I/O error"
    assert told == [
        (BLIND_AFTER_S, trouble, False),
        (BLIND_AFTER_S + AGAIN_S, trouble, False),
        (30 * 3600, trouble, True),
    ]
    assert len(tries) == 30 * 120 + 1
    assert caplog.text.count("cannot begin") == 1, "a line every half minute would fill the log"


def test_a_full_disk_does_not_keep_the_lock_from_being_taken(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("otherroof.base.locks.os.pwrite", full)
    with service_lock(settings, SystemClock()):
        got = threading.Event()

        def second() -> None:
            try:
                with service_lock(settings, SystemClock()):
                    pass
            except Exception as problem:  # noqa: BLE001 (its words are what is asked)
                assert "has only just begun" in str(problem)
                got.set()

        thread = threading.Thread(target=second)
        thread.start()
        thread.join(10)
        assert got.is_set()
