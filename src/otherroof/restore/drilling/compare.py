"""Holds what a drill restored against the listing, read anew from this disk, and against the files at home.

A file that was changed or removed at home since the run is no damage: only one that looks as it did then, and has
other content, is told. It knows neither the far box nor how the files came back.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from otherroof.copying.home.read import ChangedWhileRead, SourceFolder, Unreadable
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import Entry, path_text
from otherroof.restore.local_file import digest_of_handle

OTHER_AT_HOME = (
    "came back as it was copied, but the file at home has other content now, though its size and time are as they "
    "were: look at both"
)


@dataclass(slots=True)
class DrillComparison:
    """What came of it. `wrong` are restored files that are not what the listing says; `odd` are those that differ from
    home's file without a reason. The counts are of files that were also at home."""

    wrong: list[Problem] = field(default_factory=list)
    odd: list[Problem] = field(default_factory=list)
    same_at_home: int = 0
    changed_at_home: int = 0
    gone_at_home: int = 0


def compare_restored(
    entries: Iterable[Entry], restored: SourceFolder, home: SourceFolder | None, tick: Callable[[], None]
) -> DrillComparison:
    """Compare every file and link of `entries` that lies in `restored`; one that did not come back is not told of.

    `home` is None if there is no such folder any more.
    """
    found = DrillComparison()
    for entry in entries:
        if entry.kind == "folder":
            continue
        tick()
        why = _unlike_listing(entry, restored)
        if why is None:
            continue
        if why:
            found.wrong.append(Problem(path_text(entry.path), why))
        elif home is not None and entry.kind == "file":
            _hold_against_home(entry, home, found)
    return found


def _unlike_listing(entry: Entry, restored: SourceFolder) -> str | None:
    """How the restored file differs from the listing; empty if it does not, None if it is not there."""
    path = os.path.join(restored.root, entry.path)
    try:
        seen = os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    if entry.kind == "link":
        alike = stat.S_ISLNK(seen.st_mode) and os.readlink(path) == entry.target
        return "" if alike else "came back, but is not the link that the listing names"
    if not stat.S_ISREG(seen.st_mode) or seen.st_size != entry.size:
        return "came back, but has another size on this disk than the listing says"
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    except OSError as problem:
        return f"came back, but cannot be read on this disk: {problem.strerror}"
    try:
        return "" if digest_of_handle(handle) == entry.digest else "came back, but has other content on this disk"
    except OSError as problem:
        return f"came back, but cannot be read on this disk: {problem.strerror}"
    finally:
        os.close(handle)


def _hold_against_home(entry: Entry, home: SourceFolder, found: DrillComparison) -> None:
    try:
        _, now, _ = home.digest(entry.path)
    except ChangedWhileRead:
        found.changed_at_home += 1
        return
    except Unreadable:
        found.gone_at_home += 1
        return
    if now.digest == entry.digest:
        found.same_at_home += 1
    elif (now.size, now.mtime_ns) == (entry.size, entry.mtime_ns):
        found.odd.append(Problem(path_text(entry.path), OTHER_AT_HOME))
    else:
        found.changed_at_home += 1
