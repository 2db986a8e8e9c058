"""Small files in the state folder that remember something across processes and crashes, but not across a restart
of the machine, when interfaces are gone too.

It must not know what is remembered.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import time
from collections.abc import Iterator

from otherroof.base.atomic_file import FOR_OWNER, make_folder, replace_file
from otherroof.base.errors import Busy, HomeTrouble

BOOT_ID = "/proc/sys/kernel/random/boot_id"
LOCK_WAIT_S = 10.0
LOCK_STEP_S = 0.02
ADVICE = "check that the state folder can be written by this account and that its disk is not full"


def boot_id() -> str:
    """What the kernel calls this start of the machine; empty if it does not tell."""
    try:
        with open(BOOT_ID, encoding="ascii") as file:
            return file.read().strip()
    except OSError:
        return ""


def read_text(path: str) -> str:
    """What `path` holds; empty if it is not there. Raises HomeTrouble."""
    try:
        with open(path, encoding="utf-8") as file:
            return file.read()
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as problem:
        raise _translated(problem, path) from problem


@contextlib.contextmanager
def locked(path: str) -> Iterator[None]:
    """Alone on this machine while inside; also against other threads. Raises Busy after LOCK_WAIT_S seconds."""
    make_folder(os.path.dirname(path), advice=ADVICE)
    try:
        file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as problem:
        raise _translated(problem, path) from problem
    try:
        until = time.monotonic() + LOCK_WAIT_S
        while not _taken(file):
            if time.monotonic() > until:
                raise Busy("is held by another process", where=path, advice="`fuser` on that file names it")
            time.sleep(LOCK_STEP_S)
        yield
    finally:
        os.close(file)


def _taken(file: int) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


class MadeMark:
    """Whether something was made by us since the machine started. Set before the thing is made, cleared after it
    is gone, so that what a crash left half made is known as ours."""

    def __init__(self, path: str) -> None:
        self._path = path

    def is_set(self) -> bool:
        """Whether the mark was set since the machine started."""
        return read_text(self._path).strip() == (boot_id() or "set")

    def set(self) -> None:
        """Set it, durably. Raises HomeTrouble."""
        make_folder(os.path.dirname(self._path), advice=ADVICE)
        replace_file(self._path, boot_id() or "set", FOR_OWNER, advice=ADVICE)

    def clear(self) -> None:
        """Take it away; it may be away already."""
        try:
            os.unlink(self._path)
        except FileNotFoundError:
            return
        except OSError as problem:
            raise _translated(problem, self._path) from problem


def _translated(problem: Exception, path: str) -> HomeTrouble:
    return HomeTrouble(f"cannot be used: {problem}", where=path, advice=ADVICE)
