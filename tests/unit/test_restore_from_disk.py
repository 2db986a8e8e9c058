"""A disk that was carried home takes the far box's place: files come back from it with settings and keys alone."""

from __future__ import annotations

import errno
import os
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

import pytest

from otherroof.base.errors import INSTALLED
from otherroof.base.text.words import fold
from otherroof.cli import common
from otherroof.cli.get_back import restore as restore_verb
from otherroof.copying.report import Problem
from otherroof.far import requests
from otherroof.far.local import disk_place
from otherroof.far.local import place as local_place
from otherroof.jobs.restore import RestoreRequest
from otherroof.ledger import Ledger
from otherroof.restore.finding.like import Like
from otherroof.restore.selection import RestoreReport
from support.by_find import seen_by_find, unlike
from support.main_job import JOB, OneJob, one_job
from support.simulated import household
from support.two_boxes import TwoBoxes, two_boxes
from support.verbs import Told, Verb, verb_of


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        made.put("letters/one.txt", "one")
        made.put("large.bin", bytes(range(256)) * 8192)
        (made.folder / "link").symlink_to("letters/one.txt")
        yield made


@pytest.fixture
def verb(job: OneJob, capsys: pytest.CaptureFixture[str]) -> Verb:
    return verb_of(job, capsys)


@pytest.fixture
def carried_home(job: OneJob, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, str, str]:
    """The far disk after two runs, and these; the far box is out of reach from now on, and home's state is lost."""
    first = job.done().run
    job.put("letters/one.txt", "one, later")
    job.put("letters/new.txt", "new")
    second = job.done().run
    disk = tmp_path / "disk"
    shutil.copytree(job.door.base_path, disk, symlinks=True)

    def out_of_reach(*_: object, **__: object) -> Any:
        raise AssertionError("the far box was asked")

    for name in ("open_way", "open_place"):
        monkeypatch.setattr(f"otherroof.jobs.open_job.{name}", out_of_reach)
    job.forget_state()
    return disk, first, second


def test_newest_version_comes_back_from_the_disk(
    job: OneJob, verb: Verb, carried_home: tuple[Path, str, str], tmp_path: Path
) -> None:
    disk, _, second = carried_home
    told = verb("restore", JOB, "--from", str(disk), "--into", str(tmp_path / "back"))
    assert (told.code, told.err) == (0, "")
    assert second in told.out
    assert unlike(seen_by_find(job.folder), seen_by_find(tmp_path / "back")) == []


def test_earlier_version_and_a_part_come_back_from_a_disk_that_cannot_be_written(
    verb: Verb, carried_home: tuple[Path, str, str], tmp_path: Path
) -> None:
    disk, first, _ = carried_home
    before = sorted((str(path), path.lstat().st_mtime_ns) for path in disk.rglob("*"))
    argv = ("--from", str(disk), "--into", str(tmp_path / "back"), "--as-of", first, "letters")
    assert verb("restore", JOB, *argv).code == 0
    assert sorted(os.listdir(tmp_path / "back")) == ["letters"]
    assert (tmp_path / "back/letters/one.txt").read_text() == "one"
    assert sorted((str(path), path.lstat().st_mtime_ns) for path in disk.rglob("*")) == before


def test_versions_files_and_states_are_told_from_the_disk(verb: Verb, carried_home: tuple[Path, str, str]) -> None:
    disk, first, second = carried_home
    assert [row["run"] for row in verb("versions", JOB, "--from", str(disk), "--json").json["versions"]] == [
        second,
        first,
    ]
    assert len(verb("versions", JOB, "letters/one.txt", "--from", str(disk), "--json").json["states"]) == 2
    rows = verb("files", JOB, "letters", "--from", str(disk), "--json").json["entries"]
    assert sorted(row["path"] for row in rows) == ["letters/new.txt", "letters/one.txt"]
    assert verb("restore", JOB, "--from", str(disk), "--into", "/nowhere", "--dry").code == 0


def test_every_state_of_a_file_comes_back_from_the_disk(
    verb: Verb, carried_home: tuple[Path, str, str], tmp_path: Path
) -> None:
    disk, _, _ = carried_home
    argv = ("letters/one.txt", "--every-state", "--from", str(disk), "--into", str(tmp_path / "back"))
    assert verb("restore", JOB, *argv).code == 0
    assert sorted(path.read_text() for path in (tmp_path / "back").rglob("*.txt")) == ["one", "one, later"]


def test_damage_on_the_disk_is_told_and_is_no_damage_at_the_far_box(
    job: OneJob, verb: Verb, carried_home: tuple[Path, str, str], tmp_path: Path
) -> None:
    disk, _, _ = carried_home
    (disk / JOB / "latest/letters/new.txt").write_text("wen")
    told = verb("restore", JOB, "--from", str(disk), "--into", str(tmp_path / "back"))
    assert told.code == 5
    assert told.err.splitlines() == [
        "  damaged on the disk: letters/new.txt: its content is not what the listing says",
        "  1 file could not be restored; try an earlier version: "
        f"`otherroof versions papers --from {disk}`, then --as-of",
        "  over the line, if far box heron has a copy: "
        f"`otherroof restore papers --into {tmp_path}/back --if-there keep letters/new.txt`",
    ]
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.damages.of(JOB) == []


def test_file_that_the_disk_cannot_read_is_named_and_the_rest_comes_back(
    verb: Verb, carried_home: tuple[Path, str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One bad sector is no reason to leave all the others on the disk."""
    disk, _, _ = carried_home
    bad = (disk / JOB / "latest/letters/new.txt").stat().st_ino
    read = local_place._HANDLERS[requests.Read]

    def read_or_fail(base: bytes, op: requests.Read) -> bytes:
        if os.fstat(op.handle).st_ino == bad:
            raise OSError(errno.EIO, "Input/output error")
        return bytes(read(base, op))

    monkeypatch.setitem(local_place._HANDLERS, requests.Read, read_or_fail)
    told = verb("restore", JOB, "--from", str(disk), "--into", str(tmp_path / "back"))
    assert told.code == 5
    assert (
        "damaged on the disk: letters/new.txt: cannot be had: reading the file was refused (Input/output error)"
        in told.err
    )
    assert (tmp_path / "back/letters/one.txt").read_text() == "one, later"
    assert not (tmp_path / "back/letters/new.txt").exists()


def test_disk_that_is_unplugged_in_the_middle_ends_a_restore_in_one_line(
    verb: Verb, carried_home: tuple[Path, str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk, _, _ = carried_home

    def fail(*_: object) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setitem(local_place._HANDLERS, requests.Read, fail)
    monkeypatch.setattr(disk_place, "is_plugged_in", lambda _: False)
    told = verb("restore", JOB, "--from", str(disk), "--into", str(tmp_path / "back"))
    assert told.code == 1
    assert "the disk is gone or does not answer (Input/output error); plug it in" in told.one_line()


def test_disk_without_the_newest_run_that_is_known_says_so(
    verb: Verb, carried_home: tuple[Path, str, str], tmp_path: Path
) -> None:
    disk, _, second = carried_home
    newer = second[:-4] + "ffff" if second[-4:] != "ffff" else second[:4] + "9" + second[5:]
    argv = ("--from", str(disk), "--into", str(tmp_path / "back"), "--newest", newer)
    told = verb("restore", JOB, *argv)
    assert told.code == 1
    assert f"run {newer} counted, and it is not on this disk" in told.err


@pytest.mark.parametrize(
    ("folder", "why"),
    [
        ("nowhere", "is no folder here; is the disk plugged in and mounted?"),
        ("disk/papers", "has no copy of papers; it has"),
    ],
)
def test_folder_without_the_copy_is_refused_in_one_line(
    verb: Verb, carried_home: tuple[Path, str, str], tmp_path: Path, folder: str, why: str
) -> None:
    told = verb("restore", JOB, "--from", str(tmp_path / folder), "--into", str(tmp_path / "back"))
    assert told.code == 2
    assert why in told.one_line()
    assert not (tmp_path / "back").exists()


def test_pin_is_not_for_a_disk(verb: Verb, carried_home: tuple[Path, str, str]) -> None:
    disk, first, _ = carried_home
    told = verb("versions", JOB, "--from", str(disk), "--pin", first, "--why", "x")
    assert "a version is pinned at the far box, not on a disk" in told.one_line()


def line_that_brings(told: Told) -> list[str]:
    """The words of the one command that is offered for what the disk does not have."""
    (line,) = [line for line in told.err.splitlines() if "over the line" in line]
    return shlex.split(line.split("`")[1].removeprefix("otherroof "))


@pytest.fixture
def two(tmp_path: Path) -> Iterator[tuple[TwoBoxes, Path]]:
    """A folder with a copy at heron and one at wren, and heron's disk at home, on which one file is damaged."""
    with two_boxes(tmp_path) as house:
        house.put("summer.jpg", "a sea")
        house.put("winter.jpg", "some snow")
        for job in ("photos@heron", "photos@wren"):
            house.done(job)
        disk = tmp_path / "disk"
        shutil.copytree(house.doors["heron"].base_path, disk, symlinks=True)
        (disk / "photos/latest/winter.jpg").write_bytes(b"no longer")
        yield house, disk


def test_disk_is_asked_alone_and_the_command_that_it_names_brings_the_rest(
    two: tuple[TwoBoxes, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    house, disk = two
    verb = verb_of(house, capsys)  # type: ignore[arg-type]  # it only asks for the settings folder

    def asked(*_: object, **__: object) -> Any:
        raise AssertionError("a far box was asked")

    with monkeypatch.context() as patched:
        for name in ("open_way", "open_place"):
            patched.setattr(f"otherroof.jobs.open_job.{name}", asked)
        told = verb("restore", "photos@heron", "--from", str(disk), "--into", str(tmp_path / "back"))
    assert told.code == 5
    assert "if far box wren has a copy" in told.err
    assert os.listdir(tmp_path / "back") == ["summer.jpg"]
    told = verb(*line_that_brings(told))
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("photos@wren: 1 file (9 B) of the version of ")
    assert (tmp_path / "back/winter.jpg").read_text() == "some snow"


@pytest.mark.slow
def test_command_for_the_rest_replaces_what_was_to_be_replaced_and_keeps_to_the_version(
    two: tuple[TwoBoxes, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house, disk = two
    verb = verb_of(house, capsys)  # type: ignore[arg-type]
    (tmp_path / "back").mkdir()
    (tmp_path / "back/winter.jpg").write_text("of last year")
    run = verb("versions", "photos@heron", "--from", str(disk), "--json").json["versions"][0]["run"]
    argv = ("--as-of", run, "--if-there", "replace", "--from", str(disk), "--into", str(tmp_path / "back"))
    words = line_that_brings(verb("restore", "photos@heron", *argv))
    assert words[words.index("--if-there") + 1] == "replace"
    assert words[words.index("--as-of") + 1].endswith("Z"), "the run is heron's alone"
    words[words.index("--as-of") + 1] = "2101-01-01"  # wren's only version is younger by some seconds
    assert verb(*words).code == 0
    assert (tmp_path / "back/winter.jpg").read_text() == "some snow"


def damaged_commands(names: list[str], **more: Any) -> list[str]:
    """The commands that are offered for so many damaged files, on a terminal of 80 columns."""
    problems = [Problem(name, "no longer whole") for name in names]
    request = RestoreRequest(JOB, b"/home/kim/my files", disk=object(), **more)  # type: ignore[arg-type]
    header = SimpleNamespace(run="2031-03-05T013000Z-7f3a", taken="2031-03-05T01:30:00Z")
    found = RestoreReport(header, damaged=problems)  # type: ignore[arg-type]
    with patch.object(common, "_read_from", [INSTALLED]):
        (line,) = restore_verb._over_the_line(
            household({JOB: {}}, zone="UTC", far={"heron": {}}), found, request, "/home/kim/my files"
        )
    (command,) = [line for line in fold(f"  {line}", 80, later="  ").splitlines() if "sudo otherroof" in line]
    return shlex.split(command.split("`")[1])


NASTY = ['a  b/it\'s "here".txt', "how otherroof run works $HOME; *.txt", " blank at both ends ", "# no remark"]


def test_a_command_with_any_names_can_be_pasted_from_a_terminal() -> None:
    words = ["sudo", "otherroof", "restore", JOB, "--into", "/home/kim/my files", "--if-there", "keep"]
    assert damaged_commands(NASTY) == words + NASTY
    assert damaged_commands(["letters/`id`.txt"]) == words, "a command ends at a backtick"


def test_of_more_damaged_files_than_are_named_no_others_than_asked_for_come_over_the_line() -> None:
    many = [f"letters/{number}" for number in range(40)]
    assert damaged_commands(many, paths=(b"letters", b"notes of 2030"))[-2:] == ["letters", "notes of 2030"]
    assert damaged_commands(many, like=Like("*.txt"))[-2:] == ["--like", "*.txt"]
    assert damaged_commands(many)[-1] == "keep"


@pytest.mark.parametrize("moment", ["2031-03-05", "2031-03-05T12:00Z"])
def test_a_moment_is_asked_for_in_the_same_words_and_a_run_by_its_time(moment: str) -> None:
    assert damaged_commands(["a"], as_of=moment)[-3:] == ["--as-of", moment, "a"]
    for run in ("2031-03-05T013000Z-7f3a", "2031-03-05T0130"):
        assert damaged_commands(["a"], as_of=run)[-3:] == ["--as-of", "2031-03-05T01:30:00Z", "a"]
