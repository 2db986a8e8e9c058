"""The SSH rungs' verdicts as values: room, rights, clock and what the far box offers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import Denied, NotThere, PlaceError, Refused
from otherroof.far import requests
from otherroof.far.clock_offset import clock_offset
from otherroof.far.local.place import LocalPlace
from otherroof.far.place import PlaceOffers, run_script
from otherroof.far.trial_file import TrialResult, write_trial_file
from otherroof.far.trouble import FULL_BELOW, trouble_in
from otherroof.probe.ssh_checks import base_finding, clock_finding, offers_finding
from support.folding import fold_names
from support.main_job import stand_in_door
from support.places import open_door

TB = 10**12
ROOMY = requests.Space(4 * TB, TB, 10_000_000, 9_000_000)
FULL = requests.Space(4 * TB, 0, 10_000_000, 9_000_000)
NO_ENTRIES = requests.Space(4 * TB, TB, 10_000_000, 12)
SHUT = requests.Space(4 * TB, TB, 10_000_000, 9_000_000, read_only=True)
NO_COUNT = requests.Space(4 * TB, TB, 0, 0)  # some file systems have no fixed number of entries


@pytest.mark.parametrize(
    ("mtime", "sent", "answered", "agrees"),
    [
        pytest.param(1000, 1000.0, 1000.0, True, id="the same second"),
        pytest.param(1005, 1000.0, 1000.0, True, id="five seconds ahead, as far as whole seconds tell"),
        pytest.param(1006, 1000.0, 1000.0, False, id="six ahead"),
        pytest.param(995, 1000.0, 1000.0, True, id="five behind"),
        pytest.param(993, 1000.0, 1000.0, False, id="seven behind: at least six"),
        pytest.param(1600, 1000.0, 1000.1, False, id="ten minutes ahead"),
        pytest.param(1005, 1000.0, 1010.0, True, id="a slow line is not taken for a clock that is off"),
        pytest.param(1030, 1000.0, 1010.0, False, id="nor does it hide one"),
    ],
)
def test_clocks_agree_within_five_seconds_allowing_for_the_round_trip(
    mtime: int, sent: float, answered: float, agrees: bool
) -> None:
    assert clock_offset(mtime, sent, answered).agrees is agrees


def test_clock_that_is_off_is_told_with_its_direction() -> None:
    assert "10 min 1 s ahead of ours" in clock_finding(clock_offset(1601, 1000.5, 1000.5)).text
    behind = clock_finding(clock_offset(399, 1000.0, 1000.0))
    assert "behind ours" in behind.text
    assert (behind.state, "timedatectl" in behind.advice) == ("not ok", True)


@pytest.mark.parametrize(
    ("space", "problem", "state", "says"),
    [
        (ROOMY, None, "ok", "1.00 TB of 4.00 TB free, room for 9,000,000 more files"),
        (NO_COUNT, None, "ok", "1.00 TB of 4.00 TB free"),
        (None, None, "ok", "free space is not told"),
        (FULL, None, "not ok", "the far disk is full"),
        (FULL, Refused("refused"), "not ok", "the far disk is full"),
        (NO_ENTRIES, None, "not ok", "no room for more files"),
        (SHUT, Refused("refused"), "not ok", "the far disk is mounted read-only"),
        (ROOMY, Refused("Write was refused"), "not ok", "Write was refused"),
        (ROOMY, Denied("denied"), "not ok", "lets this home in, but lets it write nothing in /copies (1.00 TB"),
        (None, NotThere("gone"), "not ok", "/copies is not there"),
    ],
)
def test_base_is_judged_by_what_writing_told(
    space: requests.Space | None, problem: PlaceError | None, state: str, says: str
) -> None:
    seen = base_finding("/copies", TrialResult(space, problem))
    assert (seen.state, says in seen.text) == (state, True), seen.text
    assert bool(seen.advice) is (state == "not ok")


def test_a_disk_that_folds_names_is_told(tmp_path: Path) -> None:
    clock = SteppedClock(datetime.now(UTC))
    with stand_in_door(tmp_path) as door:
        with closing(open_door(door)) as place:
            plain = run_script(place, write_trial_file(clock, tells_space=True))
        fold_names(door)
        with closing(open_door(door)) as place:
            folding = run_script(place, write_trial_file(clock, tells_space=True))
    assert (plain.folds_case, folding.folds_case) == (False, True)
    assert "cannot tell Photo.jpg from photo.jpg" in base_finding("/copies", folding).text
    assert "Photo" not in base_finding("/copies", plain).text


def test_missing_extensions_are_no_fault_but_told_with_what_is_done_instead() -> None:
    all_of_them = offers_finding(PlaceOffers(link=True, copy_range=True, sync=True, space=True))
    assert (all_of_them.state, all_of_them.advice) == ("ok", "")
    old = offers_finding(PlaceOffers(link=True, sync=True, space=True))
    assert old.state == "ok"
    assert "a large file that changed is sent whole" in old.advice
    assert "only the bare minimum" in offers_finding(PlaceOffers()).text


@pytest.fixture
def place(tmp_path: Path) -> Iterator[LocalPlace]:
    (tmp_path / "base").mkdir()
    made = LocalPlace(str(tmp_path / "base").encode())
    yield made
    made.close()


def test_trial_leaves_nothing_behind(place: LocalPlace, tmp_path: Path) -> None:
    clock = SteppedClock(datetime.now(UTC))
    found = run_script(place, write_trial_file(clock, tells_space=True))
    assert found.problem is None
    assert found.offset is not None
    assert found.offset.agrees
    assert found.space is not None
    assert found.space.total > 0
    assert list((tmp_path / "base").iterdir()) == []


def test_trial_in_a_base_that_is_not_there_tells_so(tmp_path: Path) -> None:
    place = LocalPlace(str(tmp_path / "nowhere").encode())
    found = run_script(place, write_trial_file(SteppedClock(datetime.now(UTC)), tells_space=True))
    assert isinstance(found.problem, NotThere)
    assert (found.space, found.offset) == (None, None)


NO_ROOM = Refused("no room")


def trial(*answers: tuple[Any, ...], tells_space: bool = False) -> tuple[TrialResult, list[list[type]]]:
    """What a trial finds if it is answered so, and what it asked, each time all at once."""
    script = write_trial_file(SteppedClock(datetime(2031, 4, 5, tzinfo=UTC)), tells_space)
    asked, left, answer = [], list(answers), None
    while True:
        try:
            request: Any = script.send(answer)  # type: ignore[arg-type]
        except StopIteration as ended:
            assert not left
            return ended.value, asked
        asked.append([type(op) for op in request.ops])
        answer = left.pop(0)


FOUND, APART = requests.Attrs(10, 0o600, 0), NotThere("no such name")
ALL = [requests.Write, requests.StatOpen, requests.Stat, requests.CloseFile, requests.Remove]


def test_trial_takes_two_round_trips_and_its_file_away_whatever_was_refused() -> None:
    """A disk that is full may say so only when a file is closed."""
    for answers in ((None, FOUND, APART, NO_ROOM, None), (NO_ROOM, NO_ROOM, APART, None, None)):
        found, asked = trial((FOUND, 7), answers)
        assert asked == [[requests.Stat, requests.OpenFile], ALL]
        assert (found.offset is None, found.problem) == ((False, None) if answers[0] is None else (True, NO_ROOM))


def test_trial_goes_on_if_another_question_was_refused() -> None:
    found, asked = trial((NO_ROOM, 7), (None, FOUND, APART, None, None))
    assert (found.problem, asked[1]) == (NO_ROOM, ALL)
    assert found.offset is not None


def test_a_full_disk_tells_the_time_by_when_the_file_was_made() -> None:
    found, _ = trial((FOUND, 7), (NO_ROOM, FOUND, APART, None, None))
    assert found.problem is NO_ROOM
    assert found.offset is not None


@pytest.mark.parametrize(("folded", "folds"), [(APART, False), (NO_ROOM, False), (FOUND, True)])
def test_trial_tells_whether_the_disk_folds_names(folded: Any, folds: bool) -> None:
    assert trial((FOUND, 7), (None, FOUND, folded, None, None))[0].folds_case is folds


def test_trial_goes_on_if_room_is_not_told_and_knows_it_if_no_file_can_be_made() -> None:
    found, asked = trial((FOUND, 7, Refused("no figures")), (None, FOUND, APART, None, None), tells_space=True)
    assert asked[0] == [requests.Stat, requests.OpenFile, requests.GetSpace]
    assert (found.space, found.problem) == (None, None)
    found, asked = trial((FOUND, Denied("denied"), ROOMY), tells_space=True)
    assert found.space == ROOMY
    assert isinstance(found.problem, Denied)


@pytest.mark.parametrize(
    ("trial", "wanted", "says"),
    [
        (TrialResult(ROOMY), 10**6, None),
        (TrialResult(ROOMY), 2 * TB, "the far disk is full (1.00 TB of 4.00 TB free"),
        (TrialResult(requests.Space(4 * TB, 10**9, 0, 0)), 10**6, None),
        (TrialResult(requests.Space(4 * TB, FULL_BELOW - 1, 0, 0)), 0, "the far disk is full"),
        (TrialResult(requests.Space(4 * TB, TB, 10_000_000, 1)), 0, None),
        (TrialResult(requests.Space(4 * TB, TB, 10_000_000, 0)), 0, "has no room for more files"),
        (TrialResult(SHUT, Denied("denied")), 0, "mounted read-only"),
        (
            TrialResult(None, Denied("denied")),
            0,
            "lets this home in, but lets it write nothing in the folder that is named as `base`",
        ),
        (TrialResult(None, NotThere("gone")), 0, "the folder that is named as `base` is not there"),
        (TrialResult(ROOMY, Refused("Write was refused")), 0, "nothing can be written in the folder"),
    ],
)
def test_a_refusal_is_the_far_boxs_trouble_only_where_the_trial_met_it_too(
    trial: TrialResult, wanted: int, says: str | None
) -> None:
    """A disk with little room is no trouble to a run yet, as it is to a probe: what was refused is."""
    found = trouble_in(trial, wanted=wanted)
    assert (found is None) is (says is None), found
    if found is not None:
        assert says is not None
        assert says in found.what
        assert found.advice
