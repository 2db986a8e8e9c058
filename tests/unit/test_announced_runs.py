"""A run while others look at it: what they see, how it hears that it is to stop, what it leaves when it has ended."""

from __future__ import annotations

import contextlib
import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import (
    EXIT_INTERRUPTED,
    EXIT_LOOK,
    EXIT_UNREACHED,
    EXIT_WELL,
    HomeTrouble,
    RunCut,
    Unreached,
)
from otherroof.copying.progress import Progress
from otherroof.copying.report import Problem, RunReport
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import RunOptions, RunResult, run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.jobs.under_way import announce
from otherroof.jobs.under_way.announce import BY_HAND, Announcement, RunAsked, first_word
from otherroof.ledger import Ledger
from otherroof.ledger.live import live_runs
from otherroof.ledger.live.live_run import LiveRun
from otherroof.schedule.job_runner import RunEnding, job_runner
from otherroof.schedule.plan import RunStart
from support.main_job import FAR, JOB, OneJob, one_job
from support.waiting import until


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path, far_more={"limit_mbit": 16}) as made:
        yield made


def run(job: OneJob, told: list[str] | None = None, **options: object) -> RunResult:
    with Ledger(job.settings.ledger) as ledger:
        context = JobContext(Progress(), ledger, told=(told if told is not None else []).append)
        return run_job(job.settings, JOB, context, RunOptions(**options))  # type: ignore[arg-type]


@contextmanager
def running(job: OneJob, ledger: Ledger, **options: object) -> Iterator[tuple[LiveRun, list[RunResult]]]:
    """A run in a thread, once content flows; waited for at the end."""
    results: list[RunResult] = []
    thread = threading.Thread(target=lambda: results.append(run(job, **options)))
    thread.start()

    def flows() -> bool:
        found = ledger.live.of(JOB)
        return found is not None and found.advance.reading.done > 0

    try:
        until(flows)
        live = ledger.live.of(JOB)
        assert live is not None
        yield live, results
    finally:
        thread.join(60)


@pytest.mark.slow
def test_a_wish_ends_the_run_that_it_means_at_a_safe_point_and_no_other(job: OneJob) -> None:
    content = random.Random(3).randbytes(12_000_000)
    job.put("film", content)
    with Ledger(job.settings.ledger) as ledger:
        with running(job, ledger, asked=RunAsked("service", "wish")) as (live, results):
            assert (live.by, live.wish, live.advance.reading.total) == ("service", "wish", 12_000_000)
            (row,) = ledger.runs.rows()
            assert row.under_way
            assert row.report.bytes.sent > 0
            ledger.wishes.ask_stop(JOB, "another's token")
            before = live.advance.reading.done
            until(lambda: (now := ledger.live.of(JOB)) is None or now.advance.reading.done > before)
            now = ledger.live.of(JOB)
            assert now is not None
            assert now.stopping == ""
            ledger.wishes.ask_stop(JOB, live.token)
        (result,) = results
        assert (result.by_hand, result.report.outcome) == (True, "cut")
        assert isinstance(result.error, RunCut)
        assert result.error.what == BY_HAND
        ended = ledger.live.ended(JOB, live.token)
        assert ended is not None
        assert (ended.token, ended.exit_code, ended.by_hand) == (live.token, EXIT_INTERRUPTED, True)
        assert ended.report.bytes.sent == result.report.bytes.sent > 0
        assert not ledger.wishes.is_stop_asked(JOB, live.token)
        assert run(job).error is None
    assert (job.latest / "film").read_bytes() == content


def test_its_last_word_says_how_it_ended(job: OneJob) -> None:
    job.put("a", b"a")
    with Ledger(job.settings.ledger) as ledger:
        run(job, asked=RunAsked(wish="first"))
        ended = ledger.live.ended(JOB, "first")
        assert ended is not None
        assert (ended.wish, ended.exit_code, ended.said, ended.report.files.seen) == ("first", EXIT_WELL, "", 1)
        (row,) = ledger.runs.rows()
        assert ended.report == row.report
        (job.folder / "a").unlink()
        job.folder.rmdir()
        result = run(job, asked=RunAsked(wish="second"))
        ended = ledger.live.ended(JOB, "second")
        assert ended is not None
        assert (ended.exit_code, ended.said, ended.report.outcome) == (EXIT_LOOK, str(result.error), "failed")


def test_a_run_that_ends_with_its_service_ended_as_interrupted(job: OneJob) -> None:
    job.put("a", b"a")
    stop = StopSign(SystemClock())
    stop.ask("the service ends")
    with Ledger(job.settings.ledger) as ledger:
        context = JobContext(Progress(), ledger, stop=stop)
        run_job(job.settings, JOB, context, RunOptions(asked=RunAsked(wish="w")))
        ended = ledger.live.ended(JOB, "w")
    assert ended is not None
    assert (ended.exit_code, ended.by_hand, ended.report.outcome) == (EXIT_INTERRUPTED, False, "cut")


def test_a_dry_run_is_nobodys_business(job: OneJob) -> None:
    job.put("a", b"a")
    run(job, dry=True, asked=RunAsked(wish="dry"))
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.live.ended(JOB, "dry") is None


def test_a_copy_is_made_though_nothing_can_be_written_of_how_far_it_is(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: str, text: str) -> None:
        raise HomeTrouble("cannot be written: No space left on device", where=path)

    monkeypatch.setattr(live_runs, "write_small", full)
    job.put("a", b"a")
    told: list[str] = []
    assert run(job, told).error is None
    assert (job.latest / "a").read_bytes() == b"a"
    assert [line for line in told if "others cannot see how far it is" in line and "No space left" in line] != []
    assert len([line for line in told if "others cannot see" in line]) == 1, "once is enough"


@pytest.mark.parametrize("in_the_way", ["under-way", f"under-way/{JOB}.json", f"under-way/{JOB}.lock"])
def test_a_copy_is_made_though_something_else_stands_where_it_tells_how_far_it_is(job: OneJob, in_the_way: str) -> None:
    job.put("a", b"a")
    job.state.mkdir()
    if in_the_way == "under-way":
        (job.state / in_the_way).write_text("a file in a folder's place")
    else:
        (job.state / in_the_way).mkdir(parents=True)
    told: list[str] = []
    assert run(job, told).error is None
    assert (job.latest / "a").read_bytes() == b"a"
    assert len([line for line in told if "others cannot see" in line]) == 1


@pytest.mark.parametrize(
    ("error", "problems", "code"),
    [
        (None, [], EXIT_WELL),
        (None, [Problem("a", "cannot be read")], EXIT_LOOK),
        (Unreached("does not answer", where="heron"), [], EXIT_UNREACHED),
        (ZeroDivisionError("none of ours"), [], EXIT_LOOK),
    ],
)
def test_whoever_waits_is_told_the_exit_code_that_the_run_itself_would_have(
    tmp_path: Path, error: Exception | None, problems: list[Problem], code: int
) -> None:
    report = RunReport(JOB, "r1", "done", problems=problems)
    first, context = first_word(JOB, "heron", RunAsked(), SystemClock()), JobContext(Progress())
    announced = Announcement(str(tmp_path), first, report, context)
    with contextlib.suppress(Unreached, ZeroDivisionError), announced.under_way():
        if error is not None:
            raise error
    ended = live_runs.LiveRuns(str(tmp_path)).ended(JOB, first.token)
    assert ended is not None
    assert ended.exit_code == code
    assert bool(ended.said) == (error is not None)


def test_how_far_it_is_and_which_ids_it_had_are_seen_while_it_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(announce, "LOOK_S", 0.01)
    live, progress = live_runs.LiveRuns(str(tmp_path)), Progress()
    first = first_word(JOB, "heron", RunAsked(), SystemClock())
    announced = Announcement(str(tmp_path), first, RunReport(JOB, ""), JobContext(progress))
    with announced.under_way():
        announced.note_run("r1")
        announced.note_run("r2")
        progress.put = 7
        until(lambda: (now := live.of(JOB)) is not None and now.advance.reading.done == 7)
        now = live.of(JOB)
    assert now is not None
    assert [now.is_run(run) for run in ("r1", "r2", "r3")] == [True, True, False]
    assert JOB not in {one.name.removeprefix("otherroof-tells-") for one in threading.enumerate()}, "it writes no more"


# -- a stop by hand that comes late --


def by_the_service(job: OneJob) -> RunEnding:
    runner = job_runner(SystemClock(), lambda progress, name: lambda: None)
    return runner(job.settings, RunStart(JOB, FAR), StopSign(SystemClock()))


def stop(ledger: Ledger) -> None:
    """What the verb `stop` does."""
    live = ledger.live.of(JOB)
    assert live is not None
    ledger.wishes.ask_stop(JOB, live.token)


def test_a_stop_in_a_runs_last_moment_keeps_it_from_beginning_again_in_a_minute(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(announce, "LOOK_S", 60.0)
    tokens: list[str] = []

    def breaks(_: object) -> None:
        with Ledger(job.settings.ledger) as ledger:
            stop(ledger)
            tokens.append(getattr(ledger.live.of(JOB), "token", ""))
        raise Unreached("does not answer", where=FAR)

    monkeypatch.setattr("otherroof.jobs.run.Run.carry_out", breaks)
    ending = by_the_service(job)
    assert (ending.outcome, ending.ending) == ("failed", "settled")
    with Ledger(job.settings.ledger) as ledger:
        ended = ledger.live.ended(JOB, tokens[0])
        assert ended is not None
        assert ended.by_hand
        assert not ledger.wishes.is_stop_asked(JOB, tokens[0])
