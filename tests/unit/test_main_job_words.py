"""What the verbs of the main job print: every figure in full, nothing in silence, on any terminal."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import patch

import pytest
from rich.console import Console

from otherroof.base.errors import EXIT_DAMAGED, EXIT_HELD, EXIT_LOOK, EXIT_WELL, EXIT_WRONG_USE
from otherroof.cli.main import main
from otherroof.cli.parser.verbs import VERBS
from support.main_job import JOB, OneJob
from support.verbs import Verb, two_files_and_a_link, verb_of


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with two_files_and_a_link(tmp_path) as made:
        yield made


@pytest.fixture
def verb(job: OneJob, capsys: pytest.CaptureFixture[str]) -> Verb:
    return verb_of(job, capsys)


def test_run_in_words_has_the_figures_and_no_colour(verb: Verb) -> None:
    told = verb("run", JOB)
    assert told.code == EXIT_WELL
    assert "3 files seen (14 B): 3 new" in told.out
    assert "\x1b" not in told.out


def test_run_that_sends_no_content_tells_no_rate(verb: Verb) -> None:
    assert "Mbit/s" in verb("run", JOB).out
    assert "Mbit/s" not in verb("run", JOB).out
    assert verb("ledger").out.splitlines()[2].endswith("\u2013")


def test_what_no_copy_holds_is_told_by_the_first_dry_run_already(job: OneJob, verb: Verb) -> None:
    os.mkfifo(job.path("pipe"))
    job.path("other").mkdir()

    def device(handle: int) -> SimpleNamespace:
        is_other = os.readlink(f"/proc/self/fd/{handle}") == str(job.path("other"))
        return SimpleNamespace(st_dev=os.fstat(handle).st_dev + is_other, st_ino=os.fstat(handle).st_ino)

    for more in (("--dry",), ()):
        with patch("otherroof.copying.home.scan.os", SimpleNamespace(**(vars(os) | {"fstat": device}))):
            told = verb("run", JOB, *more)
        assert told.code == EXIT_WELL
        assert "left out: sockets, devices and fifos (1)" in told.out
        assert "left out: other: another disk; make it a job of its own, or set other_disks = true" in told.out


@pytest.mark.parametrize("path", ["b", "b/", "./b", "./b/../b//c", "{folder}/b/c", "{folder}/b/"])
def test_part_is_found_however_its_path_is_written(job: OneJob, verb: Verb, path: str) -> None:
    verb("run")
    told = verb("restore", JOB, "--into", str(job.where / "back"), path.format(folder=job.folder))
    assert told.code == EXIT_WELL, told.err
    assert [str(one.relative_to(job.where / "back")) for one in (job.where / "back").rglob("*")] == ["b", "b/c"]


@pytest.mark.parametrize("path", ["", "..", "../papers/b", "/etc/b", "{folder}"])
def test_path_that_is_none_of_the_folders_is_refused(job: OneJob, verb: Verb, path: str) -> None:
    verb("run")
    told = verb("restore", JOB, "--into", str(job.where / "back"), path.format(folder=job.folder))
    assert told.code == EXIT_WRONG_USE
    assert "this version holds no" in told.err


def test_a_path_that_went_is_refused_with_the_way_to_the_versions_that_have_it(job: OneJob, verb: Verb) -> None:
    job.put("b/its own", b"here")
    verb("run")
    (job.folder / "b/its own").unlink()
    verb("run")
    told = verb("restore", JOB, "--into", str(job.where / "back"), "b/its own")
    assert "`otherroof versions JOB PATH` tells which versions hold a path" in told.err
    assert "b/its own: 1 state" in verb("versions", JOB, "b/its own").out


def test_dry_run_says_that_it_would_be_held_and_what_releases_nothing_yet(job: OneJob, verb: Verb) -> None:
    verb("run")
    for name in ("a", "b/c", "link"):
        job.path(name).unlink()
    told = verb("run", "--dry")
    assert told.code == EXIT_HELD
    assert told.err.startswith(f"{JOB}: would be held: the folder is empty")
    assert f"is held when it is run: `otherroof run {JOB}`" in verb("release", JOB).out
    told = verb("run")
    assert told.err.startswith(f"{JOB}: held: the folder is empty")
    assert told.err.count(JOB) == 3, "as the job, in the path, and in what releases it"


def test_list_of_verbs_says_of_each_in_full_what_it_is_for(capsys: pytest.CaptureFixture[str]) -> None:
    """On a terminal of 80 columns; a sentence that ends too early helps nobody to choose."""
    with patch.dict(os.environ, {"COLUMNS": "80", "TERMINAL_WIDTH": "80"}), pytest.raises(SystemExit):
        main(["--help"])
    told = capsys.readouterr().out
    verbs = [line for line in told.splitlines() if line.startswith("  ") and line.split()[0] in VERBS]
    assert [line.split()[0] for line in verbs] == list(VERBS)
    assert [line for line in verbs if not line.endswith(".") or line.endswith("...")] == []


@pytest.mark.parametrize("width", [60, 80, 100, 120, 200])
def test_table_of_runs_leaves_columns_out_before_it_cuts_figures_short(verb: Verb, width: int) -> None:
    verb("run")
    verb("run", "--reread")
    plain = Console(width=width, highlight=False)
    with patch("otherroof.cli.look.ledger.console", lambda: plain):
        told = verb("ledger").out
    head, *rows = told.splitlines()[:3]
    assert "…" not in told
    assert all(word in head for word in ("started", "job", "outcome", "sent", "took"))
    assert max(len(line.rstrip()) for line in (head, *rows)) <= width
    assert ("rate" in head) is (width >= 120)
    assert ("(--csv has them all)" in told) is (width < 120)


def test_table_of_runs_says_where_it_ends(job: OneJob, verb: Verb) -> None:
    with patch("otherroof.cli.look.ledger.SHOWN", 2):
        for _ in range(2):
            verb("run")
        assert "the newest 2" not in verb("ledger").out
        verb("run")
        told = verb("ledger").out
        assert "the newest 2; --since" in told
        assert f"times in {job.settings.home.zone}" in told
        assert told.count(f" {JOB} ") == 2


@pytest.mark.parametrize("argv", [["ledger"], ["status"], ["versions", JOB], ["restore", JOB, "--into", "back\udcff"]])
def test_terminal_that_lacks_a_letter_is_told_all_the_same(job: OneJob, verb: Verb, argv: list[str]) -> None:
    """As where nothing but ASCII can be shown; and a folder may have any name."""
    verb("run")
    verb("run")
    given = [str(job.where / one) if one.startswith("back") else one for one in argv]
    plain = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    with patch("sys.stdout", plain), pytest.raises(SystemExit) as left:
        main([*given, "--config", job.config])
    assert (left.value.code or 0) == (EXIT_LOOK if argv == ["status"] else EXIT_WELL)  # alerts reach nobody here
    plain.flush()
    assert plain.buffer.getvalue().isascii()  # type: ignore[attr-defined]


def test_log_on_a_full_disk_is_one_line_and_the_run_counts(job: OneJob, capsys: pytest.CaptureFixture[str]) -> None:
    full = open("/dev/full", "w")  # noqa: SIM115 - closing it fails too
    with patch("sys.stdout", full), pytest.raises(SystemExit) as left:
        main(["run", "--json", "--config", job.config])
    with pytest.raises(OSError, match="No space"):
        full.close()
    assert left.value.code == EXIT_LOOK
    assert "what there is to tell cannot be written: No space left" in capsys.readouterr().err
    assert [row.report.outcome for row in job.rows()] == ["done"]


def test_newest_version_that_is_gone_is_told_by_both_verbs(job: OneJob, verb: Verb) -> None:
    verb("run")
    job.put("a", b"second a")
    verb("run")
    older, newer = sorted(row.report.run for row in job.rows())
    job.listing(newer).unlink()
    told = verb("versions", JOB)
    assert (told.code, told.out.count("does not hold it any more")) == (EXIT_DAMAGED, 1)
    listed = verb("versions", JOB, "--json")
    assert (listed.code, [one["run"] for one in listed.json["versions"]]) == (EXIT_DAMAGED, [older])
    told = verb("restore", JOB, "--into", str(job.where / "back"))
    assert told.code == EXIT_LOOK
    assert f"note: this is not the newest version: run {newer} counted" in told.err
