"""What the verbs that find, bring back and prove say on a terminal of 80 columns, kept as text: one invented job over
the stand-in far box, on an invented calendar.

Made anew together with the others, by `PYTHONPATH=tests python -m support.screens`.
"""

from __future__ import annotations

import io
import itertools
import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

import pytest

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.cli.main import main
from support.main_job import JOB, OneJob, one_job
from support.thinned_household import ALIKE, START

COLUMNS = 80
# As long as what stands in its place, so that lines break as they would.
_PLACE = "/srv/household"
_DAY = 86_400
_STYLE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
# The keys are others each time, so what is packed is a little longer or shorter.
_WIRE = re.compile(r"[\d.]+ kB up and [\d.]+ kB down on the wire")
_RECEIVED = re.compile(r"\d{3} kB(?=\sreceived)")
_FINGERPRINT = re.compile(r"SHA256:([A-Za-z0-9+/]+)")
_FAR_DISK = re.compile(r"(?<=\d kB )of [\d.]+ [kMGT]B$", re.MULTILINE)  # the one of this machine
# What each screen is called, and the words that a person types for it, in this order.
ASKED: dict[str, tuple[str, ...]] = {
    "check": ("check",),
    "versions": ("versions", JOB),
    "versions-of-a-file": ("versions", JOB, "letters/to-kim.txt"),
    "files": ("files", JOB),
    "files-like": ("files", JOB, "letters", "--like", "*.txt"),
    "changes": ("changes", JOB),
    "restore-dry": ("restore", JOB, "--dry", "--into", "back"),
    "restore": ("restore", JOB, "--into", "back"),
    "restore-every-state": ("restore", JOB, "letters/to-kim.txt", "--into", "old", "--every-state"),
    "prove": ("prove", JOB, "--all"),
    "drill": ("drill", JOB),
    "thin": ("thin", JOB),
    "plan": ("plan", JOB, "--up", "20"),
    "sheet": ("sheet",),
    "ledger-of-a-job": ("ledger", JOB),
    "stop": ("stop", JOB),
    "release": ("release", JOB),
    "quiet": ("quiet",),
    "run": ("run", JOB),
    "run-dry": ("run", JOB, "--dry"),
    "wrong-job": ("versions", "paperz"),
    "wrong-path": ("versions", JOB, "letters/to-kin.txt"),
    "wrong-time": ("files", JOB, "--as-of", "yesterday"),
    "damaged": ("prove", JOB, "--all"),
}


class Terminal(io.StringIO):
    """A screen that says so."""

    def isatty(self) -> bool:
        return True

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return "utf-8"


def made() -> dict[str, str]:
    """File name in `screens/` → what is typed, what is said, and the exit code."""
    with _household() as job:
        return {f"deed-{name}.txt": _said(job, name, argv) for name, argv in ASKED.items()}


@contextmanager
def _household() -> Iterator[OneJob]:
    clock = SteppedClock(START)
    kept = {"versions": {"at_least": 1, "spacing": {"1 day": "every run", "1 year": "one a year"}}}
    with ExitStack() as stack:
        where = Path(stack.enter_context(tempfile.TemporaryDirectory(dir="/tmp", prefix="o")))
        assert len(str(where)) == len(_PLACE)
        for name in ("now", "monotonic", "sleep"):
            stack.enter_context(patch.object(SystemClock, name, _of(clock, name)))
        stack.enter_context(patch("otherroof.far.trial_file.clock_offset", lambda *_: ALIKE))
        numbers = itertools.count(0x7F3A)
        ends = SimpleNamespace(token_hex=lambda _: f"{next(numbers):04x}")
        stack.enter_context(patch("otherroof.far_copy.run_ids.secrets", ends))
        stack.enter_context(patch.dict(os.environ, COLUMNS=str(COLUMNS), LINES="24", TERM="xterm", NO_COLOR="1"))
        job = stack.enter_context(one_job(where, job_more=kept, clock=clock))
        stack.callback(os.chdir, os.getcwd())
        os.chdir(where)
        _live(job, clock)
        yield job


def _live(job: OneJob, clock: SteppedClock) -> None:
    """Four days: letters are written again, a photo is moved, one goes."""

    def put(name: str, content: bytes) -> None:
        at = clock.now().timestamp() - 3600
        os.utime(job.put(name, content), (at, at))

    put("letters/to-kim.txt", b"Dear Kim,\n")
    put("letters/old/to-robin.txt", b"Dear Robin,\n" * 40)
    put("photos/2031/beach.jpg", bytes(range(256)) * 300)
    put("photos/2031/dunes.jpg", b"dunes" * 9_000)
    job.done()
    clock.step(_DAY)
    put("letters/to-kim.txt", b"Dear Kim,\nhow are you?\n")
    job.done()
    clock.step(_DAY)
    (job.folder / "photos" / "coast").mkdir()
    os.rename(job.path("photos/2031/beach.jpg"), job.path("photos/coast/beach.jpg"))
    job.done()
    clock.step(_DAY)
    os.unlink(job.path("photos/2031/dunes.jpg"))
    put("letters/to-kim.txt", b"Dear Kim,\nhow are you? All well here.\n")
    job.done()
    clock.step(3600 * 9)


def _of(clock: SteppedClock, name: str) -> Callable[..., Any]:
    """A method of every clock that asks this one."""
    return lambda _, *seconds: getattr(clock, name)(*seconds)


def _said(job: OneJob, name: str, argv: tuple[str, ...]) -> str:
    if name == "damaged":
        (job.latest / "letters" / "to-kim.txt").write_bytes(b"Dear Kin,\n")
    out, err = Terminal(), Terminal()
    # How a deed gets on is drawn there too, which has tests of its own.
    with (
        patch("rich.live.Live", lambda **_: nullcontext()),
        patch.object(sys, "stdout", out),
        patch.object(sys, "stderr", err),
        pytest.raises(SystemExit) as left,
    ):
        main([*argv, "--config", job.config])
    said = f"$ otherroof {' '.join(argv)}\n{_plain(job, out)}"
    problems = _plain(job, err)
    return f"{said}{'-- errors' + chr(10) + problems if problems else ''}-- left with {int(left.value.code or 0)}\n"


def _plain(job: OneJob, screen: io.StringIO) -> str:
    """What stands there, with what is another on every machine replaced by something as long."""
    text = _STYLE.sub("", screen.getvalue()).replace(str(job.where), _PLACE)
    text = text.replace(f"port {job.door.port}", "port " + "N" * len(str(job.door.port)))
    text = _FINGERPRINT.sub(lambda found: "SHA256:" + "x" * len(found[1]), text)
    text = _WIRE.sub("5.00 kB up and 11.0 kB down on the wire", text)
    text = _RECEIVED.sub("230 kB", text)
    text = _FAR_DISK.sub("of 2.00 TB", text)
    return "".join(f"{line.rstrip()}\n" for line in text.splitlines())
