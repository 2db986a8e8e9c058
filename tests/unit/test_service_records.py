"""The service's records: what is written down at which moment, what a failed digest or a wrong clock leaves."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from otherroof.base import errors
from otherroof.base.clock import SteppedClock
from otherroof.copying.report import GOOD, ByteCounts
from otherroof.ledger import Ledger
from otherroof.ledger.runs import Hold
from otherroof.schedule.chores import DIGEST_PAUSE_S, LOOK_EVERY_S, Chore, ChoreInputs, service_chores
from otherroof.schedule.job_runner import RunEnding, ending_for, job_runner
from otherroof.schedule.month_room import month_room
from otherroof.schedule.plan import RunStart
from otherroof.schedule.records import ServiceRecords
from support.simulated import household, utc
from support.verbs import two_files_and_a_link

NOW = utc(2026, 6, 8, 12)  # a Monday
SETTINGS = household(
    {"photos": {}, "papers": {"at": "0 5 * * *", "window": "22:00-06:30", "far": "wren"}},
    zone="UTC",
    far={"heron": {}, "wren": {}},
)

Service = tuple[ServiceRecords, Ledger, SteppedClock]


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    clock = SteppedClock(NOW)
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        made = records_of(ledger, clock)
        made.plan()
        due(made)
        yield made, ledger, clock


def records_of(ledger: Ledger, clock: SteppedClock) -> ServiceRecords:
    return ServiceRecords(SETTINGS, ledger, clock, service_chores(clock))


def due(records: ServiceRecords) -> list[str]:
    """The chores that are due and whose worker is free."""
    return [chore.name for chore in records.plan_chores(records.last_times()).begin]


def begin(records: ServiceRecords, name: str) -> Callable[[object], None]:
    """Let a chore that is due begin; gives what to call with its end."""
    (chore,) = [due for due in records.plan_chores(records.last_times()).begin if due.name == name]
    records.begin_chore(chore)
    return lambda value: records.end_chore(chore, value)


def look(records: ServiceRecords) -> None:
    begin(records, "look")(None)


def attempt(records: ServiceRecords, ended: RunEnding) -> None:
    (start,) = [due for due in records.plan().runs if due.job == "photos"]
    records.begin(start)
    records.end("photos", ended)


UNREACHED = RunEnding("failed", "unreached", "no answer")


def test_tries_are_counted_until_one_comes_to_something(service: Service) -> None:
    records, ledger, clock = service
    clock.step(13.5 * 3600)
    counted = []
    for ended in (UNREACHED, UNREACHED, RunEnding("done", "settled"), UNREACHED):
        attempt(records, ended)
        counted.append(ledger.job_times.by_job()["photos"].tries)
        clock.step(600 if ended is UNREACHED else 86_400)
    assert counted == [1, 2, 0, 1]


def test_a_begun_run_is_written_down_before_it_does_anything(service: Service) -> None:
    records, ledger, clock = service
    clock.step(13.5 * 3600)
    (start,) = records.plan().runs
    records.begin(start)
    turn = ledger.job_times.by_job()["photos"]
    assert (turn.begun, turn.ended, turn.ending, turn.tries) == (clock.now(), None, None, 1)


def test_what_a_job_waits_for_is_written_down_while_it_waits(service: Service) -> None:
    records, ledger, clock = service
    clock.step(22 * 3600)  # at 10:00 on the next day both are owed, and one of the windows is closed
    attempt(records, RunEnding("done", "settled"))
    records.plan()
    assert ledger.job_times.by_job()["papers"].waiting == "waits for its window, which opens at Tue 9 June 2026, 22:00"
    clock.step(12 * 3600)
    (start,) = records.plan().runs
    records.begin(start)
    assert ledger.job_times.by_job()["papers"].waiting == ""


def test_a_digest_that_could_not_be_made_is_tried_again_after_a_while(
    service: Service,
) -> None:
    records, ledger, clock = service
    look(records)
    clock.step(7 * 86_400)
    ended = begin(records, "digest")
    assert "digest" not in due(records)
    ended(errors.HomeTrouble("no room"))
    assert "digest" not in due(records)
    clock.step(DIGEST_PAUSE_S)
    ended = begin(records, "digest")
    ledger.digests.note(clock.now(), NOW, True, ())
    ended(None)
    clock.step(6 * 86_400)
    assert "digest" not in due(records)


def test_a_digest_that_was_sent_before_a_kill_is_not_sent_again(
    service: Service,
) -> None:
    records, ledger, clock = service
    clock.step(7 * 86_400)
    assert "digest" in due(records)
    ledger.digests.note(clock.now(), NOW, True, ())
    assert "digest" not in due(records_of(ledger, clock))


def test_the_first_digest_comes_although_the_service_is_started_anew_every_day(tmp_path: Path) -> None:
    clock = SteppedClock(NOW + timedelta(hours=3))
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        days = [day for day in range(8) if clock.step(86_400) or "digest" in due(records_of(ledger, clock))]
    assert days == [6, 7], "due on the next Monday, and until it is made"


def test_a_probe_is_remembered_from_its_beginning_by_the_next_service(
    service: Service,
) -> None:
    records, ledger, clock = service
    begin(records, "probe heron")
    again = [name for name in due(records_of(ledger, clock)) if name.startswith("probe")]
    assert again == ["probe wren"]


@pytest.mark.parametrize("made_before", [True, False])
def test_a_probe_that_was_told_to_stop_is_made_by_the_next_service(service: Service, made_before: bool) -> None:
    records, ledger, clock = service
    if made_before:
        begin(records, "probe heron")(None)
        clock.step(6 * 3600 + 1)
    before = ledger.marks.by_name().get("probe heron")
    ended = begin(records, "probe heron")
    records.stop("the service ends")
    ended(errors.RunCut("the service ends"))
    assert ledger.marks.by_name().get("probe heron") == before
    assert "probe heron" in due(records_of(ledger, clock))


def test_what_had_its_share_is_done_however_often_the_service_is_stopped_meanwhile(service: Service) -> None:
    """Else a proof's `prove_mb` a night would become as much at each start."""
    records, ledger, clock = service
    probed = begin(records, "probe heron")
    records.stop("the service ends")
    probed(None)  # it says itself how far it came
    assert "probe heron" not in due(records_of(ledger, clock))


def test_a_probe_that_ended_before_the_stop_is_not_made_again(service: Service) -> None:
    records, ledger, clock = service
    begin(records, "probe heron")(None)
    records.stop("the service ends")
    assert "probe heron" not in due(records_of(ledger, clock))


def test_no_far_box_is_probed_while_a_run_is_there(service: Service) -> None:
    records, _, clock = service
    clock.step(13.5 * 3600)
    (start,) = records.plan().runs
    assert "probe heron" in due(records)
    records.begin(start)
    assert "probe heron" not in due(records)
    assert "probe wren" in due(records)
    records.end("photos", RunEnding("done", "settled"))
    assert "probe heron" in due(records)


def test_no_run_begins_while_its_far_box_is_probed(service: Service) -> None:
    records, _, clock = service
    clock.step(13.5 * 3600)
    ended = begin(records, "probe heron")
    assert records.plan().runs == ()
    ended(None)
    assert [start.job for start in records.plan().runs] == ["photos"]


def test_what_a_clock_far_ahead_wrote_is_not_believed(service: Service) -> None:
    records, ledger, clock = service
    future = NOW + timedelta(days=4000)
    for name in ("digest", "probe heron", "first start"):
        ledger.marks.note(name, future)
    ledger.answers.note("heron", future)
    assert {"probe heron", "probe wren"} <= set(due(records))
    clock.step(7 * 86_400)
    assert "digest" in due(records)


def test_a_clock_set_back_by_years_keeps_neither_the_watch_nor_the_digest_waiting_for_years(tmp_path: Path) -> None:
    clock = SteppedClock(NOW + timedelta(days=4000))  # a machine that started with a wrong clock
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        records = records_of(ledger, clock)
        look(records)
        clock.step(7 * 86_400)
        begin(records, "digest")(errors.HomeTrouble("no room"))
        look(records)
        clock.jump(-4007 * 86_400.0)
        assert not {"look", "digest"} & set(due(records))
        clock.step(LOOK_EVERY_S + 1)
        look(records)
        clock.step(7 * 86_400)
        assert "digest" in due(records)


def test_a_clock_set_back_by_hours_does_not_keep_the_watch_waiting(
    service: Service,
) -> None:
    records, _, clock = service
    look(records)
    clock.jump(-20 * 3600.0)
    assert "look" not in due(records)
    clock.step(LOOK_EVERY_S + 1)
    assert "look" in due(records)


def test_the_watch_is_called_soon_after_a_run_and_after_a_probe(
    service: Service,
) -> None:
    records, _, clock = service
    look(records)
    clock.step(1)
    assert "look" not in due(records)
    begin(records, "probe heron")(None)
    look(records)
    assert "look" not in due(records)
    clock.step(13.5 * 3600)
    look(records)
    attempt(records, RunEnding("done", "settled"))
    assert "look" in due(records)


def test_a_job_that_was_taken_out_while_it_ran_ends_in_peace(service: Service) -> None:
    records, ledger, clock = service
    clock.step(13.5 * 3600)
    (start,) = records.plan().runs
    sign = records.begin(start)
    records.use(household({}, zone="UTC"))
    assert not sign.asked()
    records.end("photos", RunEnding("done", "settled"))
    assert ledger.job_times.by_job()["photos"].ending == "settled"
    assert records.plan().runs == ()


def test_an_allowance_given_to_a_run_stops_it(service: Service) -> None:
    records, _, _ = service
    sign = records.begin(RunStart("photos", "heron", room=100))
    sign.crossed(101)
    assert "month" in sign.asked()


def test_errors_end_a_run_in_the_way_that_helps() -> None:
    endings = {
        errors.RunCut("stop"): "cut",
        errors.Busy("another"): "busy",
        errors.LinkLost("gone"): "unreached",
        errors.TunnelTrouble("no interface"): "unreached",
        errors.HostKeyChanged("another key"): "settled",
        errors.LoginRefused("refused"): "settled",
        errors.WrongSettings("a key that others can read"): "settled",
        errors.FarTrouble("full"): "settled",
        ZeroDivisionError("a slip"): "settled",
    }
    assert {error: ending_for(error).ending for error in endings} == endings


def test_a_login_key_that_others_can_read_is_tried_at_the_jobs_own_times_and_goes_through_once_it_is_mended(
    tmp_path: Path,
) -> None:
    with two_files_and_a_link(tmp_path) as job:
        job.job_more = {"at": "0 3 * * *"}
        job.write_settings()
        settings, clock = job.settings, SteppedClock(NOW)
        key, work = Path(settings.path("keys/heron")), job_runner(clock, lambda *_: lambda: None)
        key.chmod(0o644)
        begun: list[tuple[str, bool]] = []
        with Ledger(settings.ledger) as ledger:
            records = ServiceRecords(settings, ledger, clock, service_chores(clock))
            records.plan()  # writes down that its times count from now on
            for quarter in range(4 * 60):  # two days and a half, looked at every 15 minutes
                if quarter == 4 * 24:
                    key.chmod(0o600)
                for start in records.plan().runs:
                    sign = records.begin(start)
                    try:
                        ended = work(settings, start, sign)
                    except errors.OtherroofError as problem:
                        ended = ending_for(problem)
                    records.end(start.job, ended)
                    begun.append((f"{clock.now().astimezone(settings.zone):%a %H:%M}", ended.outcome in GOOD))
                clock.step(900)
    assert begun == [("Tue 03:00", False), ("Wed 03:00", True)]


# --- what people wish


def test_a_wish_is_begun_at_once_outside_the_window_and_only_once(service: Service) -> None:
    records, ledger, _ = service
    wish = ledger.wishes.ask_run("papers", NOW, reread=True)
    (start,) = records.plan().runs
    assert (start.job, start.wish, start.until) == ("papers", wish, None)
    records.begin(start)
    assert ledger.wishes.run_wish("papers") is None
    records.end("papers", RunEnding("done", "settled"))
    assert records.plan().runs == ()


def test_a_wish_that_cannot_be_removed_is_not_fulfilled_again_and_again(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    records, ledger, _ = service
    ledger.wishes.ask_run("photos", NOW)

    def refuse(job: str) -> bool:
        raise errors.HomeTrouble("cannot be removed: Read-only file system", where=job)

    monkeypatch.setattr(ledger.wishes, "take_back", refuse)
    attempt(records, RunEnding("done", "settled"))
    assert records.plan().runs == ()


@pytest.mark.parametrize("in_the_way", ["wishes", "wishes/photos.run"])
def test_what_cannot_be_read_as_a_wish_keeps_no_job_from_its_run(
    service: Service, tmp_path: Path, caplog: pytest.LogCaptureFixture, in_the_way: str
) -> None:
    records, _, clock = service
    if in_the_way == "wishes":
        (tmp_path / in_the_way).write_text("a file in a folder's place")
    else:
        (tmp_path / in_the_way).mkdir(parents=True)
    for _ in range(2):
        clock.step(24 * 3600)
        records.wish_mark()
        assert {start.job for start in records.plan().runs} == {"photos"}
    told = [one for one in caplog.messages if "not heard of" in one and in_the_way in one]
    assert len(told) == len(set(told)) > 0, "once is enough"


def test_a_wish_outlives_a_service_that_was_killed_before_it_began(service: Service) -> None:
    _, ledger, clock = service
    ledger.wishes.ask_run("photos", NOW)
    assert [start.job for start in records_of(ledger, clock).plan().runs] == ["photos"]


def test_a_wished_run_keeps_to_no_window_when_settings_are_read_anew(service: Service) -> None:
    records, ledger, _ = service
    ledger.wishes.ask_run("papers", NOW)
    (start,) = records.plan().runs
    sign = records.begin(start)
    records.use(SETTINGS)
    assert sign.asked() == ""


def test_what_a_run_waits_for_is_named(service: Service) -> None:
    records, ledger, clock = service
    clock.step(13.5 * 3600)
    (start,) = records.plan().runs
    records.begin(start)
    other = household({"photos": {}, "letters": {}}, zone="UTC", far={"heron": {}, "wren": {}})
    records.use(other)
    ledger.wishes.ask_run("letters", clock.now())
    records.plan()
    assert ledger.job_times.by_job()["letters"].waiting == "waits for the run of photos with the same far box"
    records.end("photos", RunEnding("done", "settled"))
    begin(records, "probe heron")
    records.plan()
    assert ledger.job_times.by_job()["letters"].waiting == "waits for its probe with the same far box"


def test_a_run_that_a_person_stopped_waits_for_its_next_time(service: Service) -> None:
    """A run cut for another reason goes on after a minute; this one nobody wants now."""
    records, _, clock = service
    clock.step(13.5 * 3600)
    attempt(records, RunEnding("cut", "settled", "stopped by hand"))
    clock.step(3600)
    assert [start.job for start in records.plan().runs if start.job == "photos"] == []
    clock.step(23 * 3600)
    assert [start.job for start in records.plan().runs if start.job == "photos"] == ["photos"]


def test_a_window_that_was_made_shorter_ends_the_run_in_it(service: Service) -> None:
    records, _, clock = service
    clock.step(17.5 * 3600)
    (start,) = [one for one in records.plan().runs if one.job == "papers"]
    sign = records.begin(start)
    jobs = {"photos": {}, "papers": {"at": "0 5 * * *", "window": "22:00-05:31", "far": "wren"}}
    records.use(household(jobs, zone="UTC", far={"heron": {}, "wren": {}}))
    assert sign.asked() == ""
    clock.step(120)
    assert "window" in sign.asked()


def test_a_release_that_a_clock_far_ahead_wrote_keeps_no_run_from_being_tried_again(service: Service) -> None:
    records, ledger, clock = service
    clock.step(13.5 * 3600)
    attempt(records, UNREACHED)
    ledger.holds.note(Hold("photos", "r", NOW, "most files are gone", 9, 0, 10, None))
    ledger.holds.release("photos", NOW + timedelta(days=4000))
    clock.step(3600)
    assert [start.tries for start in records.plan().runs if start.job == "photos"] == [1]


def test_what_the_month_has_used_bounds_the_next_run(tmp_path: Path) -> None:
    clock, settings = SteppedClock(NOW), household({"photos": {}}, zone="UTC", far={"heron": {"month_gb": 1}})
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        records = ServiceRecords(settings, ledger, clock, service_chores(clock))
        records.plan()
        ledger.runs.begin("photos", "2026-06-07T013000Z-0001", "heron", NOW - timedelta(days=1))
        sizes = ByteCounts(sent=1, wire_up=300_000_000, wire_down=100_000_000)
        ledger.runs.note_sent("photos", "2026-06-07T013000Z-0001", sizes, 60.0)
        clock.step(13.5 * 3600)
        (start,) = records.plan().runs
        assert start.room == 600_000_000


def two_of_one_worker(_: object) -> list[Chore]:
    """Two chores for one worker, one for another, all always due."""

    def do(_: ChoreInputs) -> None:
        """Nothing is carried out here."""

    return [
        Chore(name, worker, lambda facts: facts.now, do)
        for name, worker in (("a", "one"), ("b", "one"), ("c", "other"))
    ]


def test_of_one_worker_one_chore_goes_on_at_a_time_and_all_that_go_on_are_told_to_stop(tmp_path: Path) -> None:
    clock = SteppedClock(NOW)
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        records = ServiceRecords(SETTINGS, ledger, clock, two_of_one_worker)
        earlier, _, _ = two_of_one_worker(SETTINGS)
        before = records.begin_chore(earlier)
        records.end_chore(earlier, None)
        under_way = records.begin_chore(earlier)
        assert due(records) == ["c"]
        records.plan()
        clock.step(13.5 * 3600)
        (start,) = records.plan().runs
        sign = records.begin(start)
        records.stop("the service ends")
    assert (sign.asked(), under_way.asked()) == ("the service ends", "the service ends")
    assert not before.asked()


@pytest.mark.parametrize(
    ("allowance", "used", "room"), [(1, 400_000_000, 600_000_000), (1, 1_200_000_000, 0), (0, 5, None)]
)
def test_the_room_of_a_month_is_what_this_calendar_month_has_left(
    tmp_path: Path, allowance: float, used: int, room: int | None
) -> None:
    settings = household({"photos": {}}, zone="UTC", far={"heron": {"month_gb": allowance}})
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        for run, days, wire in (("r1", 9, 900_000_000), ("r2", 6, used)):  # in May, and on 2 June
            ledger.runs.begin("photos", run, "heron", NOW - timedelta(days=days))
            ledger.runs.note_sent("photos", run, ByteCounts(sent=1, wire_up=wire), 60.0)
        assert month_room(settings, "heron", ledger, NOW) == room
