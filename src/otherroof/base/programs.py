"""Runs the system's own programs: argv lists only, a time-out always, a clean environment, output kept short.

Port `Programs`, so that tests can hand in a recorder. It must not know what the programs are for.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import IO, Protocol

from otherroof.base.errors import TunnelTrouble

SEARCH_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
# Far more than `ip -json` prints on a machine with many interfaces.
MOST_OUTPUT = 256 * 1024
# For a program that was killed: it may still be stuck in the kernel, on a disk that does not answer.
END_S = 5.0

PACKAGES = {"ip": "iproute2", "wg": "wireguard-tools", "nft": "nftables", "ping": "iputils-ping"}


@dataclass(frozen=True, slots=True)
class ProgramResult:
    """How a program ended: its exit code, or minus the signal's number, and what it printed."""

    code: int
    out: str = ""
    err: str = ""

    @property
    def said(self) -> str:
        """The program's own words on one line, for a message."""
        return " ".join((self.err.strip() or self.out.strip() or f"exit code {self.code}").split())


class Programs(Protocol):
    """Runs programs.

    `run` returns how the program ended, whatever its exit code. It raises TunnelTrouble if the program is not
    there, cannot be started, or did not end within `timeout_s` seconds (it is ended then, with what it started).
    `find` answers the absolute path of a program, or "" if this machine has none.
    """

    def run(self, argv: Sequence[str], timeout_s: float) -> ProgramResult: ...

    def find(self, name: str) -> str: ...


class SystemPrograms:
    """The machine's own programs. A name without a slash is looked up in the administrator's usual folders."""

    def find(self, name: str) -> str:
        return shutil.which(name, path=SEARCH_PATH) or ""

    def run(self, argv: Sequence[str], timeout_s: float) -> ProgramResult:
        path = argv[0] if argv[0].startswith("/") else self.find(argv[0])
        if not path:
            advice = f"install it: `apt install {PACKAGES[argv[0]]}`" if argv[0] in PACKAGES else "install it"
            raise TunnelTrouble("is not on this machine", where=argv[0], advice=advice)
        # Into files, not pipes: a program that leaves a daemon behind would keep a pipe open for ever.
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            code = _run((path, *argv[1:]), timeout_s, out, err)
            return ProgramResult(code, _text(out), _text(err))


def _run(argv: Sequence[str], timeout_s: float, out: IO[bytes], err: IO[bytes]) -> int:
    try:
        child = subprocess.Popen(
            argv,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            # Always English: callers look for words in what a program says. A session of its own, so that all it starts
            # can be ended with it, and no terminal can be asked for a password.
            env={"PATH": SEARCH_PATH, "LC_ALL": "C"},
            start_new_session=True,
        )
    except OSError as problem:
        raise TunnelTrouble(f"cannot be run: {problem.strerror}", where=argv[0], advice="check the path") from problem
    try:
        return child.wait(timeout_s)
    except subprocess.TimeoutExpired as problem:
        raise TunnelTrouble(
            f"did not end within {timeout_s:g} s", where=" ".join(argv), advice="run it by hand and see why"
        ) from problem
    finally:
        # Not only after a time-out: an interrupt must leave no program behind either.
        if child.returncode is None:
            os.killpg(child.pid, signal.SIGKILL)
            child.wait(END_S)


def _text(file: IO[bytes]) -> str:
    file.seek(0)
    return file.read(MOST_OUTPUT).decode("utf-8", "replace")
