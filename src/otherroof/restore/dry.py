"""What a restore would bring, told from the listing before anything is fetched or written."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

from otherroof.base.accounts import as_root
from otherroof.base.errors import WrongUse
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.listing import Header
from otherroof.far_copy.reader import Reader
from otherroof.restore.selection import Selection, UnmetPaths

MOST_PATHS = 50  # that are named


@dataclass(slots=True)
class DryRestore:
    """What would come: files (and links), folders, and the bytes that would be fetched. `there` of the files have
    something of their name in the target already; `target_empty` tells whether a restore would have to be told what to
    do with that. `paths` are the first few."""

    header: Header
    target_empty: bool
    files: int = 0
    folders: int = 0
    size: int = 0
    there: int = 0
    paths: list[bytes] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def dry_restore(reader: Reader, wanted: Selection, into: bytes) -> DryRestore:
    """What restoring this version into the folder `into` would do. Raises WrongUse if it holds nothing of that."""
    found = DryRestore(reader.header, _is_empty(into))
    wanted = wanted.among(reader.entries())
    unmet = UnmetPaths(wanted)
    for entry in reader.entries():
        if not wanted.has(entry.path):
            continue
        unmet.met(entry.path)
        if entry.kind == "folder":
            found.folders += 1
            continue
        found.files += 1
        found.size += entry.size if entry.kind == "file" and not entry.first else 0
        found.there += not found.target_empty and _stands(into, entry.path)
        if len(found.paths) < MOST_PATHS:
            found.paths.append(entry.path)
    unmet.require_none(reader.header)
    return found


@as_root()
def _is_empty(into: bytes) -> bool:
    try:
        return not os.listdir(into)
    except FileNotFoundError:
        return True
    except OSError as problem:
        raise WrongUse(
            f"cannot be restored into: {problem.strerror}", where=path_text(into), advice="name a folder"
        ) from problem


@as_root()
def _stands(into: bytes, path: bytes) -> bool:
    return os.path.lexists(os.path.join(into, path))
