"""OpenSSH's own sftp-server, watched by strace while runs go on: what it syncs, and before which names are given.

Invariants 1 and 2 at the far box itself: fsync(2) of content and listing comes before the rename that lets a run count.
"""

from __future__ import annotations

import os
import re
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from otherroof.copying.compare.change import LARGE
from support.lab import FarSshd, ServerOptions
from support.lab.need import program, require_programs, require_sshd
from support.main_job import OneJob, level_way

pytestmark = pytest.mark.lab

# `link` and `unlink` are what OpenSSH's server makes of a rename of a file; libc may ask for either form.
WATCHED = "fsync,fdatasync,link,linkat,unlink,unlinkat,rename,renameat,renameat2"
ATTACH_S = 20.0
_FIRST = re.compile(r"^(\d+) +(\w+)\((.*)$")
_RESUMED = re.compile(r"^(\d+) +<\.\.\. (\w+) resumed>(.*)$")
_FD = re.compile(r"^\d+<([^>]*)>")
_TEXT = re.compile(r'"((?:[^"\\]|\\.)*)"')


@dataclass(frozen=True)
class Call:
    """A system call that went well. `begun` and `ended` are line numbers: calls of several processes overlap."""

    name: str
    paths: tuple[str, ...]
    begun: int
    ended: int


def calls_in(text: str) -> list[Call]:
    """The calls of all processes, in the order of their beginnings."""
    open_calls: dict[str, tuple[str, str, int]] = {}
    found: list[Call] = []
    for number, line in enumerate(text.splitlines()):
        if resumed := _RESUMED.match(line):
            pid, name, rest = resumed.groups()
            _, given, begun = open_calls.pop(pid)
        elif first := _FIRST.match(line):
            pid, name, given = first.groups()
            begun, rest = number, given
            if given.endswith("<unfinished ...>"):
                open_calls[pid] = name, given, number
                continue
        else:
            continue
        if rest.rstrip().endswith("= 0"):
            fd = _FD.match(given)
            found.append(Call(name, (fd.group(1),) if fd else tuple(_TEXT.findall(given)), begun, number))
    return sorted(found, key=lambda call: call.begun)


def test_overlapping_calls_are_told_apart() -> None:
    """What the test below leans on."""
    text = '7 fsync(4</far/a>) = 0\n8 fsync(5</far/b> <unfinished ...>\n7 link("/far/a", "/far/c") = 0\n'
    text += '8 <... fsync resumed>)            = 0\n7 unlink("/far/gone") = -1 ENOENT (No such file)\n'
    assert calls_in(text) == [
        Call("fsync", ("/far/a",), 0, 0),
        Call("fsync", ("/far/b",), 1, 3),
        Call("link", ("/far/a", "/far/c"), 2, 2),
    ]


@contextmanager
def watched(pid: int, told: Path) -> Iterator[None]:
    """strace follows that process and all it starts, while inside. Skips the test where tracing is not allowed."""
    argv = [program("strace"), "-f", "-y", "-s", "4096", "-e", f"trace={WATCHED}", "-o", str(told), "-p", str(pid)]
    with subprocess.Popen(argv, stderr=subprocess.PIPE, text=True) as strace:
        assert strace.stderr is not None
        said = strace.stderr.readline()
        if "attached" not in said:
            strace.wait(ATTACH_S)
            why = f"strace may not trace here: {said.strip()}"
            if os.environ.get("CI") == "true":
                pytest.fail(why)
            pytest.skip(why)
        try:
            yield
        finally:
            strace.terminate()  # it lets go of what it follows, and writes down the rest
            strace.wait(ATTACH_S)


@pytest.fixture
def watched_job(tmp_path: Path) -> Iterator[tuple[OneJob, FarSshd]]:
    require_sshd()
    require_programs("strace")
    with FarSshd(options=ServerOptions(external=True)) as sshd, level_way():
        yield OneJob(tmp_path, sshd, far_more={"connections": 2}), sshd


def run_watched(job: OneJob, sshd: FarSshd, told: Path) -> tuple[str, list[Call]]:
    with watched(sshd.pid, told):
        run = job.done().run
        time.sleep(0.2)  # the last sessions end by themselves
    return run, calls_in(told.read_text(encoding="utf-8", errors="backslashreplace"))


def names_given(calls: list[Call], end: str) -> Call:
    """The call that gave a file the name with this end."""
    return next(call for call in calls if call.name.startswith(("link", "rename")) and call.paths[-1].endswith(end))


def synced(calls: list[Call], end: str) -> list[Call]:
    return [call for call in calls if call.name in ("fsync", "fdatasync") and call.paths[0].endswith(end)]


def test_content_and_listing_are_synced_before_a_run_counts(
    watched_job: tuple[OneJob, FarSshd], tmp_path: Path
) -> None:
    job, sshd = watched_job
    for number in range(12):
        job.put(f"folder {number % 3}/{number}", b"first" * (number + 1))
    job.put("film", os.urandom(2 * LARGE))
    first, calls = run_watched(job, sshd, tmp_path / "first")
    counts_at = judge(calls, first, [f"latest/folder {number % 3}/{number}" for number in range(12)])
    film = names_given(calls, "latest/film")
    assert [call for call in synced(calls, ".part") if call.ended < film.begun], "a large file before it gets its name"
    assert film.ended < counts_at

    for number in range(6):
        job.put(f"folder {number % 3}/{number}", b"second" * (number + 2))
    job.path("folder 0/9").unlink()
    second, calls = run_watched(job, sshd, tmp_path / "second")
    judge(calls, second, [f"latest/folder {number % 3}/{number}" for number in range(6)])
    for gone in [*(f"folder {number % 3}/{number}" for number in range(6)), "folder 0/9"]:
        kept = synced(calls, f"earlier/{second}/{gone}")
        went = next(
            call for call in calls if call.name.startswith("unlink") and call.paths[-1].endswith(f"latest/{gone}")
        )
        assert kept, gone
        assert min(call.ended for call in kept) < went.begun, f"{gone} went before it was kept durably"
    job.all_come_back()


def judge(calls: list[Call], run: str, brought: list[str]) -> int:
    """What must have been synced before this run's listing got its name; answers the line of that moment."""
    listing = f"{run}.jsonl.gz"
    counts = names_given(calls, f"runs/{listing}")
    before = [call for call in synced(calls, f"incoming/{listing}") if call.ended < counts.begun]
    assert before, "the listing's content"
    assert [call for call in synced(calls, f"runs/{listing}") if call.begun > counts.ended], "and its name"
    for path in brought:
        named = names_given(calls, path)
        durable = [call for call in synced(calls, path) if named.ended < call.begun and call.ended < counts.begun]
        assert durable, f"{path} was not synced under its name before the run counted"
    return counts.begun
