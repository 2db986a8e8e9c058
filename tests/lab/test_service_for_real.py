"""`otherroof serve` as a process, against a real sshd: signals, a second one, being killed, and minutes of real time.

How many minutes the long test takes: OTHERROOF_SERVICE_MINUTES, 2 if not said.
"""

from __future__ import annotations

import os
import random
import re
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.ledger import Ledger
from support.lab.need import require_sshd
from support.lab.served import Household, household, until
from support.lab.sshd import FarSshd

pytestmark = pytest.mark.lab

MINUTES = float(os.environ.get("OTHERROOF_SERVICE_MINUTES", "2"))
WHOLE_S = 40  # up until so long after its beginning, it had a minute to run its jobs in


@pytest.fixture
def far() -> Iterator[FarSshd]:
    require_sshd()
    with FarSshd() as box:
        yield box


def test_it_copies_what_is_owed_and_stops_when_told(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}) as home:
        (home.folders["papers"] / "letter").write_text("dear all")
        home.overdue("papers")
        service = home.start()
        until(lambda: home.same("papers") and home.turn("papers").ending == "settled")
        begun = time.monotonic()
        service.terminate()
        assert service.wait(10) == 0
        assert time.monotonic() - begun < 10
        assert "Traceback" not in home.told()
        with Ledger(home.settings.ledger) as ledger:
            assert ledger.answers.last("heron") is not None


def test_a_second_service_is_told_who_is_at_work(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}) as home:
        service = home.start()
        until(lambda: "works on" in home.told())
        second = home.otherroof("serve")
        assert second.returncode == 1
        assert f"process {service.pid}, since " in second.stderr
        assert len(second.stderr.splitlines()) == 1
        service.terminate()
        assert service.wait(10) == 0


def test_a_run_by_hand_beside_the_services_own_is_told_who_is_at_it(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}, limit_mbit=2) as home:
        (home.folders["papers"] / "film").write_bytes(os.urandom(20_000_000))
        home.overdue("papers")
        service = home.start()
        until(lambda: home.runs("papers"))
        by_hand = home.otherroof("run", "papers", "--here")
        assert by_hand.returncode == 1
        assert f"process {service.pid}" in by_hand.stderr


def test_a_stop_in_the_middle_of_a_copy_is_quick_and_the_next_start_goes_on(tmp_path: Path, far: FarSshd) -> None:
    size = 20_000_000
    with household(tmp_path, far, {"papers": {}}, limit_mbit=8) as home:
        (home.folders["papers"] / "film").write_bytes(os.urandom(size))
        home.overdue("papers")
        service = home.start()
        until(lambda: _incoming(far) > 4_000_000)
        begun = time.monotonic()
        service.terminate()
        assert service.wait(10) == 0
        took = time.monotonic() - begun
        assert took < 10
        (cut,) = home.runs("papers")
        assert (cut.report.outcome, home.turn("papers").ending) == ("cut", "cut")
        assert "SIGTERM" in cut.report.reason

        home.far_more = {}
        home.write()
        home.let_pass("papers", 2)
        home.start()
        until(lambda: home.same("papers"), 100)
        until(lambda: home.turn("papers").ending == "settled")
        done = home.runs("papers")[-1]
        assert done.report.outcome == "done"
        # What had arrived before the stop is not sent again.
        assert cut.report.bytes.wire_up + done.report.bytes.wire_up < size * 1.15
        assert done.report.bytes.wire_up < size * 0.9


def test_a_stop_does_not_wait_for_a_dump_that_takes_long(tmp_path: Path, far: FarSshd) -> None:
    dump, pid = tmp_path / "dump", tmp_path / "pid"
    dump.write_text(f"#!/bin/sh\necho $$ > {pid}\nexec sleep 50\n")
    dump.chmod(0o755)
    with household(tmp_path, far, {"papers": {"before": [str(dump)]}}) as home:
        home.overdue("papers")
        service = home.start()
        until(lambda: pid.exists() and pid.read_text().strip())
        try:
            begun = time.monotonic()
            service.terminate()
            assert service.wait(10) == 0
            assert time.monotonic() - begun < 10
            with pytest.raises(ProcessLookupError):
                os.kill(int(pid.read_text()), 0)
        finally:
            with suppress(ProcessLookupError):
                os.kill(int(pid.read_text()), signal.SIGKILL)
        assert "did not end in time" not in home.told(), "the dump was ended with its run"
        turn = home.turn("papers")
        assert (turn.begun is None, turn.ended is None, turn.ending) == (False, False, "cut")


def _incoming(far: FarSshd) -> int:
    return sum(one.stat().st_size for one in Path(far.base_path).glob("*/incoming/**/*") if one.is_file())


def test_new_settings_are_taken_up_and_broken_ones_are_not(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}, "songs": {}}) as home:
        service = home.start()
        until(lambda: "works on" in home.told())
        main = tmp_path / "settings" / "otherroof.toml"
        sound = main.read_text()
        main.write_text(sound.replace("port =", "prot ="))
        service.send_signal(signal.SIGHUP)
        until(lambda: "are not taken up" in home.told())
        assert "perhaps 'port' is meant" in home.told()
        with Ledger(home.settings.ledger) as ledger:
            until(lambda: [one for one in ledger.alerts.standing() if one.rule == "settings"])
        main.write_text(sound)
        service.send_signal(signal.SIGHUP)
        until(lambda: "were read anew" in home.told())
        with Ledger(home.settings.ledger) as ledger:
            until(lambda: not [one for one in ledger.alerts.standing() if one.rule == "settings"])
        assert service.poll() is None


@contextmanager
def being_edited(path: Path) -> Iterator[None]:
    """While inside, the file is saved again and again, so that nobody takes it for finished."""
    done = threading.Event()

    def save() -> None:
        while not done.wait(0.5):
            os.utime(path)

    editor = threading.Thread(target=save)
    editor.start()
    try:
        yield
    finally:
        done.set()
        editor.join(10)


@pytest.mark.slow
@pytest.mark.lasts(100)
def test_changed_settings_are_taken_up_without_a_word_and_check_tells_when(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}) as home:
        home.start()
        until(lambda: "works on" in home.told())
        assert "the running service uses these settings" in home.otherroof("check").stdout
        main = tmp_path / "settings" / "otherroof.toml"
        sound = main.read_text()
        main.write_text(sound + '[channel.bell]\nkind = "command"\ncommand = ["/bin/true"]\n')
        with being_edited(main):
            for verb in ("check", "status", "alert-test"):
                assert "does not use these settings yet (channel bell (new))" in home.otherroof(verb).stdout
        until(lambda: "changed: channel bell (new)" in home.told(), 60)
        assert "the running service uses these settings" in home.otherroof("check").stdout
        main.write_text(sound.replace("port =", "prot ="))
        until(lambda: "are not taken up" in home.told(), 60)
        with Ledger(home.settings.ledger) as ledger:
            until(lambda: [one for one in ledger.alerts.standing() if one.rule == "settings"])
        assert "uses the settings from before" in home.otherroof("check").stdout
        main.write_text(sound)
        until(lambda: "changed: channel bell (gone)" in home.told(), 60)


def test_settings_broken_from_the_start_end_it_with_a_word(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}) as home:
        main = tmp_path / "settings" / "otherroof.toml"
        main.write_text("nonsense")
        ended = home.otherroof("serve")
        assert ended.returncode == 2
        assert "otherroof.toml" in ended.stderr
        assert len(ended.stderr.splitlines()) == 1


def test_settings_that_broke_while_it_was_off_do_not_keep_it_from_its_work(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}) as home:
        service = home.start()
        until(lambda: "works on" in home.told())
        service.terminate()
        assert service.wait(10) == 0
        (tmp_path / "settings" / "otherroof.toml").write_text("nonsense")
        (home.folders["papers"] / "letter").write_text("dear all")
        home.overdue("papers")
        service = home.start()
        until(lambda: home.same("papers") and home.turn("papers").ending == "settled")
        with Ledger(home.settings.ledger) as ledger:
            until(lambda: [one for one in ledger.alerts.standing() if one.rule == "settings"])
        asked = home.otherroof("status")
        assert asked.returncode == 1
        assert "otherroof.toml: is not TOML" in asked.stdout
        service.terminate()
        assert service.wait(10) == 0


def test_the_journal_gets_each_lines_weight(tmp_path: Path, far: FarSshd, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JOURNAL_STREAM", "8:1234")
    with household(tmp_path, far, {"papers": {}}) as home:
        service = home.start()
        until(lambda: "works on" in home.told())
        service.terminate()
        service.wait(10)
        # sd-daemon(3): <3> error, <4> warning, <6> informational.
        assert all(re.match(r"<[346]>", line) for line in home.told().splitlines())


@pytest.mark.slow
@pytest.mark.lasts(240)
def test_minutes_of_real_time_with_kills_in_between(tmp_path: Path, far: FarSshd) -> None:
    jobs = {"papers": {"at": "* * * * *"}, "songs": {"at": "* * * * *"}}
    with household(tmp_path, far, jobs, limit_mbit=10) as home:
        for name, folder in home.folders.items():
            for number in range(30):
                (folder / f"{name}{number}").write_bytes(os.urandom(50_000))
        ups = _live_dangerously(home)
        # Quiet now: the next minute's runs see all that was written.
        calm = ups[-1][1]
        until(lambda: all(_good_since(home, name, calm) for name in jobs), 150)
        assert home.process is not None
        home.process.terminate()
        assert home.process.wait(10) == 0
        runs = home.runs()
        assert len(ups) > 2
        assert all(home.same(name) for name in jobs)
        assert "Traceback" not in home.told()
        spans = sorted((one.started, one.ended or one.started) for one in runs)
        assert all(earlier[1] <= later[0] for earlier, later in pairwise(spans))
        assert {one.report.outcome for one in runs} <= {"done", "cut"}
        whole = _whole_minutes(ups)
        assert whole
        for name in jobs:
            starts = Counter(one.started.replace(second=0) for one in home.runs(name))
            assert [starts[minute] for minute in whole] == [1] * len(whole)
            assert max(starts.values()) <= 2  # at most one killed and one in its place
        cut = sum(one.report.outcome == "cut" for one in runs)
        assert cut >= 1
        print(f"{MINUTES:g} min, {len(ups) - 1} kills, {len(runs)} runs, {cut} of them cut, {len(whole)} whole minutes")


def _live_dangerously(home: Household) -> list[tuple[datetime, datetime]]:
    """Let files change and kill the service amid a run and, once that was made good, at rest; a quiet minute between.

    Gives the times it was up.
    """
    dice, clock = random.Random(4), SystemClock()
    end, ups = time.monotonic() + MINUTES * 60, []
    home.start()
    up = clock.now()

    def fall() -> None:
        nonlocal up
        home.kill()
        ups.append((up, clock.now()))
        time.sleep(dice.uniform(0.1, 5))
        home.start()
        up = clock.now()

    while time.monotonic() < end:
        _change(home, dice)
        until(home.busy, 70)
        time.sleep(dice.uniform(0, 0.3))
        fallen = clock.now()
        fall()
        # A killed run is owed again at the next minute, which may be a whole one away, and then takes its time.
        until(
            lambda since=fallen: all(_good_since(home, name, since) for name in home.folders) and not home.busy(), 120
        )
        time.sleep(dice.uniform(0, 2))
        fall()
        quiet = time.monotonic() + 60 - up.second + WHOLE_S + 5
        while time.monotonic() < quiet:
            time.sleep(dice.uniform(1, 12))
            _change(home, dice)
    return [*ups, (up, clock.now())]


def _change(home: Household, dice: random.Random) -> None:
    for name, folder in home.folders.items():
        (folder / f"{name}{dice.randrange(30)}").write_bytes(os.urandom(dice.randrange(2_000_000)))


def _whole_minutes(ups: list[tuple[datetime, datetime]]) -> list[datetime]:
    """The minutes from before whose beginning until well after it the service was up."""
    found = []
    for begun, ended in ups:
        minute = begun.replace(second=0, microsecond=0) + timedelta(minutes=1)
        while minute + timedelta(seconds=WHOLE_S) < ended:
            if begun < minute - timedelta(seconds=3):
                found.append(minute)
            minute += timedelta(minutes=1)
    return found


def _good_since(home: Household, job: str, moment: datetime) -> bool:
    return any(one.report.outcome == "done" and one.started > moment for one in home.runs(job))
