"""What is told at one look goes out as one message; what follows from a silent far box is told with it."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock, stamp
from otherroof.ledger import Ledger
from otherroof.ledger.runs import Hold
from otherroof.ledger.schema import MIGRATIONS, migrate
from otherroof.settings import Settings, require_settings
from otherroof.watch import digest
from otherroof.watch.channels import Message
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from otherroof.watch.sending import send_due
from support.household import write_household
from support.ledgers import ledger_of
from support.simulated import NO_ANSWER
from support.watching import DAY, MAIL, Night, NotingChannel, write_run

START = datetime(2031, 3, 1, 4, 0, tzinfo=UTC)
JOBS = [f"job{number:02d}" for number in range(20)]


class House:
    """Twenty jobs that go to one far box, looked at every hour."""

    def __init__(self, where: Path, jobs: list[str]) -> None:
        self.settings: Settings = require_settings(write_household(where, more=MAIL, jobs=dict.fromkeys(jobs, "")))
        self.ledger = ledger_of(self, str(where / "state" / "ledger.db"))
        self.clock = SteppedClock(START)
        self.channels = {name: NotingChannel() for name in self.settings.told.channels}

    @property
    def mails(self) -> list[Message]:
        return self.channels["family"].taken

    def look(self) -> None:
        look(self.settings, self.ledger, self.clock, WatchInputs(), self.channels)

    def copy(self, *names: str) -> None:
        """These jobs are copied well now."""
        self.ledger.answers.note("heron", self.clock.now())
        for name in names:
            write_run(self.ledger, self.clock.now(), Night(), name)

    def probe(self, *, answers: bool) -> None:
        if answers:
            self.ledger.answers.note("heron", self.clock.now())
        else:
            self.ledger.probes.note("heron", self.clock.now(), NO_ANSWER, answered=False)

    def hours(self, count: int, *, answers: bool) -> None:
        """So many hours with a look each, and a probe every six."""
        for hour in range(count):
            if hour % 6 == 0:
                self.probe(answers=answers)
            self.look()
            self.clock.step(3600)


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path, JOBS)


def told_in(message: Message) -> dict[str, str]:
    return {one["alert"]: one["kind"] for one in json.loads(message.facts)["alerts"]}


def kinds(mails: list[Message]) -> list[tuple[str, int]]:
    return [(one.kind, len(told_in(one))) for one in mails]


def test_twenty_jobs_that_go_late_together_give_one_message(house: House) -> None:
    house.copy(*JOBS)
    house.hours(50, answers=True)  # it answers: the copies are late for another reason
    (mail,) = house.mails
    assert mail.line.startswith("[larch] the newest good copy of job00 is from Sat 1 March 2031")
    assert mail.line.endswith(", and 19 more")
    assert mail.count == 20
    for name in JOBS:
        assert f"`otherroof run {name}`" in mail.text
        assert f"otherroof quiet late:{name} --days 14" in mail.text
    assert told_in(mail) == {f"late:{name}": "alert" for name in JOBS}
    assert [one.times for one in house.ledger.alerts.standing()] == [1] * 20


def test_the_subject_names_the_gravest(house: House) -> None:
    house.copy(*JOBS)
    house.hours(48, answers=True)
    house.clock.step(60)
    house.ledger.holds.note(Hold("job07", "r", house.clock.now(), "most files are gone", 9, 0, 10, None))
    house.look()
    (mail,) = house.mails
    assert mail.line.startswith("[larch] job job07 is held since ")
    assert mail.line.endswith(", and 20 more")
    assert mail.text.index("1. Job job07 is held") < mail.text.index("2. The newest good copy")


def test_a_message_that_waits_loses_what_is_told_anew_and_keeps_the_rest(house: House) -> None:
    house.channels["family"].broken = True
    house.copy(*JOBS)
    house.hours(50, answers=True)
    house.copy("job03")
    house.clock.step(60)
    house.look()
    house.channels["family"].broken = False
    house.clock.step(600)
    house.look()
    told = [(alert, kind) for mail in house.mails for alert, kind in told_in(mail).items()]
    assert ("late:job03", "all clear") in told
    assert sorted(alert for alert, _ in told) == sorted(f"late:{name}" for name in JOBS), "each once"
    assert len(house.mails) == 2


def test_a_channel_that_was_down_gets_its_bundle_as_one_message(house: House) -> None:
    house.channels["family"].broken = True
    house.copy(*JOBS)
    house.hours(80, answers=True)
    house.channels["family"].broken = False
    for _ in range(60):
        house.look()
        house.clock.step(600)
    late = [told_in(mail) for mail in house.mails if "late:job00" in told_in(mail) or "late:job19" in told_in(mail)]
    assert 1 <= len(late) <= 2, "one that went ahead to see whether the bundle is refused, and the rest as one"
    assert sum(len(one) for one in late) == 20


def test_copies_that_turn_late_one_by_one_while_the_far_box_is_silent_give_one_message(house: House) -> None:
    for name in JOBS:  # a night of runs, one after the other
        house.copy(name)
        house.clock.step(3600)
    house.hours(60, answers=False)
    assert kinds(house.mails) == [("alert", 2)]
    mail = house.mails[0]
    assert mail.line.startswith("[larch] far box heron has not answered since ")
    assert mail.line.endswith("; 1 copy is older than promised because of it")
    assert "`otherroof probe heron`" in mail.text
    assert len(house.ledger.alerts.standing()) == 21, "each is written down all the same"
    house.hours(120, answers=False)
    assert kinds(house.mails) == [("alert", 2)], "its days are over, and that is no news"
    house.hours(24 * 3, answers=False)
    assert kinds(house.mails) == [("alert", 2), ("alert", 21)]
    mail = house.mails[1]
    assert mail.line.startswith("[larch] still: far box heron has not answered since ")
    assert mail.line.endswith("; 20 copies are older than promised because of it")
    assert all(f"`otherroof run {name}`" in mail.text for name in JOBS)
    assert mail.text.count("otherroof quiet") == 1


def test_what_followed_from_a_silence_is_not_told_again_when_it_is_over_and_mends(house: House) -> None:
    for name in JOBS:
        house.copy(name)
        house.clock.step(3600)
    house.hours(100, answers=False)
    before = len(house.mails)
    house.probe(answers=True)
    house.look()
    (over,) = house.mails[before:]
    assert over.line.startswith("[larch] all clear: far box heron answers again (after ")
    assert "Still older than promised: job00, job01, job02, job03, job04, job05 and 14 more." in over.text
    for name in JOBS:
        house.clock.step(1800)
        house.copy(name)
        house.look()
    assert house.mails[before + 1 :] == []
    assert house.ledger.alerts.standing() == []


def test_a_copy_that_does_not_catch_up_in_a_day_is_told_by_itself(house: House) -> None:
    for name in JOBS:
        house.copy(name)
        house.clock.step(3600)
    house.hours(100, answers=False)
    house.probe(answers=True)
    house.look()
    before = len(house.mails)
    house.copy(*(name for name in JOBS if name not in ("job11", "job12")))
    house.hours(30, answers=True)
    late = [told_in(one) for one in house.mails[before:] if one.kind == "alert"]
    assert late == [{"late:job11": "alert", "late:job12": "alert"}]
    house.copy("job11", "job12")
    house.look()
    assert told_in(house.mails[-1]) == {"late:job11": "all clear", "late:job12": "all clear"}


def test_a_copy_that_was_late_before_the_far_box_fell_silent_stays_its_own_alarm(tmp_path: Path) -> None:
    house = House(tmp_path, ["photos"])
    house.copy("photos")
    house.hours(60, answers=True)
    assert [list(told_in(one)) for one in house.mails] == [["late:photos"]]
    house.hours(24 * 8, answers=False)
    assert [list(told_in(one)) for one in house.mails] == [["late:photos"], ["silent:heron"], ["late:photos"]]


def test_a_quiet_silence_keeps_what_follows_from_it_quiet_too(house: House) -> None:
    house.copy(*JOBS)
    house.hours(24 * 4, answers=False)
    before = len(house.mails)
    assert house.ledger.alerts.quiet("silent:heron", house.clock.now() + 20 * DAY)
    house.hours(24 * 15, answers=False)
    assert len(house.mails) == before


def test_a_look_by_another_process_tells_nothing_twice(house: House) -> None:
    house.copy(*JOBS)
    house.hours(48, answers=True)
    house.clock.step(60)
    other = Ledger(house.ledger.file.path)
    for ledger in (house.ledger, other, house.ledger):
        look(house.settings, ledger, house.clock, WatchInputs(), house.channels)
    other.close()
    assert kinds(house.mails) == [("alert", 20)]


def test_the_digest_names_what_follows_from_a_silence_in_one_line(house: House) -> None:
    house.copy(*JOBS)
    house.clock.step((4 * DAY).total_seconds())
    house.probe(answers=False)
    made = digest.make(house.settings, house.ledger, house.clock, WatchInputs())
    about = [one for one in made.hands if "heron" in one.what or "job" in one.what]
    assert len(about) == 1
    assert "older than promised because of it: job00, job01, job02, job03, job04, job05 and 14 more" in about[0].what


def test_messages_that_waited_in_a_ledger_of_before_go_out_one_by_one(tmp_path: Path) -> None:
    path = str(tmp_path / "state" / "ledger.db")
    (tmp_path / "state").mkdir()
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        migrate(db, path, MIGRATIONS[:4])
        for about in ("late:photos", "silent:heron"):
            row = ("family", "alert", about, stamp(START), f"[larch] {about}", "text", "", "{}", stamp(START))
            db.execute(
                "INSERT INTO post (channel, kind, about, made, subject, text, html, facts, next_try)"
                f" VALUES ({', '.join('?' * len(row))})",
                row,
            )
    house = House(tmp_path, ["photos"])
    send_due(house.settings, house.ledger, house.clock, house.channels)
    assert [one.line for one in house.mails] == ["[larch] late:photos", "[larch] silent:heron"]
