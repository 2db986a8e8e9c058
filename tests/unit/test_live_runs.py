"""What other processes see of a run under way: the kernel says whether it lives, never the age of a file."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from math import inf, nan
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as some

from otherroof.base.errors import HomeTrouble
from otherroof.base.local_time import moment_text
from otherroof.base.locks import FileLock, Patience
from otherroof.base.units import size_text
from otherroof.cli.main import main
from otherroof.cli.show_progress import advance_text
from otherroof.copying.report import ByteCounts, FileCounts, RunReport
from otherroof.forecast.advance import Advance, ProgressReading
from otherroof.forecast.pace import TimeLeft
from otherroof.ledger import Ledger
from otherroof.ledger.live import live_runs
from otherroof.ledger.live.live_run import EndedRun, LiveRun, ended_text, live_text, read_ends, read_live
from otherroof.ledger.live.live_runs import LiveRuns
from otherroof.ledger.live.wishes import WishAnswer, Wishes
from otherroof.ledger.runs import GONE
from otherroof.settings import require_settings
from support.household import write_household
from support.live import live_run, under_way
from support.waiting import until

TESTS = str(Path(__file__).parents[1])
FAR_ZONES = ("Pacific/Kiritimati", "Pacific/Pago_Pago")  # +14 h and -11 h
NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
COUNTS = some.integers(0, 2**60)
WORDS = some.text(some.characters(blacklist_categories=("C", "Z")), max_size=20)
LEFT = some.none() | some.builds(
    lambda least, more: TimeLeft(least, least + more), some.floats(0, 1e9), some.floats(0, 1e9) | some.just(inf)
)
# What JSON may hold, and what Python reads as JSON besides.
EDGES = [None, True, -1, 256, 2**63, 10**400, 1e300, inf, -inf, nan, "", "x", "0001-01-01T00:00:00Z", [], [1], {}]
ANYTHING = some.sampled_from([*EDGES, "9999-12-31T23:59:59Z", [nan, nan], [0, 1e300], [1e300, 1e301], ["x", None]])
LIVE = some.builds(
    LiveRun,
    **dict.fromkeys(("token", "job", "far", "run", "before", "wish", "stopping"), WORDS),
    **dict.fromkeys(("pid", "wire_up", "wire_down"), COUNTS),
    by=some.sampled_from(["hand", "service"]),
    since=some.just(NOW),
    at=some.just(NOW),
    advance=some.builds(
        Advance,
        some.builds(ProgressReading, WORDS, COUNTS, COUNTS, COUNTS, COUNTS, some.binary(max_size=20)),
        some.floats(0, 1e12),
        LEFT,
    ),
)
# Runs of one job, one after the other: each with the next number for a token. A word of the last run and the lock of
# the next must never be read together.
RUNS = """
import sys
from otherroof.ledger.live.live_runs import LiveRuns
from otherroof.ledger.live.live_run import EndedRun
from otherroof.copying.report import RunReport
from support.live import live_run
live, number = LiveRuns(sys.argv[1]), int(sys.argv[2])
while True:
    number += 1
    with live.held(live_run(token=f"{number:09}")):
        for _ in range(3):
            live.write(live_run(token=f"{number:09}"))
        if number % 2:
            live.write_end(EndedRun(f"{number:09}", "", 0, "", False, RunReport("photos", "")))
"""


@pytest.fixture
def live(tmp_path: Path) -> LiveRuns:
    return LiveRuns(str(tmp_path))


@given(LIVE)
def test_what_a_run_says_is_read_as_it_was_said(run: LiveRun) -> None:
    assert read_live(live_text(run).encode()) == run


def test_how_a_run_ended_is_read_as_it_was_said() -> None:
    report = RunReport("photos", "r1", "cut", FileCounts(9, 8, 7), ByteCounts(6, 5, 4, to_send=3), reason="its window")
    report.other_disks, report.seconds.total = ["usb"], 1.5
    ended = EndedRun("t", "w", 130, "photos: stopped by hand", True, report)
    assert read_ends(ended_text(ended).encode()) == [ended]


@given(some.binary(max_size=200) | some.dictionaries(some.sampled_from(["live", "ended"]), some.none()).map(
    lambda value: json.dumps(value).encode()
))  # fmt: skip
def test_what_nobody_of_ours_wrote_is_nothing(text: bytes) -> None:
    assert (read_live(text), read_ends(text)) == (None, [])


def _places(parts: Any, above: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where something stands in such a text."""
    below = parts.items() if isinstance(parts, dict) else enumerate(parts) if isinstance(parts, list) else ()
    return [place for key, value in below for place in [(*above, key), *_places(value, (*above, key))]]


_ENDED = EndedRun("t", "w", 1, "said", False, RunReport("photos", "r1", "done", reason="why", other_disks=["usb"]))


def _read_end(text: bytes) -> EndedRun | None:
    return next(iter(read_ends(text)), None)


@given(some.data())
def test_a_word_with_any_part_wrong_is_nothing_or_can_be_shown(data: some.DataObject) -> None:
    read = data.draw(some.sampled_from([read_live, _read_end]))
    parts = json.loads(live_text(live_run()) if read is read_live else ended_text(_ENDED))
    *above, last = data.draw(some.sampled_from(_places(parts)))
    into = parts
    for key in above:
        into = into[key]
    into[last] = data.draw(ANYTHING)
    found = read(json.dumps(parts).encode())
    if isinstance(found, LiveRun):
        shown = [json.dumps(found.as_json(), allow_nan=False), advance_text(found.advance)]
        shown += [moment_text(moment, ZoneInfo(zone)) for moment in (found.since, found.at) for zone in FAR_ZONES]
        assert max(map(len, shown)) < 1000
    elif found is not None:
        assert 0 <= found.exit_code < 256
        assert len(size_text(max(int(figure) for figure in found.report.figures.values()))) < 20
    if isinstance(last, str):
        del into[last]
        assert read(json.dumps(parts).encode()) is None


@pytest.mark.parametrize("moment", ["9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z"])
@pytest.mark.parametrize("name", ["since", "at"])
def test_a_moment_that_not_every_zone_can_tell_is_none_of_ours(name: str, moment: str) -> None:
    parts = json.loads(live_text(live_run()))
    parts["live"][name] = moment
    assert read_live(json.dumps(parts).encode()) is None


@pytest.mark.parametrize("text", ["[" * 60_000, '{"live":' * 10_000])
def test_a_word_of_boxes_in_boxes_is_nothing(wishes: Wishes, tmp_path: Path, text: str) -> None:
    assert (read_live(text.encode()), read_ends(text.encode())) == (None, [])
    wishes.ask_run("photos", NOW)
    for ending in ("run", "answer"):
        (tmp_path / "wishes" / f"photos.{ending}").write_text(text)
    assert wishes.run_wish("photos") is None
    assert wishes.answer("photos", "t") is None


@pytest.mark.parametrize("code", [inf, nan, -1, 256, "1", None])
def test_an_answer_with_no_exit_code_is_none(wishes: Wishes, tmp_path: Path, code: object) -> None:
    wishes.note_answer("photos", WishAnswer("t", "said", 1))
    parts = {"token": "t", "said": "said", "exit_code": code}
    (tmp_path / "wishes" / "photos.answer").write_text(json.dumps(parts))
    assert wishes.answer("photos", "t") is None


def test_a_terminal_is_told_nothing_that_moves_it() -> None:
    found = read_live(live_text(live_run(stopping="\x1b[2J", job="a\nb")).encode())
    assert found is not None
    assert (found.stopping, found.job) == ("\\x1b[2J", "a\\nb")


def test_a_run_is_seen_while_it_holds_its_lock_and_not_a_moment_longer(live: LiveRuns) -> None:
    assert live.of("photos") is None
    with live.held(live_run()):
        assert live.of("photos") == live_run()
        assert live.of("papers") is None
        live.write(live_run(wire_up=9))
        found = live.of("photos")
        assert found is not None
        assert found.wire_up == 9
    assert live.of("photos") is None, "its word still stands there, and nobody holds the lock"


def test_its_first_word_stands_there_before_it_holds_the_lock(live: LiveRuns, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the word of a killed run would be read under the next one's lock."""
    with live.held(live_run(token="killed")):
        pass
    found: list[object] = []
    hold = FileLock.hold

    def looked(lock: FileLock, patience: Patience) -> None:
        found.append(read_live((Path(live.folder) / "photos.json").read_bytes()))
        hold(lock, patience)

    monkeypatch.setattr(FileLock, "hold", looked)
    with live.held(live_run(token="next")):
        pass
    assert found == [live_run(token="next")]


def test_its_last_word_ends_it_before_the_lock_is_free(live: LiveRuns) -> None:
    ended = EndedRun("token-of-photos", "", 0, "", False, RunReport("photos", "r1", "done"))
    with live.held(live_run()):
        assert live.ended("photos", "token-of-photos") is None
        live.write_end(ended)
        assert live.of("photos") is None
        assert live.ended("photos", "token-of-photos") == ended


def _end(token: str, **more: Any) -> EndedRun:
    return EndedRun(token, f"wish-{token}", 0, "", False, RunReport("photos", f"r-{token}", "done", **more))


def test_an_end_is_there_for_whoever_waits_also_if_the_next_run_has_begun_and_ended_at_once(live: LiveRuns) -> None:
    for token in ("first", "second"):
        with live.held(live_run(token=token)):
            live.write_end(_end(token))
    with live.held(live_run(token="third")):
        for token in ("first", "second"):
            assert live.ended("photos", token) == live.ended("photos", f"wish-{token}") == _end(token)
            assert live.is_known("photos", token)
        assert live.ended("photos", "third") is None
        assert live.is_known("photos", "third")
        assert not live.is_known("photos", "fourth")
        live.write_end(EndedRun("of no wish", "", 0, "", False, RunReport("photos", "r", "done")))
        assert live.ended("photos", "") is None, "a run that could not write has no token, and no other's end"
        assert live.of("photos") is not None


def test_only_the_newest_ends_are_kept_and_long_ones_are_read_too(live: LiveRuns) -> None:
    for number in range(9):
        with live.held(live_run()):
            live.write_end(_end(f"short {number}"))
        assert live.ended("photos", f"short {number}") is not None
    assert [number for number in range(9) if live.ended("photos", f"short {number}")] == [5, 6, 7, 8]
    disks = [f"/srv/{number}/" + "ü" * 400 for number in range(300)]
    for number in range(9):
        told = EndedRun(
            str(number), "", 1, "no" * 50_000, False, RunReport("photos", "r", "failed", reason="ö" * 9_000)
        )
        told.report.other_disks = disks
        with live.held(live_run()):
            live.write_end(told)
        found = live.ended("photos", str(number))
        assert found is not None, number
        assert found.said.startswith("nono")
        assert found.report.reason.startswith("öö")
        assert found.report.other_disks == disks[: len(found.report.other_disks)] != []
    assert live.ended("photos", "0") is None


def test_without_room_for_a_word_a_run_is_under_way_and_the_one_before_is_not_taken_for_it(
    live: LiveRuns, monkeypatch: pytest.MonkeyPatch
) -> None:
    with live.held(live_run()):
        live.write_end(EndedRun("token-of-photos", "", 0, "", False, RunReport("photos", "r1", "done")))

    def full(path: str, text: str) -> None:
        raise HomeTrouble("cannot be written: No space left on device", where=path)

    monkeypatch.setattr(live_runs, "write_small", full)
    with live.held(live_run(token="second")) as trouble:
        assert "No space left" in trouble
        found = live.of("photos")
        assert found is not None
        assert (found.token, found.is_run("any")) == ("", True)


@pytest.mark.slow
def test_whenever_it_is_killed_nothing_is_under_way_and_no_old_word_is_read_as_new(tmp_path: Path) -> None:
    live, chance, newest, seen = LiveRuns(str(tmp_path)), random.Random(7), 0, 0
    for _ in range(8):
        argv = [sys.executable, "-c", RUNS, str(tmp_path), str(newest)]
        child = subprocess.Popen(argv, env={**os.environ, "PYTHONPATH": TESTS})
        try:
            until(lambda: live.of("photos") is not None)
            end = time.monotonic() + chance.uniform(0, 0.4)
            while time.monotonic() < end:
                found = live.of("photos")
                if found is not None:
                    assert found.token, "a word is never half there"
                    assert int(found.token) >= newest
                    newest, seen = int(found.token), seen + 1
        finally:
            child.send_signal(signal.SIGKILL)
            child.wait(10)
        assert live.of("photos") is None
        newest += 10_000  # the next child's numbers lie beyond all that this one can have begun unseen
    assert seen > 8
    left = sorted(path.name for path in (tmp_path / "under-way").iterdir())
    assert set(left) <= {"photos.json", "photos.json.new", "photos.ends", "photos.ends.new", "photos.lock"}


# --- the history


def test_a_run_under_way_stands_in_the_history_with_what_it_has_sent_so_far(tmp_path: Path) -> None:
    with Ledger(str(tmp_path / "ledger.db")) as ledger, under_way(ledger, "r1", NOW):
        (row,) = ledger.runs.rows()
        assert row.under_way
        assert (row.report.bytes.sent, row.report.bytes.wire_up) == (153_000_000, 160_000_000)
        told = row.as_json()["progress"]
        assert (told["share"], told["rate"], told["left_least_s"]) == (0.51, 1_000_000, 140)


def test_a_run_that_the_clock_was_put_back_in_took_no_time_less_than_none(tmp_path: Path) -> None:
    with (
        Ledger(str(tmp_path / "ledger.db")) as ledger,
        under_way(ledger, "r1", NOW, at=NOW - timedelta(hours=1)),
    ):
        (row,) = ledger.runs.rows()
        assert row.report.seconds.total == 0


def test_a_run_whose_process_is_gone_is_no_longer_under_way_though_nobody_has_marked_it(tmp_path: Path) -> None:
    with Ledger(str(tmp_path / "ledger.db")) as ledger:
        with under_way(ledger, "r1", NOW):
            ledger.runs.note_sent("photos", "r1", ByteCounts(sent=12, wire_up=34, wire_down=56), 78.0)
        (row,) = ledger.runs.rows()
        assert not row.under_way
        assert (row.report.outcome, row.report.reason, row.ended) == ("cut", GONE, None)
        assert (row.report.bytes.sent, row.report.bytes.wire_up, row.report.bytes.wire_down) == (12, 34, 56)
        assert row.report.seconds.total == 78


def test_a_new_run_that_has_no_id_yet_does_not_bring_a_killed_one_back_to_life(tmp_path: Path) -> None:
    with Ledger(str(tmp_path / "ledger.db")) as ledger:
        ledger.runs.begin("photos", "killed", "heron", NOW)
        with ledger.live.held(live_run(run="")):
            (row,) = ledger.runs.rows()
    assert (row.under_way, row.report.reason) == (False, GONE)


def test_a_run_that_ends_between_two_looks_is_not_taken_for_a_killed_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Ledger(str(tmp_path / "ledger.db")) as ledger:
        ledger.runs.begin("photos", "r1", "heron", NOW)

        def ends_now(job: str) -> None:
            ledger.runs.end(RunReport("photos", "r1", "done"), NOW)

        monkeypatch.setattr(ledger.live, "of", ends_now)
        (row,) = ledger.runs.rows()
    assert (row.report.outcome, row.report.reason, row.ended) == ("done", "", NOW)


# --- wishes


@pytest.fixture
def wishes(tmp_path: Path) -> Wishes:
    return Wishes(str(tmp_path))


def test_a_wish_stands_until_it_is_taken_back_and_a_second_one_is_the_same(wishes: Wishes) -> None:
    assert wishes.run_wish("photos") is None
    first = wishes.ask_run("photos", NOW, reread=True)
    assert wishes.ask_run("photos", NOW) == first
    assert wishes.run_wish("photos") == first
    assert wishes.run_wish("papers") is None
    assert wishes.take_back("photos")
    assert not wishes.take_back("photos")
    assert wishes.ask_run("photos", NOW).token != first.token


def test_a_mark_tells_that_a_wish_came_or_went_or_another_stands_in_its_place(wishes: Wishes, tmp_path: Path) -> None:
    before = wishes.mark()
    wishes.ask_run("photos", NOW)
    asked = wishes.mark()
    wishes.ask_stop("photos", "t")
    assert wishes.mark() == asked != before
    (tmp_path / "wishes" / "new").write_text("another")
    (tmp_path / "wishes" / "new").rename(tmp_path / "wishes" / "photos.run")
    assert wishes.mark() not in (asked, before)
    wishes.take_back("photos")
    assert wishes.mark() == before


@pytest.mark.parametrize("text", ["", "{", "null", "[]", '{"token": "t"}', '{"token": 1, "at": "x", "reread": 0}'])
def test_what_is_no_wish_is_removed(wishes: Wishes, tmp_path: Path, text: str) -> None:
    wishes.ask_run("photos", NOW)
    (tmp_path / "wishes" / "photos.run").write_text(text)
    assert wishes.run_wish("photos") is None
    assert not (tmp_path / "wishes" / "photos.run").exists()


def test_a_wish_to_stop_means_one_run_and_no_other(wishes: Wishes) -> None:
    wishes.ask_stop("photos", "first")
    assert wishes.is_stop_asked("photos", "first")
    assert not wishes.is_stop_asked("photos", "second")
    assert not wishes.is_stop_asked("papers", "first")
    wishes.drop_stop("photos")
    assert not wishes.is_stop_asked("photos", "first")


def test_an_answer_is_for_its_own_wish(wishes: Wishes) -> None:
    wishes.note_answer("photos", WishAnswer("first", "photos: no such folder", 1))
    assert wishes.answer("photos", "first") == WishAnswer("first", "photos: no such folder", 1)
    assert wishes.answer("photos", "second") is None
    wishes.note_answer("photos", WishAnswer("third", "\x1b[2J", 1))
    assert wishes.answer("photos", "third") == WishAnswer("third", "\\x1b[2J", 1), "nothing that moves a terminal"


def test_a_link_in_place_of_a_word_or_a_wish_is_not_followed(tmp_path: Path) -> None:
    target = tmp_path / "secret"
    target.write_text("not for you")
    wishes = Wishes(str(tmp_path))
    wishes.ask_stop("photos", "t")
    (tmp_path / "wishes" / "photos.stop").unlink()
    (tmp_path / "wishes" / "photos.stop").symlink_to(target)
    with pytest.raises(HomeTrouble, match="cannot be read"):
        wishes.is_stop_asked("photos", "t")
    live = LiveRuns(str(tmp_path))
    with live.held(live_run()):
        (tmp_path / "under-way" / "photos.json.new").symlink_to(target)
        with pytest.raises(HomeTrouble, match="cannot be written"):
            live.write(live_run())
    assert target.read_text() == "not for you"


def test_a_pipe_in_place_of_a_word_is_not_waited_for(tmp_path: Path) -> None:
    live = LiveRuns(str(tmp_path))
    with live.held(live_run()):
        os.mkfifo(tmp_path / "under-way" / "photos.json.new")
        with pytest.raises(HomeTrouble, match="cannot be written"):
            live.write(live_run())
        (tmp_path / "under-way" / "photos.json").unlink()
        os.mkfifo(tmp_path / "under-way" / "photos.json")
        with pytest.raises(HomeTrouble, match="cannot be read"):
            live.of("photos")


def test_the_table_of_runs_has_what_the_one_under_way_has_sent_and_how_fast(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = write_household(tmp_path, jobs={"photos": ""})
    with Ledger(require_settings(where).ledger) as ledger, under_way(ledger, "r1", NOW), pytest.raises(SystemExit):
        main(["ledger", "--config", where])
    (line,) = [line for line in capsys.readouterr().out.splitlines() if "under way" in line]
    assert re.search(r"photos +under way .* 153 MB +161 MB .* 8\.00 Mbit/s", line), line
