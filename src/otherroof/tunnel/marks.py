"""Small files in the state folder that remember something across processes and crashes, but not across a restart
of the machine, when interfaces are gone too.

It must not know what is remembered.
"""

from __future__ import annotations

import os

from otherroof.base.atomic_file import FOR_OWNER, make_own_folder, replace_file
from otherroof.base.errors import HomeTrouble
from otherroof.base.handles import read_plain_file

BOOT_ID = "/proc/sys/kernel/random/boot_id"
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
        return read_plain_file(path).decode()
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as problem:
        raise _translated(problem, path) from problem


def write_text(path: str, text: str) -> None:
    """Put `text` at `path`, durably, for the account that the folder belongs to, even if root does it: a run by hand
    and the service share these files. Raises HomeTrouble."""
    make_own_folder(os.path.dirname(path), advice=ADVICE)
    replace_file(path, text, FOR_OWNER, advice=ADVICE, own=True)


def remove(path: str) -> None:
    """Take `path` away; it may be away already. Raises HomeTrouble."""
    try:
        os.unlink(path)
    except FileNotFoundError:
        return
    except OSError as problem:
        raise _translated(problem, path) from problem


class MadeMark:
    """Whether something was made by us since the machine started. Set before the thing is made, cleared after it
    is gone, so that what a crash left half made is known as ours."""

    def __init__(self, path: str) -> None:
        self._path = path

    def is_set(self) -> bool:
        """Whether the mark was set since the machine started."""
        # Compared with this start's number, not only asked for: a mark from before the restart names an interface that
        # is gone. A kernel that tells no number has to do with a plain word.
        return read_text(self._path).strip() == (boot_id() or "set")

    def set(self) -> None:
        """Set it, durably. Raises HomeTrouble."""
        write_text(self._path, boot_id() or "set")

    def clear(self) -> None:
        """Take it away; it may be away already. Raises HomeTrouble."""
        remove(self._path)


def _translated(problem: Exception, path: str) -> HomeTrouble:
    return HomeTrouble(f"cannot be used: {problem}", where=path, advice=ADVICE)
