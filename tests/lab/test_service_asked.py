"""Two terminals and the service, as processes against a real sshd: who asks it for a run, follows it, stops it."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import EXIT_INTERRUPTED, EXIT_LOOK, EXIT_WELL
from otherroof.ledger import Ledger
from otherroof.ledger.live.live_run import LiveRun
from otherroof.ledger.runs import GONE
from support.fresh_start import OTHERROOF
from support.lab.need import require_sshd
from support.lab.served import Household, household, until
from support.lab.sshd import FarSshd
from support.terminal_talk import Terminal

pytestmark = pytest.mark.lab
SLOW_LINE = {"limit_mbit": 8}
PATIENCE_S = 60.0
# The command as another account gives it: after root has given it once, since that account may not be able to read
# what is imported.
AS_ANOTHER = """
import contextlib, io, json, os, sys
from otherroof.cli.main import main
quiet = io.StringIO()
with contextlib.suppress(SystemExit), contextlib.redirect_stdout(quiet), contextlib.redirect_stderr(quiet):
    main(json.loads(sys.argv[1]))
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
main(json.loads(sys.argv[1]))
"""


@pytest.fixture
def far() -> Iterator[FarSshd]:
    require_sshd()
    with FarSshd() as box:
        yield box


def terminal_of(home: Household, *words: str) -> Terminal:
    """A command in another terminal, of 80 columns."""
    env = {**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24", "PYTHONIOENCODING": "utf-8"}
    return Terminal([OTHERROOF, *words, "--config", str(home.where / "settings")], env=env)


def live(home: Household, job: str = "papers") -> LiveRun | None:
    """The run that is under way."""
    with Ledger(home.settings.ledger) as ledger:
        return ledger.live.of(job)


def sending(home: Household, job: str = "papers") -> bool:
    """Whether content flows."""
    found = live(home, job)
    return found is not None and found.advance.reading.done > 1_000_000


def at_work(home: Household) -> subprocess.Popen[bytes]:
    """The service, once it is at work."""
    before = home.told().count("works on") if home.log.exists() else 0
    service = home.start()
    until(lambda: home.told().count("works on") > before, PATIENCE_S)
    return service


def test_a_run_that_is_asked_for_is_the_services_and_followed_to_its_end(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}) as home:
        (home.folders["papers"] / "letter").write_text("dear all")
        at_work(home)
        asked = home.otherroof("run", "papers")
        assert asked.returncode == EXIT_WELL
        assert "papers: the service runs it" in asked.stderr
        assert "papers: done, run " in asked.stdout
        assert "1 file seen (8 B): 1 new" in asked.stdout
        assert home.same("papers")
        assert "papers begins as somebody wishes" in home.told()
        again = json.loads(home.otherroof("run", "papers", "--json").stdout)
        assert [(one["job"], one["outcome"], one["files"]["seen"]) for one in again["runs"]] == [("papers", "done", 1)]


def test_how_the_services_run_ended_is_told_with_the_exit_code_of_a_run_here(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}, "photos": {}}) as home:
        home.folders["papers"].rmdir()
        (home.folders["photos"] / "a").write_text("a")
        at_work(home)
        asked = home.otherroof("run", "papers", "photos")
        here = home.otherroof("run", "papers", "--here")
        assert asked.returncode == here.returncode == EXIT_LOOK
        line = next(line for line in here.stderr.splitlines() if "failed" in line)
        assert line in asked.stderr
        assert "photos: done" in asked.stdout


def test_two_terminals_ask_at_once_and_one_run_serves_both(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}, **SLOW_LINE) as home:
        (home.folders["papers"] / "film").write_bytes(os.urandom(60_000_000))
        at_work(home)
        first, second = (terminal_of(home, "run", "papers") for _ in range(2))
        try:
            for one in (first, second):
                assert "papers: sending" in one.shows("MB of 60.0 MB")
            assert home.otherroof("stop", "papers").returncode == EXIT_WELL
            assert (first.ended(), second.ended()) == (EXIT_INTERRUPTED, EXIT_INTERRUPTED)
            for one in (first, second):
                assert "papers: stopped early: stopped by hand" in one.text()
        finally:
            first.close()
            second.close()
        assert len(home.runs("papers")) == 1


def test_ctrl_c_leaves_the_display_and_not_the_run_and_a_killed_display_takes_nothing_with_it(
    tmp_path: Path, far: FarSshd
) -> None:
    with household(tmp_path, far, {"papers": {}}, **SLOW_LINE) as home:
        (home.folders["papers"] / "film").write_bytes(os.urandom(40_000_000))
        at_work(home)
        terminal, other = (terminal_of(home, "run", "papers") for _ in range(2))
        try:
            terminal.shows("MB of 40.0 MB")
            other.process.kill()
            terminal.process.send_signal(signal.SIGINT)
            assert terminal.ended() == EXIT_INTERRUPTED
            said = " ".join(terminal.text().split())
        finally:
            terminal.close()
            other.close()
        assert "papers goes on without this terminal" in said
        assert "`otherroof stop papers` ends it" in said
        until(lambda: home.same("papers"), 3 * PATIENCE_S)
        assert [run.report.outcome for run in home.runs("papers") if not run.under_way] in ([], ["done"])


@pytest.mark.parametrize("by", ["service", "hand"])
def test_stop_ends_a_run_whoever_runs_it_and_the_next_one_goes_on(tmp_path: Path, far: FarSshd, by: str) -> None:
    with household(tmp_path, far, {"papers": {}}, **SLOW_LINE) as home:
        (home.folders["papers"] / "film").write_bytes(os.urandom(20_000_000))
        if by == "service":
            home.overdue("papers")
            at_work(home)
            runs = None
        else:
            runs = terminal_of(home, "run", "papers")
        until(lambda: sending(home), PATIENCE_S)
        now = live(home)
        assert now is not None
        assert now.by == by
        told = json.loads(home.otherroof("status", "--json").stdout)["jobs"][0]
        assert 0 < told["progress"]["share"] < 1
        history = json.loads(home.otherroof("ledger", "--json").stdout)["runs"][0]
        assert history["outcome"] == "under way"
        assert history["bytes"]["sent"] > 1_000_000
        begun = time.monotonic()
        stopped = home.otherroof("stop", "papers")
        assert time.monotonic() - begun < 30
        assert (stopped.returncode, stopped.stderr) == (EXIT_WELL, "")
        assert f"papers: stopped early, run {now.run}: " in stopped.stdout
        assert ("the service runs it next at" in stopped.stdout) == (by == "service")
        (row,) = home.runs("papers")
        assert (row.report.outcome, row.report.reason.startswith("stopped by hand")) == ("cut", True)
        if runs is not None:
            assert runs.ended() == EXIT_INTERRUPTED
            runs.close()
        else:
            until(lambda: home.turn("papers").ending == "settled")
            assert home.turn("papers").waiting == "", "it does not begin again by itself in a minute"
        assert "nothing to stop" in home.otherroof("stop", "papers").stdout
        assert "stop" not in [path.suffix for path in (home.where / "settings" / "state" / "wishes").iterdir()]
        (home.folders["papers"] / "film").write_bytes(b"short")
        assert home.otherroof("run", "papers").returncode == EXIT_WELL
        assert home.same("papers")


def test_a_run_that_was_asked_for_and_waits_can_be_taken_back(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}, "photos": {}}, **SLOW_LINE) as home:
        (home.folders["papers"] / "film").write_bytes(os.urandom(30_000_000))
        (home.folders["photos"] / "a").write_text("a")
        home.overdue("papers")
        at_work(home)
        until(lambda: sending(home), PATIENCE_S)
        terminal = terminal_of(home, "run", "photos")
        try:
            terminal.shows("photos waits for the run of papers with the same far box")
            assert "photos: waits for the run of papers" in home.otherroof("status").stdout
            assert "the run that was asked for is taken back" in home.otherroof("stop", "photos").stdout
            assert terminal.ended() == EXIT_INTERRUPTED
            assert "taken back by `otherroof stop` before it began" in " ".join(terminal.text().split())
        finally:
            terminal.close()
        assert home.runs("photos") == []


def test_without_a_service_a_run_is_this_terminals_and_the_other_is_told_how_to_end_it(
    tmp_path: Path, far: FarSshd
) -> None:
    with household(tmp_path, far, {"papers": {}}, **SLOW_LINE) as home:
        (home.folders["papers"] / "film").write_bytes(os.urandom(20_000_000))
        terminal = terminal_of(home, "run", "papers")
        try:
            until(lambda: sending(home), PATIENCE_S)
            other = home.otherroof("run", "papers")
            assert other.returncode == EXIT_LOOK
            assert f"process {terminal.process.pid}" in other.stderr
            assert "`otherroof stop papers` ends it" in other.stderr
        finally:
            terminal.close()


def test_a_service_killed_at_any_moment_leaves_nothing_under_way_and_whoever_follows_is_told(
    tmp_path: Path, far: FarSshd
) -> None:
    chance = random.Random(11)
    with household(tmp_path, far, {"papers": {}}, **SLOW_LINE) as home:
        (home.folders["papers"] / "film").write_bytes(os.urandom(30_000_000))
        for _ in range(3):
            at_work(home)
            follows = subprocess.Popen(
                [OTHERROOF, "run", "papers", "--config", str(home.where / "settings")],
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
            )
            until(lambda: live(home) is not None, PATIENCE_S)
            time.sleep(chance.uniform(0, 2))
            home.kill()
            assert live(home) is None
            told = json.loads(home.otherroof("status", "--json").stdout)["jobs"][0]
            assert (told["last"], told["progress"]) in (("cut", None), (None, None))
            said = follows.communicate(timeout=PATIENCE_S)[0]
            assert follows.returncode == EXIT_LOOK, said
            assert "the process that ran it is gone" in said
        rows = home.runs("papers")
        assert rows
        assert {row.report.reason for row in rows} == {GONE}
        assert any(row.report.bytes.wire_up for row in rows) or len(rows) == 3


def test_only_the_services_account_and_root_may_ask(tmp_path: Path, far: FarSshd) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can be somebody else")
    with household(tmp_path, far, {"papers": {}}) as home:
        at_work(home)
        for path in (tmp_path, *tmp_path.parents):
            if os.stat(path).st_uid == 0 and path != Path("/"):
                path.chmod(path.stat().st_mode | 0o055)
        for words in (["stop", "papers"], ["run", "papers"], ["status"]):
            argv = json.dumps([*words, "--config", str(home.where / "settings")])
            other = subprocess.run(
                [sys.executable, "-c", AS_ANOTHER, argv], capture_output=True, text=True, timeout=60, check=False
            )
            assert other.returncode not in (EXIT_WELL, EXIT_INTERRUPTED), other.stdout
            assert "put `sudo` before the command" in other.stderr
        wishes = home.where / "settings" / "state" / "wishes"
        assert not wishes.exists() or list(wishes.iterdir()) == []


def test_a_stop_during_a_probe_leaves_it_off_and_ends_in_time(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}) as home:
        os.kill(far.pid, signal.SIGSTOP)  # a far box that takes connections and says nothing
        try:
            service = home.start()
            until(lambda: "works on" in home.told())
            with Ledger(home.settings.ledger) as ledger:
                until(lambda: "probe heron" in ledger.marks.by_name())
            service.terminate()
            assert service.wait(15) == EXIT_WELL
        finally:
            os.kill(far.pid, signal.SIGCONT)
        assert "did not end in time" not in home.told()
        assert "probe heron: left off, nothing is lost by that: SIGTERM was received" in home.told()
        with Ledger(home.settings.ledger) as ledger:
            assert ledger.probes.rows(far="heron") == [], "it was not silent: nobody waited for it"


def test_a_stop_during_a_login_cuts_the_run_and_ends_in_time(tmp_path: Path, far: FarSshd) -> None:
    with household(tmp_path, far, {"papers": {}}) as home:
        (home.folders["papers"] / "letter").write_text("dear all")
        home.overdue("papers")
        os.kill(far.pid, signal.SIGSTOP)  # a far box that takes connections and says nothing
        try:
            service = home.start()
            until(lambda: "works on" in home.told())
            until(lambda: home.runs("papers"))
            time.sleep(2)  # the network checks before the login hear a stop by themselves
            service.terminate()
            assert service.wait(15) == EXIT_WELL
        finally:
            os.kill(far.pid, signal.SIGCONT)
        assert "did not end in time" not in home.told()
        (row,) = home.runs("papers")
        assert (row.report.outcome, row.under_way) == ("cut", False)
        assert row.report.reason.startswith("SIGTERM was received")
