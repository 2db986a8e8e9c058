"""`files`, `versions JOB PATH` and `changes` as a person or a script meets them, over a stand-in far box."""

from __future__ import annotations

import gzip
import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import EXIT_DAMAGED, EXIT_LOOK, EXIT_WELL, EXIT_WRONG_USE
from otherroof.layouts.open.keeper import OpenKeeper
from support.main_job import JOB, OneJob, one_job
from support.simulated import utc
from support.verbs import Verb, verb_of

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        yield made


@pytest.fixture
def verb(job: OneJob, capsys: pytest.CaptureFixture[str]) -> Verb:
    return verb_of(job, capsys)


def run_on(job: OneJob, day: int) -> str:
    return job.done_at(utc(2026, 6, day, 10, 0))


@pytest.fixture(scope="module")
def third_day(tmp_path_factory: pytest.TempPathFactory) -> tuple[OneJob, list[str]]:
    """Three days of a folder: a letter is changed, a picture moved, a note comes and goes."""
    with one_job(tmp_path_factory.mktemp("third-day")) as job:
        job.put("letter.odt", b"one")
        job.put("summer/Beach.JPG", b"a picture")
        job.put("summer/deep/list", b"12")
        runs = [run_on(job, 8)]
        job.put("letter.odt", b"number two")
        job.put("note", b"here for a day")
        job.path("summer/Beach.JPG").rename(job.path("beach.jpg"))
        runs.append(run_on(job, 9))
        job.path("note").unlink()
        runs.append(run_on(job, 10))
    return job, runs


@pytest.fixture
def three(job: OneJob, third_day: tuple[OneJob, list[str]]) -> list[str]:
    made, runs = third_day
    job.go_on_from(made)
    return list(runs)


# -- files --


def test_files_shows_a_folder_with_what_is_below_it(three: list[str], verb: Verb) -> None:
    told = verb("files", JOB)
    assert told.code == EXIT_WELL
    first, total, *lines = told.out.splitlines()
    assert three[2] in first
    assert total == "all: 3 files, 21 B"
    assert [line.split()[-1] for line in lines] == ["beach.jpg", "letter.odt", "summer/"]
    assert lines[2].split()[:4] == ["2", "B", "1", "file"]
    assert max(map(len, told.out.splitlines())) <= 80


def test_files_of_an_earlier_version_and_of_a_part(job: OneJob, three: list[str], verb: Verb) -> None:
    told = verb("files", JOB, str(job.path("summer")), "--as-of", three[0], "--json").json
    assert (told["run"], told["files"], told["bytes"]) == (three[0], 3, 14)
    assert [(one["path"], one["kind"]) for one in told["entries"]] == [
        ("summer/Beach.JPG", "file"),
        ("summer/deep", "folder"),
    ]
    assert told["entries"][1]["files"] == 1


def test_files_as_of_a_time_as_shown(three: list[str], verb: Verb) -> None:
    shown = re.search(rf"{three[1]} +(\S+ \S+) ", verb("versions", JOB).out)
    assert shown
    told = verb("files", JOB, "--as-of", shown[1])
    assert (told.code, three[1] in told.out.splitlines()[0]) == (EXIT_WELL, True)


def test_files_by_a_pattern_are_found_in_every_folder_and_in_small_or_capital_letters(
    three: list[str], verb: Verb
) -> None:
    for as_of, path in ((three[0], "summer/Beach.JPG"), (three[1], "beach.jpg")):
        told = verb("files", JOB, "--like", "bea*.jpg", "--as-of", as_of, "--json").json
        assert [one["path"] for one in told["entries"]] == [path]
    assert "nothing here is called like that" in verb("files", JOB, "--like", "*.png").out
    assert verb("files", JOB, "--like", "").code == EXIT_WELL


def test_files_of_what_was_never_there_is_one_line(three: list[str], verb: Verb) -> None:
    told = verb("files", JOB, "note")
    assert (told.code, "otherroof versions papers" in told.one_line()) == (EXIT_WRONG_USE, True)
    assert verb("files", JOB, "--as-of", "2020-01-01").code == EXIT_WRONG_USE


def test_nothing_was_copied_yet(job: OneJob, verb: Verb) -> None:
    job.listing(run_on(job, 8)).unlink()
    Path(job.settings.ledger).unlink()
    for argv in (("files", JOB), ("changes", JOB), ("versions", JOB, "a")):
        told = verb(*argv)
        assert (told.code, "no version yet" in told.one_line()) == (EXIT_WRONG_USE, True)


def test_an_empty_folder_is_a_version_too(job: OneJob, verb: Verb) -> None:
    job.put("a", b"1")
    job.path("a").unlink()
    (job.folder / "only").mkdir()
    run_on(job, 8)
    assert verb("files", JOB, "only", "--json").json["entries"] == []
    assert "empty" in verb("files", JOB, "only").out
    assert verb("changes", JOB, "--json").json["totals"]["came"] == 1


NAMES = [b"\xff\xfe.txt", b"line\nbreak", b"\x1b[2Jx", "Käse".encode(), b"'quote\""]


def test_names_of_any_bytes_are_shown_harmlessly_and_told_exactly(job: OneJob, verb: Verb) -> None:
    for name in NAMES:
        job.put(name, b"1")
    run_on(job, 8)
    for argv in (("files", JOB), ("changes", JOB), *(("versions", JOB, os.fsdecode(name)) for name in NAMES)):
        told = verb(*argv)
        assert told.code == EXIT_WELL
        assert all(line.isprintable() for line in told.out.splitlines())
        assert len(told.out.splitlines()) <= 3 + len(NAMES), "no name broke a line"
    entries = verb("files", JOB, "--json").json["entries"]
    assert {one.get("path64") or one["path"] for one in entries} == {
        "//4udHh0", "line\nbreak", "\x1b[2Jx", "Käse", "'quote\""
    }  # fmt: skip
    assert verb("files", JOB, "--like", "k?se", "--json").json["entries"][0]["path"] == "Käse"


# -- versions JOB PATH --


def test_every_state_of_a_file_with_what_brings_it_back(job: OneJob, three: list[str], verb: Verb) -> None:
    told = verb("versions", JOB, "letter.odt", "--json").json
    (newer, older) = told["states"]
    assert (newer["from"]["run"], newer["to"]["run"]) == (three[1], three[2])
    assert (older["from"]["run"], older["to"]["run"], older["state"]["bytes"]) == (three[0], three[0], 3)
    for state, content in ((newer, "number two"), (older, "one")):
        _, back = job.restore(state["as_of"], paths=(b"letter.odt",))
        assert (back / "letter.odt").read_text() == content
    text = verb("versions", JOB, "letter.odt")
    assert (text.code, "2 states" in text.out) == (EXIT_WELL, True)
    assert f"bring one back: otherroof restore {JOB} letter.odt --into DIR --as-of {three[2]}" in text.out
    *table, _ = text.out.splitlines()
    assert max(map(len, table)) <= 80


def test_what_is_gone_is_told_as_gone(three: list[str], verb: Verb) -> None:
    gone, there = verb("versions", JOB, "note", "--json").json["states"]
    assert (gone["state"], gone["as_of"]) == (None, None)
    assert there["as_of"] == three[1]
    assert "not there" in verb("versions", JOB, "note").out
    assert verb("versions", JOB, "never").code == EXIT_WRONG_USE


def test_a_version_taken_out_is_offered_no_more(job: OneJob, three: list[str], verb: Verb) -> None:
    verb("versions", JOB, "note")
    job.listing(three[1]).unlink()
    assert verb("versions", JOB, "note").code == EXIT_WRONG_USE
    assert verb("versions", JOB, "letter.odt", "--json").json["states"][0]["from"]["run"] == three[2]


# -- changes --


def test_changes_since_the_version_before_and_between_any_two(three: list[str], verb: Verb) -> None:
    def told(*argv: str) -> list[tuple[str, str]]:
        found = verb("changes", JOB, *argv, "--json")
        assert found.code == EXIT_WELL
        return [(one["change"], one["path"]) for one in found.json["changes"] if one["change"] != "touched"]

    assert told() == [("went", "note")]
    second = [("moved", "beach.jpg"), ("changed", "letter.odt"), ("came", "note")]
    assert told("--from", three[0], "--to", three[1]) == second
    assert told("--to", three[1]) == second
    assert told("--from", three[0]) == second[:2]
    assert told("--from", three[1], "--to", three[1]) == []
    assert {kind for kind, _ in told("--to", three[0])} == {"came"}
    text = verb("changes", JOB, "--from", three[0]).out
    assert "  moved         9 B  beach.jpg  (was summer/Beach.JPG)" in text.splitlines()
    assert "1 changed, 1 moved" in text


# -- the index at home --


def index_files(job: OneJob) -> list[Path]:
    return sorted((job.state / "found").iterdir())


def test_a_listing_is_fetched_once_and_the_index_may_go_at_any_time(
    job: OneJob, three: list[str], verb: Verb, monkeypatch: pytest.MonkeyPatch
) -> None:
    fetched: list[str] = []
    plain = OpenKeeper.listing

    def counted(self: OpenKeeper, run: str) -> object:
        fetched.append(run)
        return plain(self, run)

    monkeypatch.setattr(OpenKeeper, "listing", counted)
    answers = [verb("versions", JOB, "letter.odt").out for _ in range(2)]
    assert fetched == three
    index_files(job)[0].unlink()
    answers.append(verb("versions", JOB, "letter.odt").out)
    index_files(job)[0].write_bytes(b"rubbish")
    answers.append(verb("versions", JOB, "letter.odt").out)
    assert fetched == three * 3
    assert len(set(answers)) == 1
    assert len(index_files(job)) == 1


def test_where_nothing_can_be_kept_it_answers_all_the_same(job: OneJob, three: list[str], verb: Verb) -> None:
    job.forget_state()
    for _ in range(2):
        assert verb("versions", JOB, "letter.odt", "--json").json["states"][1]["as_of"] == three[0]
        shutil.rmtree(job.state / "found", ignore_errors=True)
        (job.state / "found").write_bytes(b"no folder")
    assert (job.state / "found").read_bytes() == b"no folder"


def spoil(job: OneJob, run: str) -> None:
    text = gzip.decompress(job.listing(run).read_bytes()).replace(b"letter", b"lettuc")
    job.listing(run).write_bytes(gzip.compress(text))


def test_a_listing_that_was_changed_is_left_out_and_told(job: OneJob, three: list[str], verb: Verb) -> None:
    """Invariant 5."""
    spoil(job, three[1])
    told = verb("versions", JOB, "letter.odt", "--json")
    assert told.code == EXIT_DAMAGED
    assert [one["as_of"] for one in told.json["states"]] == [three[2], three[0]]
    (problem,) = told.json["problems"]
    assert (problem["path"], "was changed" in problem["why"]) == (f"{JOB}/{three[1]}", True)
    assert verb("files", JOB, "--as-of", three[1]).code == EXIT_DAMAGED
    assert verb("changes", JOB).code == EXIT_DAMAGED, "one of the two cannot be had"
    assert verb("changes", JOB, "--from", three[0]).code == EXIT_WELL


def test_a_far_box_that_shows_an_old_state_is_told(job: OneJob, three: list[str], verb: Verb) -> None:
    """Invariant 5."""
    job.listing(three[2]).unlink()
    told = verb("files", JOB, "--json")
    assert told.code == EXIT_LOOK
    assert three[2] in told.json["problems"][0]["why"]
