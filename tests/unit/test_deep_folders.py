"""Folders far deeper than the interpreter lets calls be: copied, moved aside and restored like any others.

What is too deep for the far box, whose SFTP server takes no longer paths than its kernel, is told and left out.
"""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.far.local.place import LocalPlace
from otherroof.far.place import run_script
from otherroof.layouts.open import steps
from otherroof.layouts.open.aside import move_aside
from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.sftp_session import SftpSession
from support.main_job import OneJob, one_job

DEPTH = 1020  # levels, more than Python calls itself; names of one letter make 2,040 bytes, and Linux takes 4,096
# What is asked of a far box costs as many steps as the path has levels, and there are as many paths as levels: with the
# interpreter's limit set lower than usual, fewer levels are too many for what calls itself.
LIMIT, LEVELS, HALF_WAY = 500, 520, 350
LONG = "a name of fifty letters, with which paths grow long"
LONG_LEVELS, TOO_LONG = 60, 90  # of such names; 90 make 4,600 bytes


def go_down(top: Path, depth: int, name: str = "d") -> Iterator[int]:
    """A handle on each level down from `top`, which is made if it is missing; the last one is the deepest."""
    handle = os.open(top, os.O_RDONLY)
    try:
        for _ in range(depth):
            with suppress(FileExistsError):
                os.mkdir(name, dir_fd=handle)
            below = os.open(name, os.O_RDONLY, dir_fd=handle)
            os.close(handle)
            handle = below
            yield handle
    finally:
        os.close(handle)


def put(top: Path, depth: int, name: str, content: bytes, folder: str = "d") -> None:
    """A file `depth` levels down."""
    for level, handle in enumerate(go_down(top, depth, folder), start=1):
        if level == depth:
            file = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, dir_fd=handle)
            os.write(file, content)
            os.close(file)


def read(top: Path, depth: int, name: str, folder: str = "d") -> bytes | None:
    """That file's content; None if it is not there."""
    handle = os.open(top, os.O_RDONLY)
    try:
        for _ in range(depth):
            below = os.open(folder, os.O_RDONLY, dir_fd=handle)
            os.close(handle)
            handle = below
        file = os.open(name, os.O_RDONLY, dir_fd=handle)
    except FileNotFoundError:
        return None
    finally:
        os.close(handle)
    try:
        return os.read(file, 1000)
    finally:
        os.close(file)


def take_away(top: Path) -> None:
    """Remove a tree that is too deep for `shutil.rmtree`: each folder is emptied and hung up at the top."""
    waiting, count = [str(top)], 0
    emptied = []
    while waiting:
        folder = waiting.pop()
        emptied.append(folder)
        for name in os.listdir(folder):
            path = os.path.join(folder, name)
            if stat.S_ISDIR(os.lstat(path).st_mode):
                count += 1
                os.rename(path, f"{top}.{count}")
                waiting.append(f"{top}.{count}")
            else:
                os.unlink(path)
    for folder in emptied:
        os.rmdir(folder)


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    # The household remembers its folder by path, which is longer than the kernel takes here.
    with one_job(tmp_path) as made, patch("support.main_job.read_tree", lambda _: {}):
        try:
            yield made
        finally:
            for top in (made.folder, made.far, tmp_path / "restored"):
                if top.exists():
                    take_away(top)


def run(job: OneJob) -> tuple[str, list[str]]:
    """One run; its id, and the reasons of its problems."""
    ran = job.run()
    assert ran.error is None, ran.error
    return ran.report.run, [problem.why for problem in ran.report.problems]


@pytest.fixture
def few_calls() -> Iterator[None]:
    usual = sys.getrecursionlimit()
    sys.setrecursionlimit(LIMIT)
    try:
        yield
    finally:
        sys.setrecursionlimit(usual)


@pytest.mark.slow
@pytest.mark.lasts(20)
def test_tree_deeper_than_calls_may_go_is_copied_moved_aside_and_restored(job: OneJob, few_calls: None) -> None:
    put(job.folder, LEVELS, "deepest", b"first")
    put(job.folder, HALF_WAY, "half way", b"stays")
    first, problems = run(job)
    assert problems == []
    assert read(job.latest, LEVELS, "deepest") == b"first"

    put(job.folder, LEVELS, "deepest", b"second")
    second, problems = run(job)
    assert problems == []
    assert read(job.earlier(second), LEVELS, "deepest") == b"first", "as many folders were made to move it into"

    found, back = job.restore(first)
    assert (found.damaged, found.problems) == ([], [])
    assert read(back, LEVELS, "deepest") == b"first"
    assert read(back, HALF_WAY, "half way") == b"stays"
    assert found.folders == LEVELS


def test_folders_above_are_made_and_moved_aside_by_no_call_for_each_level(tmp_path: Path) -> None:
    top = tmp_path / "far"
    top.mkdir()
    place = LocalPlace(os.fsencode(top))
    path = b"/".join([b"d"] * DEPTH)
    run_script(place, steps.make_folder(b"latest/" + path))
    run_script(place, steps.make_folder(b"earlier/" + path))
    # Every name is taken, so that the contents are moved one by one.
    put(top / "latest", DEPTH, "file", b"content")
    run_script(place, move_aside(place.offers, b"latest/d", b"earlier/d"))
    assert read(top / "earlier", DEPTH, "file") == b"content"
    assert not (top / "latest" / "d").exists()
    take_away(top)


def test_what_is_too_deep_for_the_far_box_is_told_and_the_rest_is_copied(job: OneJob) -> None:
    real = SftpSession.answer

    def as_openssh_does(session: SftpSession, packet: bytes) -> bytes:
        """The stand-in goes down by handles; OpenSSH hands the path to the kernel."""
        if packet[0] not in (words.INIT, words.WRITE) and len(packet) > 4096:
            return words.framed_status(int.from_bytes(packet[1:5], "big"), words.BAD_MESSAGE)
        return real(session, packet)

    put(job.folder, TOO_LONG, "deepest", b"too deep", LONG)
    put(job.folder, LONG_LEVELS, "deep", b"deep", LONG)
    with patch.object(SftpSession, "answer", as_openssh_does):
        version, problems = run(job)
        again, problems_again = run(job)
        assert len(problems) > 5
        assert len(problems_again) == len(problems), "told each time, and it ended no run"
        for one in (version, again):
            found, back = job.restore(one)
            assert found.damaged == []
            assert read(back, LONG_LEVELS, "deep", LONG) == b"deep"
            assert read(back, TOO_LONG, "deepest", LONG) is None
