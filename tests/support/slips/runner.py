"""Runs the tests that fit a slip, in a copy of the tree, and tells whether any of them notices it.

Each run is a child of this process, which has imported what takes long and is not the product's: a slip that is noticed
at the first test costs a second. The copy lies in a temporary folder; the tree itself is never written to.
"""

from __future__ import annotations

import importlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from support.slips.slip import Slip

OURS = Path("src") / "otherroof"
COPIED = ("src", "tests", "jobs", "examples", "systemd", "pyproject.toml", "README.md", "DEVELOPERS.md")
IMPORTED = (
    *(
        "pytest",
        "hypothesis",
        "paramiko",
        "pydantic",
        "cryptography.hazmat.primitives.asymmetric.ed25519",
        "rich.table",
    ),
    *("apscheduler.schedulers.background", "jinja2", "typer", "pyfastcdc", "sqlite3", "aiosmtpd.controller"),
)
PYTEST = ("-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-m", "not lab", "--tb=line")
# It was imported before, and its assertions are not of interest.
PYTEST += ("-W", "ignore::pytest.PytestAssertRewriteWarning")
PASSED = 0  # pytest's exit code
NOT_FOUND = "ERROR: not found: "
TIMED_OUT = "(time-out)"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a slip. `noticed_by`: the test that failed first, "(time-out)", or "" for a survivor."""

    slip: Slip
    line: int
    noticed_by: str
    seconds: float
    tests: int


class NothingTried(Exception):
    """The tests could not be run at all, or one fails without any slip."""


class Copy:
    """A copy of the tree in which one module at a time is changed."""

    def __init__(self, tree: Path, where: Path) -> None:
        self.where = where
        self.unsound: set[str] = set()  # tests that fail without any slip
        self._sound: set[str] = set()
        self._made = int(time.time()) - 1_000_000
        for name in COPIED:
            if (tree / name).is_dir():
                shutil.copytree(tree / name, where / name, symlinks=True, ignore=shutil.ignore_patterns("__pycache__"))
            elif (tree / name).exists():
                shutil.copy2(tree / name, where / name)

    def is_sound(self, test: str, most_s: float) -> bool:
        """Whether a test passes without any slip."""
        if test not in self._sound | self.unsound:
            failed = run_tests(self, [test], most_s)
            (self.unsound if failed else self._sound).add(test)
        return test in self._sound

    def text_of(self, module: str) -> str:
        return (self.where / OURS / module).read_text(encoding="utf-8")

    @contextmanager
    def with_slip(self, slip: Slip) -> Iterator[None]:
        """While inside, the copy has the slip."""
        path = self.where / OURS / slip.module
        old = path.read_text(encoding="utf-8")
        self._write(path, slip.made_in(old))
        try:
            yield
        finally:
            self._write(path, old)

    def _write(self, path: Path, text: str) -> None:
        path.write_text(text, encoding="utf-8")
        # Compiled files are told from old ones by time and size alone, and a slip may change neither.
        self._made += 10
        os.utime(path, (self._made, self._made))


def run_tests(copy: Copy, tests: Sequence[str], most_s: float) -> str:
    """The name of the first test that fails, "(time-out)", or "" if all pass."""
    with _scratch(copy.where) as scratch:
        told = Path(scratch) / "told"
        child = os.fork()
        if child == 0:
            _be_pytest(copy, [*PYTEST, f"--basetemp={scratch}/tests", *tests], told)
        code = _wait(child, most_s)
        if code is None:
            return TIMED_OUT
        text = told.read_text(encoding="utf-8", errors="replace")
        if code == PASSED:
            return ""
        failed = [line for line in text.splitlines() if line.startswith(("FAILED tests/", "ERROR tests/"))]
        gone = {line.rpartition("/tests/")[2] for line in text.splitlines() if line.startswith(NOT_FOUND)}
        if gone:
            left = list(dict.fromkeys(one for test in tests for one in _by_other_names(test, gone)))
            return run_tests(copy, left, most_s) if left else ""
        # A module that cannot even be imported ends pytest before any test (code 2 to 4): that is noticed as well.
        if not failed:
            raise NothingTried(f"pytest ended with {code}: {text[-600:]}")
        return failed[0].split(" - ")[0].split(" ", 1)[1]


@contextmanager
def _scratch(above: Path) -> Iterator[str]:
    scratch = tempfile.mkdtemp(prefix="slip-", dir=above)
    try:
        yield scratch
    finally:
        remove_all(scratch)


def remove_all(folder: str) -> None:
    """Remove a folder and all in it, also what a test that failed left thousands of folders deep."""
    subprocess.run(["rm", "-rf", folder], check=False)


def _by_other_names(test: str, gone: set[str]) -> list[str]:
    """A test that is not found may have a constant of the product in its name, which the slip changes: then all of its
    kind are run. One that has another name altogether by now is left out."""
    kind, bracket, _ = test.partition("[")
    if kind.removeprefix("tests/") not in gone:
        return [test]
    return [kind] if bracket else []


def _be_pytest(copy: Copy, words: list[str], told: Path) -> None:
    """In the child: never returns."""
    try:
        os.setsid()
        os.chdir(copy.where)
        out = os.open(told, os.O_WRONLY | os.O_CREAT, 0o600)
        for handle in (1, 2):
            os.dup2(out, handle)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.environ |= {"OTHERROOF_QUICK": "1", "PYTHONPATH": f"{copy.where}/src:{copy.where}/tests"}
        # What is compiled once is there for the next slip, in the copy.
        sys.dont_write_bytecode, sys.pycache_prefix = False, f"{copy.where}/compiled"
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        sys.path[:0] = [f"{copy.where}/src", f"{copy.where}/tests"]
        for name in [name for name in sys.modules if name.split(".")[0] in ("otherroof", "support")]:
            del sys.modules[name]
        import pytest
        from hypothesis import Phase, settings

        # What is drawn is the same each time, and nobody waits for the smallest example that fails. Profiles that the
        # tests make are made of this one.
        settings.register_profile("slips", phases=(Phase.explicit, Phase.generate), derandomize=True, database=None)
        settings.load_profile("slips")
        code = int(pytest.main(words))
        sys.stdout.flush()
    except BaseException as problem:  # noqa: BLE001 - told to the parent, since this process ends here
        os.write(2, f"{type(problem).__name__}: {problem}".encode())
        code = 99
    os._exit(code)


def _wait(child: int, most_s: float) -> int | None:
    """The child's exit code; None if it had to be ended."""
    until = time.monotonic() + most_s
    ended = 0
    while not ended and time.monotonic() < until:
        ended, status = os.waitpid(child, os.WNOHANG)
        if not ended:
            time.sleep(0.02)
    # Whatever it has started belongs to its group; alone the first would be gone already.
    with suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    if not ended:
        os.waitpid(child, 0)
        return None
    return os.waitstatus_to_exitcode(status)


def import_ahead() -> None:
    """What tests import that is not the product's, once for all children."""
    for name in IMPORTED:
        importlib.import_module(name)


def note_who_calls(tree: Path, folder: Path, words: list[str]) -> None:
    """Run the tests once with `who_calls`. Raises CalledProcessError if one fails: no slip could be told then."""
    environment = os.environ | {"OTHERROOF_WHO_CALLS": str(folder), "OTHERROOF_QUICK": "1", "PYTHONPATH": "src:tests"}
    argv = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "support.slips.who_calls"]
    argv += ["--ignore=tests/lab", "-m", "not lab", *words]
    subprocess.run(argv, cwd=tree, env=environment, check=True)
