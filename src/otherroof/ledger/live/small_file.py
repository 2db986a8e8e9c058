"""Small files that are worth nothing after a power cut: written aside and renamed, but not synced.

A sync every other second would keep a disk at home busy for as long as a first copy lasts. It must not know what the
files mean.
"""

from __future__ import annotations

import os

from otherroof.base.errors import HomeTrouble
from otherroof.base.handles import open_plain_file, require_plain

MOST = 64 * 1024
# No link is followed, and no pipe waited for: whoever has the service's account may put one there.
_WARY = os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
# What the reading of such a text may meet, if nobody of ours wrote it.
NOT_OURS = (ValueError, TypeError, LookupError, AttributeError, OverflowError, RecursionError)
ADVICE = "check that the state folder belongs to this account and that its disk is not full"


def write_small(path: str, text: str) -> None:
    """Put `text` at `path`, in place of what stands there. One process at a time may do so. Raises HomeTrouble."""
    spare = f"{path}.new"  # always the same name: what a killed process left is written over
    try:
        with os.fdopen(os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | _WARY, 0o600), "wb") as file:
            require_plain(file.fileno())
            file.write(text.encode("utf-8", "backslashreplace"))
        os.rename(spare, path)
    except OSError as problem:
        raise HomeTrouble(f"cannot be written: {problem.strerror}", where=path, advice=ADVICE) from problem


def read_small(path: str) -> bytes | None:
    """What stands at `path`, None if nothing does; of a larger file its beginning. Raises HomeTrouble."""
    try:
        with open_plain_file(path, links=False) as file:
            return file.read(MOST)
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise HomeTrouble(f"cannot be read: {problem.strerror}", where=path, advice=ADVICE) from problem


def remove_small(path: str) -> bool:
    """Remove `path`; False if nothing stood there. Raises HomeTrouble."""
    try:
        os.unlink(path)
    except FileNotFoundError:
        return False
    except OSError as problem:
        raise HomeTrouble(f"cannot be removed: {problem.strerror}", where=path, advice=ADVICE) from problem
    return True
