"""The service in real time, with nothing real to do: what it begins, how it stops, what it survives."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import HomeTrouble, RunCut, Unreached
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.ledger.job_times import JobTimes
from otherroof.schedule import service_loop as serve_module
from otherroof.schedule.chores import Chore, ChoreInputs, service_chores
from otherroof.schedule.job_runner import RunEnding
from otherroof.schedule.records import ServiceRecords
from otherroof.schedule.service_loop import Service
from otherroof.settings import Mistake, Settings
from otherroof.system.notification import Notifier
from support.simulated import household
from support.waiting import until

DONE = RunEnding("done", "settled")
PATIENCE_S = 10.0


def listened(sign: StopSign) -> bool:
    """Wait, as a long run does, for the sign to go up; whether it did within a minute."""
    end = time.monotonic() + 60
    while not sign.asked() and time.monotonic() < end:
        time.sleep(0.05)
    return bool(sign.asked())


@dataclass
class House:
    """A service in a thread of its own, with its ledger, and everything that its workers were asked to do."""

    settings: Settings
    ledger: Ledger
    its_ledger: Ledger  # the service's own connection
    asked: list[tuple[str, ...]] = field(default_factory=list)
    run: Callable[[str, StopSign], RunEnding] = lambda job, sign: DONE
    probe: Callable[[str], None] = lambda far: None
    look: Callable[[], None] = lambda: None
    rest: Callable[[], None] = lambda: None
    more: tuple[Chore, ...] = ()
    reread: tuple[Settings | None, Sequence[Mistake]] = (None, ())
    due: float | None = None  # in how many seconds the settings are to be read anew
    mistakes: tuple[str, ...] = ()
    address: str = ""
    alive_every_s: float | None = None
    left: list[str] | None = None
    failed: BaseException | None = None
    serve: Service | None = None
    thread: threading.Thread | None = None

    def overdue(self, *jobs: str) -> None:
        """Let these jobs be owed a run at once."""
        for job in jobs or tuple(self.settings.jobs):
            times = f"{self.settings.jobs[job].at} {self.settings.home.zone}"
            self.ledger.job_times.note(JobTimes(job, times, SystemClock().now() - timedelta(days=3)))

    def start(self) -> None:
        clock = SystemClock()
        at_end = Chore("rest", "rest", lambda facts: facts.now, lambda inputs: self._note("rest") or self.rest())
        real = service_chores(clock)
        records = ServiceRecords(
            self.settings,
            self.its_ledger,
            clock,
            lambda settings: [*(self._pretended(chore) for chore in real(settings)), *self.more],
        )
        notifier = Notifier(self.address, self.alive_every_s)
        self.serve = Service(
            records,
            lambda settings, start, sign: self._note("run", start.job) or self.run(start.job, sign),
            at_end,
            clock,
            notifier,
            self,
            self.mistakes,
        )

        def work() -> None:
            assert self.serve is not None
            try:
                self.left = self.serve.run()
            except BaseException as problem:  # noqa: BLE001 (kept for the test to look at)
                self.failed = problem

        self.thread = threading.Thread(target=work)
        self.thread.start()

    def due_in_s(self) -> float | None:
        return self.due

    def read(self) -> tuple[Settings | None, Sequence[Mistake]]:
        self.due = None
        return self.reread

    def stop(self) -> float:
        """Stop the service; how long that took, in seconds."""
        assert self.serve is not None
        assert self.thread is not None
        begun = time.monotonic()
        self.serve.stop("the test is over")
        self.thread.join(30)
        assert not self.thread.is_alive()
        return time.monotonic() - begun

    def count(self, *what: str) -> int:
        return self.asked.count(what)

    def ending(self, job: str) -> str | None:
        return self.ledger.job_times.by_job()[job].ending

    def _pretended(self, chore: Chore) -> Chore:
        """The chore with its own times and worker, that does what this house says; the last resort's are real."""
        kind, *names = chore.name.split()

        def do(inputs: ChoreInputs) -> None:
            self._note(kind, *names, *(inputs.mistakes if kind in ("look", "digest") else ()))
            if kind == "probe":
                self.probe(*names)
            elif kind == "look":
                self.look()
            elif kind == "digest":
                self.ledger.digests.note(SystemClock().now(), SystemClock().now(), True, ())

        return chore if chore.worker == "last resort" else replace(chore, do=do)

    def _note(self, *what: str) -> None:
        self.asked.append(what)


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[House]:
    settings = household(
        {"photos": {}, "papers": {}, "music": {"far": "wren"}}, zone="UTC", far={"heron": {}, "wren": {}}
    )
    path = str(tmp_path / "ledger.db")
    with Ledger(path) as ledger, Ledger(path) as its_ledger:
        made = House(settings, ledger, its_ledger)

        def tell(_settings: Settings, _clock: object, trouble: str, *, over: bool) -> None:
            made.asked.append(("last resort", trouble, "over" if over else "begun"))

        monkeypatch.setattr("otherroof.schedule.chores.tell_channels", tell)
        yield made
        if made.thread is not None and made.thread.is_alive():
            made.stop()


def test_what_is_owed_is_run_once_and_written_down(house: House) -> None:
    house.overdue()
    house.start()
    until(lambda: all(house.ending(job) == "settled" for job in house.settings.jobs))
    house.stop()
    assert house.failed is None
    assert house.left == []
    assert house.asked[-1] == ("rest",)
    assert sorted(one for one in house.asked if one[0] == "run") == [
        ("run", "music"),
        ("run", "papers"),
        ("run", "photos"),
    ]


def test_a_wish_is_seen_within_seconds_though_nothing_else_is_due(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve_module, "TICK_S", 600.0)
    house.start()
    until(lambda: house.count("look") and house.count("probe", "heron") and house.count("tend"))
    house.ledger.wishes.ask_run("photos", SystemClock().now())
    until(lambda: house.ending("photos") == "settled")
    house.stop()
    assert house.count("run", "photos") == 1
    assert house.failed is None


def test_what_is_not_owed_is_not_run_but_far_boxes_are_probed_and_the_watch_looks(house: House) -> None:
    house.start()
    until(lambda: house.count("probe", "heron") and house.count("probe", "wren") and house.count("look"))
    until(lambda: house.count("tend"))
    house.stop()
    assert not [one for one in house.asked if one[0] in ("run", "digest")]
    assert house.count("probe", "heron") == house.count("tend") == 1


def test_the_digest_is_told_what_is_wrong_with_the_settings(house: House) -> None:
    house.ledger.marks.note("digest", SystemClock().now() - timedelta(days=8))
    house.mistakes = ("jobs/music.toml: at: is not there",)
    house.start()
    until(lambda: house.count("digest", *house.mistakes))
    house.stop()
    assert [one for one in house.asked if one[0] == "digest"] == [("digest", *house.mistakes)]


def test_runs_to_one_far_box_never_overlap_and_others_do_not_wait_for_them(house: House) -> None:
    going: set[str] = set()
    together: list[set[str]] = []
    meet = threading.Barrier(2)

    def run(job: str, sign: StopSign) -> RunEnding:
        going.add(job)
        together.append(set(going))
        if job in ("music", "papers"):  # the far box's first, and the other far box's only one
            meet.wait(PATIENCE_S)
        time.sleep(0.05)
        going.discard(job)
        return DONE

    house.run = run
    house.overdue()
    house.start()
    until(lambda: all(house.ending(job) == "settled" for job in house.settings.jobs))
    house.stop()
    assert not any({"photos", "papers"} <= one for one in together)
    assert {"music", "papers"} in together


def test_a_stop_lets_a_run_end_what_is_in_flight(house: House) -> None:
    def run(job: str, sign: StopSign) -> RunEnding:
        assert listened(sign)
        time.sleep(0.5)
        return RunEnding("cut", "cut", sign.asked())

    house.run = run
    house.overdue("photos")
    house.start()
    until(lambda: house.count("run", "photos"))
    assert house.stop() < 5
    assert house.left == []
    assert house.ending("photos") == "cut"


def test_a_stop_reaches_a_chore_that_lasts(house: House) -> None:
    heard: list[bool] = []

    def do(inputs: ChoreInputs) -> None:
        heard.append(listened(cast(StopSign, inputs.stop)))

    house.more = (Chore("count spoons", "kitchen", lambda facts: facts.now, do),)
    house.start()
    until(lambda: house.count("look"))
    assert house.stop() < 5
    assert (house.left, heard) == ([], [True])


def test_a_chore_that_was_told_to_stop_is_no_trouble_in_the_log(house: House, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")

    def do(inputs: ChoreInputs) -> None:
        assert listened(cast(StopSign, inputs.stop))
        raise RunCut(inputs.stop.asked())

    house.more = (Chore("count spoons", "kitchen", lambda facts: facts.now, do),)
    house.start()
    until(lambda: house.count("look"))
    house.stop()
    told = [(one.levelname, one.message) for one in caplog.records if one.message.startswith("count spoons")]
    assert told == [("INFO", "count spoons: left off, nothing is lost by that: the test is over")]


def test_the_last_chore_has_the_time_that_the_runs_did_not_need(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve_module, "REST_GRACE_S", 0.01)
    ended: list[bool] = []

    def rest() -> None:
        time.sleep(0.5)
        ended.append(True)

    house.rest = rest
    house.start()
    until(lambda: house.count("look"))
    house.stop()
    assert (house.left, ended) == ([], [True])


def lets_runs_be_deaf(house: House) -> threading.Event:
    """From now on a run hears no sign; it ends once this is set."""
    free = threading.Event()

    def run(job: str, sign: StopSign) -> RunEnding:
        free.wait(PATIENCE_S)
        return DONE

    house.run = run
    return free


def test_the_last_chore_has_time_also_if_a_run_took_all(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve_module, "STOP_GRACE_S", 0.1)
    free = lets_runs_be_deaf(house)
    house.rest = lambda: time.sleep(0.3)
    house.overdue("photos")
    house.start()
    until(lambda: house.count("run", "photos"))
    house.stop()
    free.set()
    assert house.left == ["run photos"]


def test_a_run_that_does_not_listen_is_left_and_counts_as_cut(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve_module, "STOP_GRACE_S", 0.5)
    free = lets_runs_be_deaf(house)
    house.overdue("photos")
    house.start()
    until(lambda: house.count("run", "photos"))
    assert house.stop() < 3
    free.set()
    assert house.left == ["run photos"]
    turn = house.ledger.job_times.by_job()["photos"]
    assert turn.begun is not None
    assert turn.ended is None


def test_the_grace_at_a_stop_leaves_room_within_ten_seconds() -> None:
    assert serve_module.STOP_GRACE_S <= 8


def test_a_far_box_that_does_not_answer_is_tried_again_later(house: House) -> None:
    def run(job: str, sign: StopSign) -> RunEnding:
        raise Unreached("no answer", where="heron")

    house.run = run
    house.overdue("photos")
    house.start()
    until(lambda: house.ending("photos") == "unreached")
    until(lambda: "next is at" in house.ledger.job_times.by_job()["photos"].waiting)
    house.stop()
    assert house.count("run", "photos") == 1


def test_an_error_inside_a_run_ends_that_run_and_not_the_service(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    def run(job: str, sign: StopSign) -> RunEnding:
        if job == "papers":
            raise ZeroDivisionError("a slip")
        return DONE

    house.run = run
    house.overdue("papers", "photos")
    house.start()
    until(lambda: house.ending("papers") == house.ending("photos") == "settled")
    house.stop()
    assert house.failed is None
    assert "a fault in Otherroof itself: ZeroDivisionError: a slip" in caplog.text
    assert "Traceback" in caplog.text


def test_a_probe_that_fails_ends_that_probe_and_not_the_service(house: House) -> None:
    def probe(far: str) -> None:
        raise Unreached("no answer", where=far)

    house.probe = probe
    house.start()
    until(lambda: house.count("probe", "heron"))
    house.overdue("photos")
    assert house.serve is not None
    house.reread = (house.settings, ())
    house.serve.reload()
    until(lambda: house.ending("photos") == "settled")
    house.stop()
    assert house.failed is None


def test_a_broken_settings_file_keeps_the_old_settings_and_tells_the_watch(house: House) -> None:
    house.start()
    until(lambda: house.count("look"))
    assert house.serve is not None
    mistake = Mistake("/etc/otherroof/otherroof.toml", "far.heron.port", "is not a number")
    house.reread = (None, [mistake])
    house.serve.reload()
    until(lambda: house.count("look", mistake.line()))
    house.overdue("photos")
    good = house.settings.model_copy(update={"jobs": {"photos": house.settings.jobs["photos"]}})
    house.reread = (good, ())
    looks = house.count("look")
    house.serve.reload()
    until(lambda: house.count("look") > looks)
    until(lambda: house.ending("photos") == "settled")
    house.stop()


def test_changed_settings_are_taken_up_without_being_asked(house: House, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    house.settings = house.settings.model_copy(update={"jobs": {"music": house.settings.jobs["music"]}})
    whole = household({"photos": {}, "music": {"far": "wren"}}, zone="UTC", far={"heron": {}, "wren": {}})
    house.alive_every_s = 0.1
    house.start()
    until(lambda: house.count("look"))
    house.overdue("music")
    times = f"{whole.jobs['photos'].at} {whole.home.zone}"
    house.ledger.job_times.note(JobTimes("photos", times, SystemClock().now() - timedelta(days=3)))
    until(lambda: house.ending("music") == "settled")
    assert house.count("run", "photos") == 0
    house.reread, house.due = (whole, ()), 0.0
    until(lambda: house.count("run", "photos"))
    house.stop()
    assert "in force; changed: job photos (new)" in caplog.text


def test_changed_settings_with_a_mistake_are_not_taken_up_and_the_watch_is_told(house: House) -> None:
    house.alive_every_s = 0.1
    house.start()
    until(lambda: house.count("look"))
    mistake = Mistake("/etc/otherroof/jobs/photos.toml", "at", "is not there")
    house.reread, house.due = (house.settings.model_copy(update={"jobs": {}}), [mistake]), 0.0
    until(lambda: house.count("look", mistake.line()))
    house.overdue("music")
    until(lambda: house.ending("music") == "settled")
    house.stop()


def test_settings_that_are_still_being_written_are_looked_at_again_as_soon_as_they_may_be_whole(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serve_module, "TICK_S", 600.0)
    house.start()
    until(lambda: house.count("look"))
    house.due = 0.2
    assert house.serve is not None
    house.serve._inbox.put(serve_module._Wake())
    time.sleep(0.3)  # it has seen that they are not still yet
    house.reread, house.due = (house.settings, [Mistake("x.toml", "at", "is not there")]), 0.0
    until(lambda: house.count("look", "x.toml: at: is not there"))
    house.stop()


def test_one_broken_job_file_keeps_all_the_old_settings(house: House) -> None:
    house.start()
    until(lambda: house.count("look"))
    assert house.serve is not None
    mistake = Mistake("/etc/otherroof/jobs/photos.toml", "at", "is not there")
    house.reread = (house.settings.model_copy(update={"jobs": {}}), [mistake])
    house.serve.reload()
    until(lambda: house.count("look", mistake.line()))
    house.overdue("music")
    house.serve.reload()
    until(lambda: house.ending("music") == "settled")
    house.stop()


def test_the_state_folder_cannot_move_under_a_running_service(house: House) -> None:
    house.start()
    until(lambda: house.count("look"))
    assert house.serve is not None
    moved = house.settings.model_copy(update={"home": house.settings.home.model_copy(update={"state": "/elsewhere"})})
    house.reread = (moved, ())
    house.serve.reload()
    until(lambda: [one for one in house.asked if one[0] == "look" and "state folder" in "".join(one[1:])])
    house.stop()


def test_a_ledger_that_cannot_be_used_for_a_while_is_survived(
    house: House, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    broken = threading.Event()
    broken.set()
    turns = house.its_ledger.job_times.by_job

    def sometimes() -> dict[str, JobTimes]:
        if broken.is_set():
            raise HomeTrouble("the ledger cannot be used: disk I/O error", where="ledger.db")
        return turns()

    house.overdue("photos")
    monkeypatch.setattr(house.its_ledger.job_times, "by_job", sometimes)
    house.alive_every_s = 0.2
    house.start()
    until(lambda: "nothing can be decided" in caplog.text)
    broken.clear()
    until(lambda: house.count("run", "photos"))
    house.stop()
    assert house.failed is None
    assert caplog.text.count("nothing can be decided") == 1


def test_a_watch_that_cannot_look_for_hours_is_cried_out_once_and_its_end_too(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("otherroof.schedule.last_resort.BLIND_AFTER_S", 0.5)
    broken = threading.Event()
    broken.set()

    def look() -> None:
        if broken.is_set():
            raise HomeTrouble("the ledger cannot be used: database or disk is full", where="ledger.db")

    house.look, house.alive_every_s = look, 0.1
    house.start()
    trouble = "ledger.db: the ledger cannot be used: database or disk is full"
    until(lambda: house.count("last resort", trouble, "begun"))
    time.sleep(1)
    assert house.count("last resort", trouble, "begun") == 1, "again only after a day"
    assert house.count("last resort", trouble, "over") == 0
    broken.clear()
    assert house.serve is not None
    house.serve._records.note_news()
    until(lambda: house.count("last resort", trouble, "over"))
    house.stop()
    assert [one[2] for one in house.asked if one[0] == "last resort"] == ["begun", "over"]


def test_a_watch_that_looks_is_never_cried_out(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("otherroof.schedule.last_resort.BLIND_AFTER_S", 1.0)
    house.alive_every_s = 0.1
    house.start()
    end = time.monotonic() + 2
    while time.monotonic() < end:
        looks = house.count("look")
        assert house.serve is not None
        house.serve._records.note_news()
        until(lambda looks=looks: house.count("look") > looks)
    house.stop()
    assert [one for one in house.asked if one[0] == "last resort"] == []


@pytest.fixture
def manager(tmp_path: Path, house: House) -> Iterator[socket.socket]:
    """The service manager's end of the notification socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as way:
        way.bind(str(tmp_path / "notify"))
        way.settimeout(PATIENCE_S)
        house.address = str(tmp_path / "notify")
        yield way


def heard(way: socket.socket, seconds: float) -> list[str]:
    """What the manager hears in the next seconds."""
    found, end = [], time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        way.settimeout(left)
        try:
            found.append(way.recv(4096).decode())
        except TimeoutError:
            break
    return found


def test_the_manager_hears_ready_signs_of_life_reload_and_stop(house: House, manager: socket.socket) -> None:
    house.alive_every_s = 0.2
    house.reread = (house.settings, ())
    house.start()
    assert manager.recv(4096) == b"READY=1"
    assert sum(one == "WATCHDOG=1" for one in heard(manager, 2)) >= 5
    assert house.serve is not None
    house.serve.reload()
    later = heard(manager, 1)
    assert [one.split("\n")[0] for one in later if one.startswith(("RELOADING", "READY"))] == ["RELOADING=1", "READY=1"]
    house.stop()
    assert "STOPPING=1" in heard(manager, 0.5)


def test_a_long_run_does_not_silence_the_signs_of_life(house: House, manager: socket.socket) -> None:
    house.alive_every_s = 0.2
    house.run = lambda job, sign: RunEnding("cut", "cut", sign.asked()) if listened(sign) else DONE
    house.overdue("photos")
    house.start()
    until(lambda: house.count("run", "photos"))
    heard(manager, 0.5)
    assert sum(one == "WATCHDOG=1" for one in heard(manager, 2)) >= 5
    house.stop()


def test_a_loop_that_is_stuck_gives_no_sign_of_life_though_its_threads_live(
    house: House, manager: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.alive_every_s = 0.2
    free = threading.Event()
    plan = ServiceRecords.plan
    house.start()
    until(lambda: house.count("look"))

    def stuck(self: ServiceRecords) -> object:
        free.wait(PATIENCE_S)
        return plan(self)

    monkeypatch.setattr(ServiceRecords, "plan", stuck)
    heard(manager, 1)
    assert "WATCHDOG=1" not in heard(manager, 1.5)
    free.set()
    assert "WATCHDOG=1" in heard(manager, 1.5)
    house.stop()


def test_a_timer_that_has_died_ends_the_service_so_that_it_is_restarted(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.alive_every_s = 0.1
    monkeypatch.setattr(Service, "_wake_at", lambda self, moment: None)
    house.start()
    until(lambda: house.failed is not None)
    assert "no sign of life" in str(house.failed)


def test_a_window_changed_under_a_run_ends_it(house: House) -> None:
    house.run = lambda job, sign: RunEnding("cut", "cut", sign.asked()) if listened(sign) else DONE
    house.overdue("photos")
    house.start()
    until(lambda: house.count("run", "photos"))
    now = SystemClock().now()
    closed = f"{(now.hour + 2) % 24:02}:00-{(now.hour + 3) % 24:02}:00"
    jobs = dict(house.settings.jobs) | {"photos": house.settings.jobs["photos"].model_copy(update={"window": closed})}
    house.reread = (house.settings.model_copy(update={"jobs": jobs}), ())
    assert house.serve is not None
    house.serve.reload()
    until(lambda: house.ending("photos") == "cut")
    time.sleep(0.5)
    house.stop()
    assert house.count("run", "photos") == 1


def test_after_a_kill_the_next_service_goes_on(house: House) -> None:
    house.overdue("photos")
    turn = house.ledger.job_times.by_job()["photos"]
    begun = SystemClock().now() - timedelta(minutes=30)
    house.ledger.job_times.note(replace(turn, begun=begun, tries=1))
    house.start()
    until(lambda: house.ending("photos") == "settled")
    house.stop()


def test_a_chore_is_added_by_the_list_alone(house: House, caplog: pytest.LogCaptureFixture) -> None:
    going: set[str] = set()
    heard: list[object] = []
    looks: list[int] = []
    met: list[set[str]] = []

    def do(inputs: ChoreInputs) -> str:
        going.add("dust")
        met.append(set(going))
        assert inputs.settings is house.settings
        time.sleep(0.2)
        going.discard("dust")
        if len(met) == 1:
            raise HomeTrouble("no broom", where="cellar")
        return "clean"

    def run(job: str, sign: StopSign) -> RunEnding:
        going.add(job)
        time.sleep(0.2)
        going.discard(job)
        return DONE

    def ended(value: object) -> bool:
        heard.append(value)
        looks.append(house.count("look"))
        return len(heard) == 2

    house.run = run
    house.more = (Chore("dust", "far wren", lambda facts: facts.after_rest(0.6), do, ended, remembered=True),)
    house.overdue("music")
    house.start()
    until(lambda: house.ending("music") == "settled" and len(heard) == 2)
    until(lambda: house.count("look") > looks[1])
    house.stop()
    assert house.failed is None
    assert str(heard[0]) == "cellar: no broom"
    assert heard[1] == "clean"
    assert "dust: cellar: no broom" in caplog.text
    assert all(one == {"dust"} for one in met), "with the run on the same worker it never overlaps"
    assert "dust" in house.ledger.marks.by_name()


def test_a_run_whose_end_cannot_be_written_down_ends_no_service(
    house: House, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def refused(self: ServiceRecords, job: str, ended: RunEnding) -> None:
        self.running.pop(job)
        raise HomeTrouble("the ledger cannot be used: disk I/O error", where="ledger.db")

    with monkeypatch.context() as patched:
        patched.setattr(ServiceRecords, "end", refused)
        house.overdue("photos")
        house.start()
        said = "run photos: its end cannot be noted: ledger.db: the ledger cannot be used"
        until(lambda: house.failed is not None or said in caplog.text)
    assert house.failed is None
    house.overdue("music")
    house.ledger.wishes.ask_run("music", SystemClock().now())
    until(lambda: house.ending("music") == "settled")
    house.stop()
    assert house.failed is None


def test_chores_are_told_of_a_ledger_that_cannot_be_used(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """One of them cries it out past the ledger, and has to know what."""
    told: list[str] = []

    def refused() -> dict[str, JobTimes]:
        raise HomeTrouble("the ledger cannot be used: disk I/O error", where="ledger.db")

    monkeypatch.setattr(house.its_ledger.job_times, "by_job", refused)
    house.more = (Chore("dust", "dust", lambda facts: facts.now, lambda inputs: told.append(inputs.trouble)),)
    house.start()
    until(lambda: told)
    house.stop()
    assert told[0] == "ledger.db: the ledger cannot be used: disk I/O error"


def test_settings_that_are_not_taken_up_have_the_watch_look_at_once(tmp_path: Path) -> None:
    """Whoever wrote the mistake is still at the machine."""
    settings = household({"photos": {}}, zone="UTC", far={"heron": {}})
    news: list[str] = []
    records = SimpleNamespace(
        settings=settings, note_news=lambda: news.append("news"), use=lambda new: news.append("used")
    )
    service = Service(
        cast(Any, records), cast(Any, None), cast(Any, None), SystemClock(), Notifier(""), cast(Any, None)
    )
    service._take_up(settings, [Mistake("/etc/otherroof/jobs/photos.toml", "at", "is not there")])
    assert news == ["news"]
    service._take_up(None, [])
    assert news == ["news", "news"]
    service._take_up(settings, [])
    assert news == ["news", "news", "used"]
