"""What of a version will come into a target: how much it is, and which names stand in for first names that do not come.

Reads the listing only; nothing is fetched and nothing written.
"""

from __future__ import annotations

from otherroof.far_copy.reader import Reader
from otherroof.restore.progress import RestoreProgress
from otherroof.restore.selection import Selection, UnmetPaths
from otherroof.restore.target import CannotRestoreHere, TargetFolder


def survey(reader: Reader, target: TargetFolder, wanted: Selection, progress: RestoreProgress) -> dict[bytes, bytes]:
    """Count what will come; for each first name that does not come, the further name that stands in for it.

    Raises WrongUse if a wanted path is not in this version.
    """
    # Every step reads the listing from its beginning again. It may have millions of entries, and is a local file by
    # now: reading it is cheap, holding it is not.
    firsts: set[bytes] = set()
    unmet = UnmetPaths(wanted)
    for entry in reader.entries():
        if not wanted.has(entry.path):
            continue
        unmet.met(entry.path)
        if entry.kind == "file":
            progress.files_total += 1
            progress.bytes_total += 0 if entry.first else entry.size
            if entry.first:
                firsts.add(entry.first)
    unmet.require_none(reader.header)
    return _stand_ins(reader, target, wanted, firsts, progress) if firsts else {}


def _stand_ins(
    reader: Reader, target: TargetFolder, wanted: Selection, firsts: set[bytes], progress: RestoreProgress
) -> dict[bytes, bytes]:
    """For a hard-link group whose first name is not restored: the name that is restored as a file instead.

    It is not wanted, not in this version, or another file here is kept in its place.
    """
    # Two passes, since a first name and its further ones are far apart in the listing: which first names come, and
    # then, for those that do not, the next name that does.
    absent = set(firsts)
    for entry in reader.entries():
        if entry.kind != "file" or entry.path not in absent or not wanted.has(entry.path):
            continue
        if _is_free(target, entry.path) or target.holds(entry):
            absent.discard(entry.path)
    found: dict[bytes, bytes] = {}
    for entry in reader.entries():
        if entry.first not in absent or entry.first in found or not wanted.has(entry.path):
            continue
        if _is_free(target, entry.path):
            found[entry.first] = entry.path
            progress.bytes_total += entry.size
    return found


def _is_free(target: TargetFolder, path: bytes) -> bool:
    """Whether nothing here keeps a file from coming at `path`."""
    try:
        target.require_free(path)
        return not target.stands(path)
    except CannotRestoreHere:
        return False
