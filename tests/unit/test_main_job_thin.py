"""The main job thinned, over the stand-in: two steps, recalls, pins, and what speaks against letting versions go."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.errors import EXIT_LOOK, EXIT_WELL, EXIT_WRONG_USE, Busy, LinkLost, Refused, RunCut, WrongUse
from otherroof.cli.main import main
from otherroof.far.clock_offset import ClockOffset
from otherroof.far.requests import Script
from otherroof.far.trial_file import TrialResult
from otherroof.far_copy.entry import Entry
from otherroof.jobs.context import JobContext
from otherroof.jobs.locks import job_lock
from otherroof.jobs.prove import ProveOptions, prove
from otherroof.jobs.thinning.thin import ThinProgress, ThinReport, pin
from otherroof.ledger import Ledger
from otherroof.ledger.far_findings import DamagedFile
from otherroof.ledger.keeping import RuleInForce
from otherroof.ledger.last_look import WatchLook
from otherroof.ledger.runs import Hold
from otherroof.restore.proving.read_back import ReadBack
from otherroof.restore.proving.report import ProofProgress, ProofReport
from otherroof.restore.thinning.changes import VersionChanges
from otherroof.restore.thinning.removal import Removal
from otherroof.schedule.chores import ChoreInputs
from otherroof.schedule.thin_chore import thin_chores
from otherroof.watch.gather import WatchInputs, gather
from otherroof.watch.rules import findings
from support.main_job import JOB, OneJob
from support.quick import spread
from support.random_days import RandomDays
from support.run_context import UpAfter
from support.thinned_household import ALIKE, KEEPS, Household, thinned_household

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Household]:
    with thinned_household(tmp_path) as made:
        yield made


@pytest.fixture
def home(empty: Household) -> Household:
    """Five days of runs: by the rule only the last two stay, and nothing older of this year but the newest."""
    for number in range(5):
        empty.job.put("letter", f"day {number}")
        empty.job.put(f"of day {number - number % 2}", "x" * 100)
        empty.day()
    return empty


def test_versions_are_shown_written_down_and_gone_after_the_wait(home: Household) -> None:
    shown = home.thin("show")
    going = home.runs[:2]  # the third is the newest of those older than a day
    assert [one.version.run for one in shown.going] == going
    assert (home.notes(), home.versions()) == ([], home.runs)
    assert (shown.loss.files, shown.loss.size) == (2, len("day 0") + len("day 1"))
    assert {one.path for one in shown.loss.biggest} == {"letter"}
    first = home.thin()
    assert (first.noted, first.removed, home.notes(), home.versions()) == (tuple(going), (), going, home.runs)
    assert set(first.goes_at.values()) == {home.clock.now() + timedelta(days=2)}
    home.clock.step(2 * 86_400 - 1)
    assert home.thin().removed == ()
    home.clock.step(1)
    gone = home.thin()
    assert set(going) <= set(gone.removed)
    assert gone.freed.size == shown.loss.size
    assert not set(home.notes()) & set(gone.removed)
    assert set(home.versions()) == set(home.runs) - set(gone.removed)
    home.all_that_stay_come_back()
    with home.ledger() as ledger:
        (row,) = ledger.thinned.rows(JOB)
        assert (row.runs, row.freed) == (gone.removed, gone.freed.size)
    home.day()
    home.all_that_stay_come_back()


def test_recall_keeps_all_and_the_service_lets_nothing_go_until_a_person_says_so(home: Household) -> None:
    home.thin()
    recalled = home.thin("recall")
    assert (list(recalled.taken_back), home.notes()) == (home.runs[:2], [])
    home.day()
    (chore,) = thin_chores(home.clock, home.job.settings)
    assert chore.do(ChoreInputs(home.job.settings)) is None
    assert home.notes() == []
    assert home.thin().noted != ()
    home.day()
    assert chore.do(ChoreInputs(home.job.settings)) is not None


def test_service_thins_after_good_runs_only(home: Household) -> None:
    (chore,) = thin_chores(home.clock, home.job.settings)
    assert isinstance(chore.do(ChoreInputs(home.job.settings)), ThinReport)
    assert home.notes() == home.runs[:2]
    assert chore.do(ChoreInputs(home.job.settings)) is None, "no run since"


def test_pinned_version_stays_for_good_and_goes_after_it_is_pinned_no_longer(home: Household) -> None:
    home.thin()
    context = JobContext(ThinProgress(), clock=home.clock)
    assert pin(home.job.settings, JOB, home.runs[0][:13], "the house as it was", context) == home.runs[0]
    assert (home.notes(), home.notes("pinned")) == (home.runs[1:2], home.runs[:1])
    home.clock.step(90 * 86_400)
    home.thin()
    assert home.runs[0] in home.versions()
    home.job.forget_state()
    assert home.runs[0] not in {one.version.run for one in home.thin().going}, "the far end remembers it"
    pin(home.job.settings, JOB, home.runs[0], "", context)
    assert home.notes("pinned") == []
    assert home.runs[0] in home.thin().noted
    for why in ("once more", ""):
        pin(home.job.settings, JOB, home.runs[0], why, context)
    with home.ledger() as ledger:
        assert not ledger.pins.of(JOB), "home forgets it too"
    for begins, said in (("2031-01", "names no version"), ("2031-03", "names several versions")):
        with pytest.raises(WrongUse, match=said):
            pin(home.job.settings, JOB, begins, "why", context)
    assert home.notes("pinned") == []
    home.all_that_stay_come_back()


def damaged(ledger: Ledger, now: datetime) -> None:
    ledger.damages.note([DamagedFile(JOB, "letter", "2031-03-04T023000Z-0000", now, "has another digest")])


def held(ledger: Ledger, now: datetime) -> None:
    ledger.holds.note(Hold(JOB, "2031-03-09T023000Z-0000", now, "too many are gone", 9, 0, 10, None))


def clock_was_set(ledger: Ledger, now: datetime) -> None:
    ledger.looks.note(WatchLook(now, 1.0, 0.0, "boot", now, now - timedelta(hours=3), 4000.0))


@pytest.mark.parametrize(
    ("trouble", "said"), [(damaged, "1 file is damaged"), (held, "a run is held"), (clock_was_set, "clock was set")]
)
def test_nothing_goes_and_nothing_is_written_down_while_something_is_wrong(
    home: Household, trouble: object, said: str
) -> None:
    home.thin()
    home.clock.step(30 * 86_400)
    with home.ledger() as ledger:
        trouble(ledger, home.clock.now())  # type: ignore[operator]
    found = home.thin()
    assert said in found.objection
    assert (found.noted, found.removed, home.versions()) == ((), (), home.runs)


def test_nothing_goes_while_a_run_has_the_job(empty: Household) -> None:
    with job_lock(empty.job.settings, JOB, empty.clock), pytest.raises(Busy):
        empty.thin()


def test_nothing_goes_while_the_far_clock_is_off(home: Household) -> None:
    home.thin()
    home.clock.step(30 * 86_400)
    with patch("otherroof.far.trial_file.clock_offset", lambda *_: ClockOffset(900.0, 0.5)):
        assert "clock is 900 s ahead of" in home.thin().objection
    assert home.versions() == home.runs


def test_far_disk_that_takes_no_file_any_more_tells_the_time_by_a_second_name(home: Household) -> None:
    """It is then that versions have to go."""

    def no_room(*_: object) -> Script[TrialResult]:
        yield from ()
        return TrialResult(problem=Refused("no room"))

    def by_second_name(*_: object) -> Script[ClockOffset]:
        yield from ()
        return ALIKE

    thinning = "otherroof.jobs.thinning.thin."
    with patch(f"{thinning}write_trial_file", no_room), patch(f"{thinning}clock_by_second_name", by_second_name):
        found = home.thin()
    assert (found.objection, home.notes()) == ("", home.runs[:2])


def test_nothing_goes_while_a_listing_cannot_be_read(home: Household) -> None:
    home.thin()
    home.clock.step(30 * 86_400)
    home.job.listing(home.runs[3]).write_bytes(b"rot")
    assert "cannot be read" in home.thin().objection
    assert len(home.versions()) == 5


def test_homes_clock_that_jumps_ahead_hurries_nothing(home: Household) -> None:
    home.thin()
    home.clock.jump(400 * 86_400)
    real = home.clock.now() - timedelta(days=400)
    with patch(
        "otherroof.far.trial_file.clock_offset", lambda *_: ClockOffset((real - home.clock.now()).total_seconds(), 0.5)
    ):
        found = home.thin()
    assert "behind this machine's" in found.objection
    assert home.versions() == home.runs


def test_listing_whose_lines_a_later_one_names_never_goes(empty: Household) -> None:
    empty.job.put("letter", "as ever")
    for _ in range(6):
        empty.day()
    headers = empty.thin("show")
    assert headers.lent == (empty.runs[0],)
    empty.thin()
    empty.clock.step(3 * 86_400)
    empty.thin()
    assert empty.runs[0] in empty.versions()
    assert len(empty.versions()) < 6
    empty.all_that_stay_come_back()


def test_shortened_rule_is_an_alert_before_anything_goes_and_is_over_with_a_recall(home: Household) -> None:
    """NCSC: alerts on shortened keeping."""

    def found() -> list[str]:
        with home.ledger() as ledger:
            facts = gather(home.job.settings, ledger, home.clock, WatchInputs())
        return [one.headline for one in findings(facts) if one.rule == "shortened"]

    assert found() == []
    home.thin()
    (told,) = found()
    assert "2 of 5 versions would go that stayed until now" in told
    home.clock.step(3 * 86_400)
    assert found() == [], "by then it has happened"
    with home.ledger() as ledger:
        rule = ledger.rules.of(JOB)
        assert rule is not None
        ledger.rules.note(JOB, RuleInForce(rule.rule))
    shorter = {**KEEPS, "versions": {**KEEPS["versions"], "spacing": {"1 day": "every run"}}}
    home.job.job_more = shorter
    home.job.write_settings()
    for number in range(3):
        home.job.put("letter", f"after day {number}")
        home.day()
    home.thin()
    (told,) = found()
    assert "versions would go that stayed until now" in told
    home.thin("recall")
    assert found() == []


def test_note_of_a_version_that_the_rule_wants_again_is_taken_back(home: Household) -> None:
    """Else it would go without its wait once the rule lets it go again."""
    home.thin()
    assert home.notes() == home.runs[:2]
    home.job.job_more = {**KEEPS, "versions": {**KEEPS["versions"], "at_least": 10}}
    home.job.write_settings()
    again = home.thin()
    assert (list(again.taken_back), home.notes()) == (home.runs[:2], [])


def test_removal_cut_short_is_ended_by_the_next_and_noted_once(home: Household) -> None:
    """Invariant 8."""
    home.thin()
    home.clock.step(2 * 86_400)

    def cut(*_: object) -> None:
        raise LinkLost("cut here", where="heron")

    with patch.object(Removal, "_hand_on", cut), pytest.raises(LinkLost):
        home.thin()
    assert home.runs[0] not in home.versions()
    home.all_that_stay_come_back()
    ended = home.thin()
    assert set(home.runs[:2]) <= set(ended.removed)
    assert not set(home.notes()) & set(home.runs[:2])
    home.all_that_stay_come_back()


# Everything up to the last look at the sign, some of it before anything has gone and some in the middle of it.
def test_removal_that_the_end_of_the_service_cuts_anywhere_is_ended_by_the_next(home: Household) -> None:
    home.thin()
    home.day()
    home.day()
    (chore,) = thin_chores(home.clock, home.job.settings)
    cuts = 0
    for times in range(200):
        try:
            chore.do(ChoreInputs(home.job.settings, stop=UpAfter(times)))
            break
        except RunCut:
            cuts += 1
        if times % 5 == 0:
            home.all_that_stay_come_back()
    assert cuts >= 8
    with home.ledger() as ledger:
        assert len({run for row in ledger.thinned.rows(JOB) for run in row.runs}) >= 2
    home.day()
    home.all_that_stay_come_back()


def test_a_first_thinning_fetches_no_further_listing_once_the_service_is_to_end(home: Household) -> None:
    (chore,) = thin_chores(home.clock, home.job.settings)
    noted: list[int] = []
    for times in range(len(home.runs)):
        with pytest.raises(RunCut, match="the service ends"):
            chore.do(ChoreInputs(home.job.settings, stop=UpAfter(times)))
        with closing(VersionChanges(home.job.settings.version_record(JOB))) as changes:
            noted.append(len(changes._known()))
        Path(home.job.settings.version_record(JOB)).unlink()
    # Fewer than it was asked if the login took so long that the sign was looked at meanwhile.
    assert all(found <= times for times, found in enumerate(noted))
    assert isinstance(chore.do(ChoreInputs(home.job.settings)), ThinReport)


def test_thinning_in_the_middle_of_a_proof_is_no_damage(home: Household) -> None:
    home.thin()
    home.clock.step(2 * 86_400)
    begun = ReadBack.read
    removed: list[str] = []

    def read(reading: ReadBack, files: Iterator[Entry]) -> None:
        # The newest versions were opened and are read; older listings are open or yet to come.
        if not removed:
            removed.extend(home.thin().removed)
        begun(reading, files)

    for options in (ProveOptions(whole=True, heal=True), ProveOptions(budget_mb=50, heal=True)):
        with patch.object(ReadBack, "read", read), home.ledger() as ledger:
            result = prove(home.job.settings, JOB, JobContext(ProofProgress(), ledger, home.clock), options)
            assert ledger.damages.of(JOB) == []
        assert not result.found_damage
        assert len(removed) == 2
    home.all_that_stay_come_back()


@pytest.mark.parametrize("seed", spread(range(6), 3))
def test_random_days_thinned_again_and_again_leave_every_version_that_stays_whole(empty: Household, seed: int) -> None:
    """Moves, kinds that change, hard links, runs that change nothing: invariants 2 and 3."""
    days = RandomDays(empty.job.folder, seed, largest=200_000)
    for _ in range(14):
        if days.dice.random() < 0.8:
            days.pass_one(days.dice.randint(3, 12))
        empty.day()
        empty.thin()
    empty.clock.step(3 * 86_400)
    assert empty.thin().removed
    empty.all_that_stay_come_back()


def cli(capsys: pytest.CaptureFixture[str], job: OneJob, *words: str) -> tuple[int, str]:
    with pytest.raises(SystemExit) as left:
        main([*words, "--config", job.config])
    out = capsys.readouterr()
    return int(left.value.code or 0), out.out + out.err


def test_verb_tells_what_would_go_and_carries_its_caution(home: Household, capsys: pytest.CaptureFixture[str]) -> None:
    with (
        patch("otherroof.cli.trust.thin.SystemClock", lambda: home.clock),
        patch("otherroof.cli.trust.thin.settings_in", lambda _: home.job.settings),
    ):
        code, text = cli(capsys, home.job, "thin", JOB)
        assert code == EXIT_WELL
        for words in (*home.runs[:2], "CAUTION", "gone for good", "that gives back 10 B", "nothing was changed"):
            assert words in text
        code, text = cli(capsys, home.job, "thin", JOB, "--apply", "--json")
        assert (code, json.loads(text)["written_down"]) == (EXIT_WELL, home.runs[:2])
        code, text = cli(capsys, home.job, "thin", JOB, "--recall")
        assert (code, home.notes()) == (EXIT_WELL, [])
        assert "2 versions that were to go stay" in text
        assert cli(capsys, home.job, "thin", JOB, "--recall", "--apply")[0] == EXIT_WRONG_USE
        with home.ledger() as ledger:
            damaged(ledger, home.clock.now())
        code, text = cli(capsys, home.job, "thin", JOB, "--apply")
        assert code == EXIT_LOOK
        assert "nothing is removed now" in text


def test_verb_pins_and_tells_why(home: Household, capsys: pytest.CaptureFixture[str]) -> None:
    run = home.runs[1]
    assert cli(capsys, home.job, "versions", JOB, "--pin", run)[0] == EXIT_WRONG_USE
    code, text = cli(capsys, home.job, "versions", JOB, "--pin", run, "--why", "before the move")
    assert (code, home.notes("pinned")) == (EXIT_WELL, [run])
    assert "before the move" in text
    assert "pinned: before the move" in cli(capsys, home.job, "versions", JOB)[1]
    assert cli(capsys, home.job, "versions", JOB, "--unpin", run)[0] == EXIT_WELL
    assert home.notes("pinned") == []


def test_what_the_service_did_stands_in_its_log(home: Household, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    (chore,) = thin_chores(home.clock, home.job.settings)
    chore.do(ChoreInputs(home.job.settings))
    assert f"{JOB}: 2 versions are to go, not before 2031-03-10" in caplog.text


def test_a_thinned_copy_is_proved_whole_and_nothing_that_went_is_missed(home: Household) -> None:
    def proof() -> ProofReport:
        with home.ledger() as ledger:
            context = JobContext(ProofProgress(), ledger, home.clock)
            return prove(home.job.settings, JOB, context, ProveOptions(whole=True, heal=False)).report

    home.thin()
    assert home.notes()
    assert (proof().damaged, proof().extra) == ([], []), "with the notes of what is to go"
    for _ in range(4):
        home.day()
        home.thin()
    assert len(home.versions()) < len(home.runs)
    assert (proof().damaged, proof().extra) == ([], [])
