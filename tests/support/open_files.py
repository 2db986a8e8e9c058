"""Which files this process has not closed."""

from __future__ import annotations

import contextlib
import os


def open_below(folder: str | os.PathLike[str]) -> list[str]:
    """The files below `folder` that this process holds open."""
    found = []
    for number in os.listdir("/proc/self/fd"):
        with contextlib.suppress(FileNotFoundError):  # the descriptor that the listing itself took
            found.append(os.readlink(f"/proc/self/fd/{number}"))
    return sorted(path for path in found if path.startswith(f"{os.path.realpath(folder)}/"))
