"""Looks over weeks of simulated time with a real ledger: nothing told twice, nothing forgotten, nothing heaped up."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.ledger import Ledger
from otherroof.ledger.far_findings import DamagedFile
from otherroof.ledger.runs import Hold
from otherroof.probe.ladder import ClimbResult, RungFinding, RungResult
from otherroof.settings import Settings, require_settings
from otherroof.watch import digest
from otherroof.watch.channels import Message
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from otherroof.watch.sending import PAUSES_MIN, pause_after, send_due
from support.household import write_household
from support.ledgers import ledger_of
from support.simulated import NO_ANSWER
from support.watching import DAY, HOUR, MAIL, Night, NotingChannel, write_run

USUAL = Night()
START = datetime(2031, 3, 1, 4, 0, tzinfo=UTC)
CHANNELS = f"""{MAIL}[channel.bell]
kind = "command"
command = ["/bin/true"]
"""


class House:
    """A household under watch: settings, ledger, clock and three channels that note."""

    def __init__(self, where: Path, more: str = CHANNELS) -> None:
        self.settings: Settings = require_settings(write_household(where, more=more))
        self.path = str(where / "state" / "ledger.db")
        self.ledger = ledger_of(self, self.path)
        self.clock = SteppedClock(START)
        self.channels = {name: NotingChannel() for name in self.settings.told.channels}
        self.extra = WatchInputs()

    @property
    def mail(self) -> NotingChannel:
        return self.channels["family"]

    def look(self) -> None:
        look(self.settings, self.ledger, self.clock, self.extra, self.channels)

    def restart(self) -> None:
        self.ledger.close()
        self.ledger = ledger_of(self, self.path)

    def night(self, night: Night = USUAL, answers: bool = True) -> None:
        """One run now, then a day of hourly looks."""
        now = self.clock.now()
        if answers:
            self.ledger.answers.note("heron", now)
        write_run(self.ledger, now, night)
        self.day()

    def day(self) -> None:
        for _ in range(24):
            self.look()
            self.clock.step(3600)


def told_in(message: Message) -> dict[str, str]:
    """What is told in a message, as programs read it: the kind by each alert."""
    return {one["alert"]: one["kind"] for one in json.loads(message.facts)["alerts"]}


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path)


def test_a_far_box_gone_for_five_days_is_told_once_and_its_return_once(house: House) -> None:
    for _ in range(3):
        house.night()
    for _ in range(5):
        house.night(Night(outcome="failed", reason="no answer"), answers=False)
    house.night()
    assert [line.split("] ")[1][:40] for line in house.mail.lines if "heron" in line] == [
        "far box heron has not answered since Mon",
        "all clear: far box heron answers again (",
    ]
    assert [told_in(one) for one in house.mail.taken] == [
        {"late:photos": "alert"},  # nobody has probed, so the copy is what is known
        {"silent:heron": "alert", "late:photos": "alert"},
        {"silent:heron": "all clear", "late:photos": "all clear"},
    ]
    assert house.mail.lines == house.channels["journal"].lines == house.channels["bell"].lines


def test_a_changed_host_key_is_told_at_once_and_never_taken_for_a_power_cut(house: House) -> None:
    for _ in range(2):
        house.night()
    for word in ("shows the key A", "shows the key A", "shows the key B", "shows the key B", "shows the key B"):
        met = ClimbResult((RungResult("host key", RungFinding("not ok", word, "compare the keys")),))
        house.ledger.probes.note("heron", house.clock.now(), met, answered=False)
        house.night(Night(outcome="failed", reason="not the pinned one"), answers=False)
    house.clock.step(60)
    house.night()
    told = [told_in(one) for one in house.mail.taken]
    assert told[0] == {"host_key:heron": "alert"}
    assert told[1] == {"host_key:heron": "alert", "late:photos": "alert"}, "yet another key is told, and what follows"
    assert told[-1] == {"host_key:heron": "all clear"}, "the copy was never told of by itself"
    assert not any(
        "silent:heron" in one or "power" in mail.text for one, mail in zip(told, house.mail.taken, strict=True)
    )
    first = house.mail.taken[0]
    assert first.at == START + 2 * DAY, "in the same minute"
    assert "Compare the keys." in first.text


def test_a_restart_at_every_hour_neither_repeats_nor_forgets(house: House) -> None:
    for day in range(12):
        if day < 2:
            house.ledger.answers.note("heron", house.clock.now())
        write_run(house.ledger, house.clock.now(), Night(outcome="done" if day < 2 else "failed", reason="x"))
        for _ in range(24):
            house.restart()
            house.look()
            house.clock.step(3600)
    # Raised once each, and told again together after seven days.
    assert [list(told_in(one)) for one in house.mail.taken] == [
        ["late:photos"],
        ["silent:heron", "late:photos"],
        ["silent:heron", "late:photos"],
    ]
    ids = [one.id for one in house.mail.taken]
    assert len(set(ids)) == len(ids)


def test_a_channel_that_is_down_gets_one_message_a_thing_when_it_is_back(house: House) -> None:
    house.mail.broken = True
    for _ in range(3):
        house.night()
    for _ in range(20):
        house.night(Night(outcome="failed", reason="no answer"), answers=False)
    waiting = [one for one in house.ledger.posts.waiting() if one.channel == "family"]
    assert sorted(one.about for one in waiting) == ["late:photos", "silent:heron"]
    house.mail.broken = False
    house.day()
    about = [one.about for one in house.mail.taken]
    assert sorted(about) == ["late:photos", "silent:heron", "unsent:family"]
    assert [one.kind for one in house.mail.taken if one.about == "unsent:family"] == ["all clear"]
    assert house.ledger.posts.waiting() == []


def test_a_message_that_failed_while_the_clock_was_years_ahead_goes_out_when_it_is_right(house: House) -> None:
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "most files are gone", 9, 0, 10, None))
    house.mail.broken = True  # a certificate, say, that has run out by then
    house.look()
    house.clock.jump(2000 * 86_400.0)
    house.clock.step(3600)
    send_due(house.settings, house.ledger, house.clock, house.channels)
    house.clock.jump(-2000 * 86_400.0)
    send_due(house.settings, house.ledger, house.clock, house.channels)
    house.clock.step(3601)
    house.look()
    assert any("channel family has not worked" in line for line in house.channels["bell"].lines)
    house.mail.broken = False
    house.clock.step(6 * 3600)
    send_due(house.settings, house.ledger, house.clock, house.channels)
    assert any("job photos is held" in line for line in house.mail.lines)


def test_the_failing_channel_is_told_by_the_others_only(house: House) -> None:
    house.night()
    house.mail.broken = True
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "most files are gone", 9, 0, 10, None))
    house.day()
    bell = [one.about for one in house.channels["bell"].taken]
    assert "unsent:family" in bell
    assert all(one.about != "unsent:family" for one in house.ledger.posts.waiting())


def test_pauses_grow_and_stay(house: House) -> None:
    assert [pause_after(fails).total_seconds() / 60 for fails in range(1, 9)] == [*PAUSES_MIN, 360, 360]
    house.mail.broken = True
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "why", 9, 0, 10, None))
    house.look()
    tried = []
    for minute in range(1, 400):
        house.clock.step(60)
        if any(one.channel == "family" for one in send_due(house.settings, house.ledger, house.clock, house.channels)):
            tried.append(minute)
    assert tried == [1, 6, 21, 81, 321]


@pytest.mark.parametrize("poor", ["held:photos", "damage:photos"])
def test_one_poor_message_does_not_block_the_others(house: House, poor: str) -> None:
    class Picky(NotingChannel):
        def deliver(self, message: object) -> str:
            self.broken = poor in getattr(message, "text", "")
            return super().deliver(message)  # type: ignore[arg-type]

    picky = Picky()
    house.channels["family"] = picky
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "why", 9, 0, 10, None))
    house.ledger.damages.note([DamagedFile("photos", "a.jpg", "r", house.clock.now(), "its digest is another")])
    for _ in range(60):
        house.look()
        house.clock.step(600)
    good = {"held:photos": "damage:photos", "damage:photos": "held:photos"}[poor]
    assert [one.about for one in picky.taken if one.about != "unsent:family"] == [good]
    assert sorted({one.about for one in house.ledger.posts.waiting()}) == [poor]


def test_a_poor_message_is_parted_from_its_bundle_as_soon_as_the_channel_takes_another(house: House) -> None:
    class Picky(NotingChannel):
        def deliver(self, message: object) -> str:
            self.broken = "held:photos" in getattr(message, "text", "")
            return super().deliver(message)  # type: ignore[arg-type]

    house.channels["family"] = picky = Picky()
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "why", 9, 0, 10, None))
    house.ledger.damages.note([DamagedFile("photos", "a.jpg", "r", house.clock.now(), "its digest is another")])
    house.look()
    house.clock.step(600)
    house.extra = WatchInputs(mistakes=("jobs/music.toml: at: is not there",))
    for _ in range(3):
        house.look()
        house.clock.step(600)
    assert [one.about for one in picky.taken] == ["settings", "damage:photos"]


def test_a_message_is_not_sent_by_two_processes_at_once(house: House) -> None:
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "why", 9, 0, 10, None))
    other = Ledger(house.path)

    class Slow(NotingChannel):
        def deliver(self, message: object) -> str:
            send_due(house.settings, other, house.clock, house.channels | {"family": inner})
            return super().deliver(message)  # type: ignore[arg-type]

    inner = NotingChannel()
    slow = Slow()
    house.channels["family"] = slow
    house.look()
    other.close()
    assert len(slow.taken) == 1
    assert inner.taken == []


def test_a_process_that_dies_while_sending_leaves_the_message_to_the_next(house: House) -> None:
    class Dying(NotingChannel):
        def deliver(self, message: object) -> str:
            raise KeyboardInterrupt

    house.channels["family"] = Dying()
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "why", 9, 0, 10, None))
    with pytest.raises(KeyboardInterrupt):
        house.look()
    house.restart()
    house.channels["family"] = again = NotingChannel()
    house.look()
    assert again.taken == []
    house.clock.step(16 * 60)
    house.look()
    assert [one.about for one in again.taken] == ["held:photos"]


def test_a_message_that_ends_the_process_does_not_stand_in_the_way_of_others(house: House) -> None:
    class Fragile(NotingChannel):
        def deliver(self, message: object) -> str:
            if "damage:photos" in getattr(message, "text", ""):
                raise RuntimeError("a bug")
            return super().deliver(message)  # type: ignore[arg-type]

    house.channels["family"] = fragile = Fragile()
    house.ledger.damages.note([DamagedFile("photos", "a.jpg", "r", house.clock.now(), "its digest is another")])
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "why", 9, 0, 10, None))
    for _ in range(4):
        with pytest.raises(RuntimeError):
            house.look()
        house.clock.step(16 * 60)
    assert [one.about for one in fragile.taken] == ["held:photos"]


def test_quiet_is_kept_over_a_restart(house: House) -> None:
    house.night()
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "why", 9, 0, 10, None))
    house.look()
    assert house.ledger.alerts.quiet("held:photos", house.clock.now() + 20 * DAY)
    assert not house.ledger.alerts.quiet("held:music", house.clock.now())
    for _ in range(15):
        house.restart()
        house.night()
    assert sum(one.about == "held:photos" for one in house.mail.taken) == 1


def test_a_clock_that_is_set_is_told_and_a_machine_that_slept_is_not(house: House) -> None:
    house.night()
    house.clock.jump(7200)
    house.look()
    assert "set forward by 2 h" in house.mail.lines[-1]
    told = house.mail.lines[-1]
    for _ in range(2):
        house.night()
    assert house.ledger.alerts.standing() == []
    assert house.mail.lines[-1] == told, "that a day has passed makes nothing better: no all-clear"


def test_what_was_written_while_the_clock_was_years_ahead_hides_nothing_once_it_is_right(tmp_path: Path) -> None:
    house = House(tmp_path)
    house.clock.jump(2000 * 86_400.0)
    ahead = house.clock.now()
    house.look()
    house.ledger.answers.note("heron", ahead)
    house.ledger.probes.note("heron", ahead, NO_ANSWER, answered=False)
    house.ledger.spaces.note("heron", ahead, 900_000_000_000, 1_000_000_000_000)
    write_run(house.ledger, ahead)
    house.clock.jump(-2000 * 86_400.0)
    house.ledger.spaces.note("heron", house.clock.now(), 1_000_000_000, 1_000_000_000_000)
    house.night()
    house.mail.taken.clear()
    for _ in range(4):
        house.day()
    told = house.mail.lines
    assert any("far box heron has not answered since" in line for line in told), told
    assert "space:heron" in {one.key for one in house.ledger.alerts.standing()}
    late = [one for one in house.ledger.alerts.standing() if one.key == "late:photos"]
    assert late
    assert late[0].begun < house.clock.now()


def test_a_job_whose_file_has_a_mistake_is_named_and_keeps_what_stands_about_it(tmp_path: Path) -> None:
    house = House(tmp_path)
    house.night()
    for _ in range(2):
        house.ledger.answers.note("heron", house.clock.now())
        house.day()
    assert ["late:photos" in one.text for one in house.mail.taken] == [True]
    whole = house.settings
    house.settings = whole.model_copy(update={"jobs": {}, "unread": ("photos",)})
    house.extra = WatchInputs(("jobs/photos.toml: at: is missing",))
    house.ledger.answers.note("heron", house.clock.now())
    house.day()
    assert "not copied until it is mended: photos; jobs/photos.toml: at: is missing" in house.mail.lines[-1]
    assert len(house.mail.taken) == 2, "nobody knows whether the copy is still late, so nothing is over"
    house.settings, house.extra = whole, WatchInputs()
    house.ledger.answers.note("heron", house.clock.now())
    house.night()
    assert len(house.mail.taken) == 3
    assert {"late:photos", "settings"} == set(told_in(house.mail.taken[-1]))


def test_a_name_that_somebody_else_bears_too_gives_no_false_all_clear(tmp_path: Path) -> None:
    house = House(tmp_path)
    house.ledger.holds.note(Hold("photos", "r1", house.clock.now(), "9 of 9 files are gone", 9, 0, 9, None))
    house.night()
    fars = {**house.settings.far, "photos": house.settings.far["heron"]}
    house.settings = house.settings.model_copy(update={"far": fars, "jobs": {}})
    house.look()
    assert "photos is no longer in the settings" in house.mail.lines[-1]


def test_a_job_that_goes_to_another_far_box_has_no_copy_there_yet(tmp_path: Path) -> None:
    house = House(tmp_path)
    house.night()
    moved = house.settings.jobs["photos"].model_copy(update={"far": "wren"})
    fars = {**house.settings.far, "wren": house.settings.far["heron"]}
    house.settings = house.settings.model_copy(update={"far": fars, "jobs": {"photos": moved}})
    house.ledger.answers.note("wren", house.clock.now())
    house.day()
    assert house.mail.taken == [], "it has its promise's time for the first copy there"
    house.day()
    house.clock.step(60)
    house.ledger.answers.note("heron", house.clock.now())
    house.look()
    assert ["photos has no copy by this server yet" in line for line in house.mail.lines] == [True]
    assert digest.make(house.settings, house.ledger, house.clock).jobs[0].copies.roofs == ()


def test_a_job_that_left_the_settings_gets_no_all_clear(house: House, tmp_path: Path) -> None:
    house.night()
    for _ in range(4):
        house.day()
    (tmp_path / "jobs" / "photos.toml").unlink()
    house.settings = require_settings(str(tmp_path))
    house.look()
    (last,) = [one for one in house.mail.taken if one.kind == "all clear"]
    assert last.line == "[larch] photos is no longer in the settings, so late:photos is no longer watched"


def test_a_channel_that_left_the_settings_takes_its_queue_along(house: House) -> None:
    house.mail.broken = True
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "why", 9, 0, 10, None))
    house.look()
    del house.channels["family"]
    send_due(house.settings, house.ledger, house.clock, house.channels)
    assert house.ledger.posts.waiting() == []
    assert "family" not in house.ledger.posts.channel_states()


def test_damage_is_told_once_more_where_it_spreads_and_over_once_it_is_made_good(house: House) -> None:
    house.night()
    house.ledger.damages.note([DamagedFile("photos", "a.jpg", "r", house.clock.now(), "its digest is another")])
    for _ in range(2):
        house.night()
    assert ["1 file of photos" in line for line in house.mail.lines] == [True]
    house.ledger.damages.note([DamagedFile("photos", "b.jpg", "r", house.clock.now(), "its digest is another")])
    for _ in range(2):
        house.night()
    assert ["2 files of photos" in line for line in house.mail.lines[1:]] == [True]
    house.ledger.damages.settle("photos", ["a.jpg", "b.jpg"])
    house.night()
    assert house.mail.lines[2:] == [
        "[larch] all clear: no damage is known any more in the far copy of photos (after 4 d)"
    ]


def test_a_disk_that_fills_is_told_with_its_day(house: House) -> None:
    for day in range(30):
        house.ledger.spaces.note("heron", house.clock.now(), int(400e9 - day * 9e9), int(4e12))
        house.night()
    told = [one for one in house.mail.taken if one.about == "space:heron"]
    assert [one.at for one in told] == [told[0].at + 7 * place * DAY for place in range(len(told))]
    assert "will be full about 14 April 2031 (in 29 days" in told[0].line


def test_a_mail_refused_for_one_person_is_not_lost_from_sight(house: House) -> None:
    house.mail.note = "kim@example.net was refused: 550 no such person"
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "why", 9, 0, 10, None))
    house.day()
    (told,) = [one for one in house.channels["bell"].taken if one.about == "unsent:family"]
    assert "550 no such person" in told.line


def test_an_unusual_hour_stands_for_a_week_though_a_job_runs_hourly(house: House) -> None:
    for hour in range(24 * 12):
        house.ledger.answers.note("heron", house.clock.now())
        write_run(house.ledger, house.clock.now(), Night(changed=4000 if hour == 60 else 40, total_s=60))
        house.look()
        house.clock.step(3600)
    (mail,) = house.mail.taken
    assert mail.about == "unusual:photos"
    assert "is told once" in mail.text
    assert "quiet" not in mail.text
    (alert,) = house.ledger.alerts.ended_since(START)
    assert alert.ended is not None
    assert alert.ended - alert.raised == 7 * DAY, "it is over, and nobody is told that all is clear"


def test_the_metrics_file_is_written_at_each_look_and_a_bad_path_stops_nothing(tmp_path: Path) -> None:
    file = tmp_path / "collector" / "otherroof.prom"
    house = House(tmp_path, CHANNELS + f'[metrics]\nfile = "{file}"\n')
    house.night()
    assert not file.exists()
    file.parent.mkdir()
    house.look()
    assert f"otherroof_looked_timestamp_seconds {int(house.clock.now().timestamp())}\n" in file.read_text()
    assert list(file.parent.iterdir()) == [file]
    assert file.stat().st_mode & 0o777 == 0o644


def test_a_message_names_what_happened_what_to_do_and_how_to_quiet_it(house: House) -> None:
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "most files are gone", 9, 0, 10, None))
    house.look()
    (told,) = house.mail.taken
    assert told.line == "[larch] job photos is held since Sat 1 March 2031, 00:30: most files are gone"
    assert "What to do: " in told.text
    assert "otherroof quiet held:photos --days 14" in told.text
    house.ledger.holds.drop("photos")
    house.clock.step(HOUR.total_seconds() * 30)
    house.look()
    clear = next(one for one in house.mail.taken if one.kind == "all clear")
    assert clear.line == "[larch] all clear: job photos is no longer held (after 1 d 6 h)"
    assert "held:photos lasted 1 d 6 h, from Sat 1 March 2031, 00:30 to Sun 2 March 2031, 06:30." in clear.text
