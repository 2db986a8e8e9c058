"""Bringing back what was found: by a pattern, dry, every state of one file, and what a person marks in a terminal."""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.errors import EXIT_DAMAGED, EXIT_WELL, EXIT_WRONG_USE, WrongUse
from otherroof.far_copy.entry import Entry
from otherroof.restore.dated import LONGEST_NAME, dated_names, each_content_once
from otherroof.restore.finding.history import HeldState
from otherroof.restore.finding.like import Like
from otherroof.restore.finding.states import FileState, IndexedVersion
from otherroof.restore.selection import Selection
from support.main_job import JOB, OneJob, one_job
from support.quick import examples
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
def second_day(tmp_path_factory: pytest.TempPathFactory) -> tuple[OneJob, list[str]]:
    with one_job(tmp_path_factory.mktemp("second-day")) as job:
        job.put("letter.odt", b"one")
        job.put("summer/beach.jpg", b"a picture")
        job.put("summer/deep/more.JPG", b"another")
        job.put("summer/deep/list", b"12")
        runs = [run_on(job, 8)]
        job.put("letter.odt", b"number two")
        runs.append(run_on(job, 9))
    return job, runs


@pytest.fixture
def two(job: OneJob, second_day: tuple[OneJob, list[str]]) -> list[str]:
    made, runs = second_day
    job.go_on_from(made)
    return list(runs)


def come_back(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if not path.is_dir())


# -- patterns --


@pytest.mark.parametrize(
    ("pattern", "path", "means"),
    [
        ("*.jpg", b"a/b/Beach.JPG", True),
        ("*.jpg", b"a.jpg/b", False),
        ("a/*.jpg", b"a/x.jpg", True),
        ("a/*.jpg", b"a/b/x.jpg", False),
        ("a/**.jpg", b"a/b/x.jpg", True),
        ("**/x?", b"a/b/xy", True),
        ("x[0-9].txt", b"x7.txt", True),
        ("x[!0-9].txt", b"x7.txt", False),
        ("a.b", b"axb", False),
        ("*", b"\xff\xfe", True),
        ("\udcff*", b"\xff\xfe", True),
        ("caf\u00e9", "cafe\u0301".encode(), True),
        ("cafe\u0301", "caf\u00e9".encode(), True),
        ("a*b*c", b"a-b-b-c", True),
        ("*ab", b"aab", True),
        ("[", b"[", True),
        ("50%_\\", b"50%_\\", True),
        ("mask", "ma\u017f\u212a".encode(), True),
    ],
)
def test_what_a_pattern_means(pattern: str, path: bytes, means: bool) -> None:
    assert Like(pattern).matches(path) is means
    with closing(sqlite3.connect(":memory:")) as db:
        asked = "SELECT CAST(? AS TEXT) LIKE ? ESCAPE '\\'"
        assert not means or db.execute(asked, (path, Like(pattern).rough)).fetchone() == (1,)


@pytest.mark.parametrize("pattern", ["", "/", "*a" * 30, "**a" * 6, "x" * 2000])
def test_a_pattern_that_asks_nothing_or_would_never_end_is_refused(pattern: str) -> None:
    with pytest.raises(WrongUse):
        Like(pattern)


def plain_match(pattern: str, name: str) -> bool:
    """The same without `**`, by trying everything."""
    if not pattern:
        return not name
    if pattern[0] == "*":
        return plain_match(pattern[1:], name) or (bool(name) and name[0] != "/" and plain_match(pattern, name[1:]))
    return bool(name) and (pattern[0] == name[0] or (pattern[0] == "?" and name[0] != "/")) and plain_match(
        pattern[1:], name[1:]
    )  # fmt: skip


@examples(500)
@given(st.text("ab/*?", min_size=1, max_size=8), st.text("ab/", max_size=8))
def test_a_pattern_means_what_trying_everything_finds(pattern: str, name: str) -> None:
    pattern, name = f"/a/{pattern}x".replace("**", "*b"), f"a/{name}x"
    assert Like(pattern).matches(name.encode()) is plain_match(pattern.strip("/"), name)


@examples(300)
@given(st.sets(st.text("ab/", min_size=1, max_size=5).filter(lambda text: all(text.split("/"))), max_size=8))
def test_a_pattern_leads_through_just_the_folders_above_what_it_means(names: set[str]) -> None:
    paths = sorted(name.encode() for name in names)
    entries = [Entry(path, "file", 0, 0, 0o644, 0, 0) for path in paths]
    wanted = Selection(like=Like("*b"))
    meant = [path for path in paths if any(part.endswith(b"b") for part in path.split(b"/"))]
    assert [path for path in paths if wanted.has(path)] == meant
    if meant:
        found = wanted.among(entries)
        above = {path[:at] for path in meant for at in range(len(path)) if path[at : at + 1] == b"/"}
        assert found.on_the_way == above
    else:
        with pytest.raises(WrongUse):
            wanted.among(entries)


def test_restore_by_a_pattern_brings_what_it_means_and_the_folders_on_the_way(
    job: OneJob, two: list[str], verb: Verb
) -> None:
    back = job.where / "back"
    assert verb("restore", JOB, "--into", str(back), "--like", "*.jpg").code == EXIT_WELL
    assert come_back(back) == ["summer/beach.jpg", "summer/deep/more.JPG"]
    assert (back / "summer/deep").stat().st_mtime_ns == job.path("summer/deep").stat().st_mtime_ns
    again = job.where / "again"
    assert verb("restore", JOB, "summer/deep", "--into", str(again), "--like", "*.jpg").code == EXIT_WELL
    assert come_back(again) == ["summer/deep/more.JPG"]
    told = verb("restore", JOB, "--into", str(job.where / "none"), "--like", "*.png")
    assert (told.code, "nothing in this version is called like that" in told.one_line()) == (EXIT_WRONG_USE, True)


# -- dry --


def test_a_dry_restore_tells_what_would_come_and_touches_nothing(job: OneJob, two: list[str], verb: Verb) -> None:
    back = job.where / "back"
    told = verb("restore", JOB, "--into", str(back), "--dry", "--like", "*.jpg", "--json")
    found = told.json
    assert (told.code, found["dry"], found["files"], found["bytes"], found["there"]) == (EXIT_WELL, True, 2, 16, 0)
    assert [one["path"] for one in found["first"]] == ["summer/beach.jpg", "summer/deep/more.JPG"]
    assert not back.exists()
    verb("restore", JOB, "--into", str(back), "letter.odt")
    before = (back / "letter.odt").stat().st_mtime_ns
    text = verb("restore", JOB, "--into", str(back), "--dry", "--if-there", "replace").out
    assert "1 of them is there already and would be replaced" in text
    assert "4 files (28 B)" in text
    assert "--if-there keep" in verb("restore", JOB, "--into", str(back), "--dry").out
    assert (back / "letter.odt").stat().st_mtime_ns == before
    assert verb("restore", JOB, "none", "--into", str(back), "--dry").code == EXIT_WRONG_USE


# -- every state --


def held(path: bytes, day: int, content: bytes, run: str = "7f3a") -> HeldState:
    version = IndexedVersion(f"2031-04-0{day}T013000Z-{run}", datetime(2031, 4, day, 1, 30, tzinfo=UTC), 1, 1, day)
    return HeldState(version, version, FileState(path, "file", 1, 0, 0, content, b"", 0))


@pytest.mark.parametrize(
    ("path", "name"),
    [
        (b"a/letter.odt", b"letter 2031-04-05 01.30.odt"),
        (b".profile", b".profile 2031-04-05 01.30"),
        (b"letter", b"letter 2031-04-05 01.30"),
        (b"Mr. Heron of the lake", b"Mr. Heron of the lake 2031-04-05 01.30"),
        (b"\xff.txt", b"\xff 2031-04-05 01.30.txt"),
    ],
)
def test_a_dated_name_keeps_its_ending(path: bytes, name: bytes) -> None:
    assert dated_names([held(path, 5, b"1")], UTC) == [name]


def test_dated_names_are_never_alike_nor_too_long() -> None:
    row = [held(b"n" * 255, 5, b"1", "0001"), held(b"n" * 255, 5, b"2", "0002")]
    names = dated_names(row, UTC)
    assert len(set(names)) == 2
    assert max(map(len, names)) <= LONGEST_NAME


def test_a_content_that_came_again_is_brought_once() -> None:
    row = [held(b"a", 1, b"1"), held(b"a", 2, b"2"), held(b"a", 3, b"1")]
    assert each_content_once(row) == [row[2], row[1]]


def test_every_state_of_a_file_comes_back_side_by_side(job: OneJob, two: list[str], verb: Verb) -> None:
    job.put("letter.odt", b"x" * 3_000_000)
    run_on(job, 10)
    back = job.where / "back"
    told = verb("restore", JOB, "letter.odt", "--into", str(back), "--every-state", "--json")
    assert told.code == EXIT_WELL, told.err
    assert [one["name"] for one in told.json["states"]] == come_back(back)[::-1]
    contents = sorted(path.read_bytes() for path in back.iterdir())
    assert contents == [b"number two", b"one", b"x" * 3_000_000]
    assert verb("restore", JOB, "letter.odt", "--into", str(back), "--every-state").code == EXIT_WRONG_USE
    kept = verb("restore", JOB, "letter.odt", "--into", str(back), "--every-state", "--if-there", "keep")
    assert (kept.code, "3 were there already" in kept.out) == (EXIT_WELL, True)


def test_a_state_that_is_damaged_is_told_and_the_others_come(job: OneJob, two: list[str], verb: Verb) -> None:
    """Invariant 3."""
    (job.earlier(two[1]) / "letter.odt").write_bytes(b"ONE")
    told = verb("restore", JOB, "letter.odt", "--into", str(job.where / "back"), "--every-state", "--json")
    assert told.code == EXIT_DAMAGED
    assert (len(told.json["states"]), len(told.json["damaged"])) == (1, 1)
    assert (job.where / "back" / told.json["states"][0]["name"]).read_bytes() == b"number two"


def test_every_state_goes_with_one_file_alone(job: OneJob, two: list[str], verb: Verb) -> None:
    for argv in ([], ["letter.odt", "summer"], ["letter.odt", "--as-of", two[0]], ["letter.odt", "--like", "x"]):
        assert verb("restore", JOB, *argv, "--into", str(job.where / "b"), "--every-state").code == EXIT_WRONG_USE
    assert verb("restore", JOB, "summer", "--into", str(job.where / "b"), "--every-state").code == EXIT_WRONG_USE


# -- choosing --


class Terminal(io.StringIO):
    """A terminal at which these lines are typed."""

    def isatty(self) -> bool:
        return True


def type_in(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", Terminal("".join(f"{line}\n" for line in lines)))


def test_what_is_marked_comes_back(job: OneJob, two: list[str], verb: Verb, monkeypatch: pytest.MonkeyPatch) -> None:
    back = job.where / "back"
    # the letter; into the folder summer, its folder deep whole; one too many and taken away again
    type_in(monkeypatch, "1", "2", "1", "m 2", "1", "b")
    told = verb("restore", JOB, "--into", str(back), "--choose", "--as-of", two[0])
    assert told.code == EXIT_WELL, told.err
    assert come_back(back) == ["letter.odt", "summer/deep/list", "summer/deep/more.JPG"]
    assert (back / "letter.odt").read_bytes() == b"one"
    assert "[x]" in told.out
    assert max(map(len, told.out.splitlines()[:-1])) <= 80


@pytest.mark.parametrize(
    "lines", [[], ["q"], ["m 1", "q"], ["b", "q"], ["m 1", "m 1", "b"], ["/*.nothing", "m all", "b"]]
)
def test_whoever_leaves_or_marks_nothing_gets_nothing(
    job: OneJob, two: list[str], verb: Verb, monkeypatch: pytest.MonkeyPatch, lines: list[str]
) -> None:
    type_in(monkeypatch, *lines)
    told = verb("restore", JOB, "--into", str(job.where / "back"), "--choose")
    # What is typed stands on the screen and not in what was told, so the prompt's line goes on.
    assert (told.code, told.out.splitlines()[-1].removeprefix("> ")) == (EXIT_WELL, "nothing was brought back")
    assert not (job.where / "back").exists()


def test_found_by_a_pattern_and_marked_as_a_whole(
    job: OneJob, two: list[str], verb: Verb, monkeypatch: pytest.MonkeyPatch
) -> None:
    back = job.where / "back"
    type_in(monkeypatch, "/*.jpg", "m all", "u", "l", "nonsense", "m 99", "99", "b")
    told = verb("restore", JOB, "--into", str(back), "--choose")
    assert come_back(back) == ["summer/beach.jpg", "summer/deep/more.JPG"]
    assert told.out.count("there is no line 99 here") == 2
    assert "find by a pattern" in told.out


def test_pages_and_names_of_any_bytes(job: OneJob, verb: Verb, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(40):
        job.put(f"f{number:02}", b"1")
    job.put(b"\x1b[2J\xff[red]", b"evil")
    run_on(job, 8)
    back = job.where / "back"
    type_in(monkeypatch, "1", "n", "n", "n", "41", "p", "b")
    told = verb("restore", JOB, "--into", str(back), "--choose")
    assert told.code == EXIT_WELL
    assert all(line.isprintable() for line in told.out.splitlines())
    assert "[red]" in told.out
    assert "page 3 of 3" in told.out
    assert sorted(path.read_bytes() for path in back.iterdir()) == [b"1", b"evil"]


def test_choosing_needs_a_terminal_and_stands_alone(job: OneJob, two: list[str], verb: Verb) -> None:
    for argv in ([], ["letter.odt"], ["--json"], ["--like", "x"]):
        assert verb("restore", JOB, *argv, "--into", str(job.where / "b"), "--choose").code == EXIT_WRONG_USE
