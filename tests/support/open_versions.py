"""The versions of an open far copy, looked at without the product: which of them are not whole, and how.

Reads listings and finds files by the rule that `DEVELOPERS.md` gives for the open layout, and compares with what the
home folder was when the run was made. Shares no code with what writes or restores them.
"""

from __future__ import annotations

import base64
import functools
import gzip
import hashlib
import json
import os
import zlib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from otherroof.rehearsal.compare_trees import Tree

LISTING_END = ".jsonl.gz"
Read = Callable[[bytes], bytes | None]  # the content of an ordinary file, by its path in the job's folder; else None


def broken_versions(
    read: Read, runs: Iterable[str], earlier: Iterable[str], known: Mapping[str, Tree]
) -> dict[str, list[str]]:
    """What is wrong with each version whose listing stands, by run; those that are whole are not in it.

    `runs`: those with a listing; `earlier`: those with a folder below `earlier/`; `known`: what each run had found. Of
    a run that is not known, nothing can be said.
    """
    broken = {}
    asides = sorted(earlier)
    for run in sorted(runs):
        if run not in known:
            continue
        try:
            wrong = list(_wrong(read, run, asides, known[run]))
        except (ValueError, LookupError, TypeError, EOFError, OSError, zlib.error) as problem:
            wrong = [f"its listing cannot be read: {problem!r}"]
        if wrong:
            broken[run] = wrong
    return broken


def broken_in_folder(far: Path, known: Mapping[str, Tree]) -> dict[str, list[str]]:
    """The same for a job's far folder on this machine."""

    top = os.path.realpath(os.fsencode(far))

    def read(path: bytes) -> bytes | None:
        there = os.path.join(top, path)
        above = os.path.dirname(there)
        if os.path.islink(there) or not os.path.isfile(there) or os.path.realpath(above) != above:
            return None
        with open(there, "rb") as file:
            return file.read()

    return broken_versions(read, listed_runs(_names(far / "runs")), _names(far / "earlier"), known)


def listed_runs(names: Iterable[str]) -> list[str]:
    """The runs whose listings are among these names of `runs/`."""
    return [name.removesuffix(LISTING_END) for name in names if name.endswith(LISTING_END)]


def _names(folder: Path) -> list[str]:
    return sorted(os.listdir(folder)) if folder.is_dir() else []


def _wrong(read: Read, run: str, asides: list[str], found: Tree) -> Iterable[str]:
    listed = {_path(entry): entry for entry in _lines(read, run)}
    wanted = {path: entry for path, entry in found.items() if path != b"."}
    for path in sorted(wanted.keys() ^ listed.keys()):
        yield f"{path!r} is {'not in the listing' if path in wanted else 'in the listing, and was not there'}"
    later = [aside for aside in asides if aside > run]
    for path in sorted(wanted.keys() & listed.keys()):
        entry, listing = wanted[path], listed[path]
        kind = "link" if entry.kind == "symlink" else entry.kind
        if listing["kind"] != kind:
            yield f"{path!r} is listed as a {listing['kind']}, and was a {kind}"
        elif kind == "link" and _bytes(listing, "target") != entry.target:
            yield f"{path!r} is listed with another target"
        elif kind == "file":
            yield from _file(read, path, entry.digest, listing["digest"], later)


def _file(read: Read, path: bytes, digest: str, listed: str, later: list[str]) -> Iterable[str]:
    if listed != digest:
        yield f"{path!r} is listed with another digest"
    places = [*(b"earlier/%s/%s" % (aside.encode(), path) for aside in later), b"latest/" + path]
    for place in places:
        content = read(place)
        if content is not None:
            if _digest(content) != digest:
                yield f"{path!r} has other content, {len(content)} bytes in {place!r}"
            return
    yield f"{path!r} is nowhere"


@functools.lru_cache(maxsize=4096)
def _digest(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=32).hexdigest()


def _lines(read: Read, run: str) -> list[dict[str, Any]]:
    """The entries' lines of a run's listing; of the run that it names, if it says that nothing had changed."""
    packed = read(f"runs/{run}{LISTING_END}".encode())
    assert packed is not None
    lines = [json.loads(line) for line in gzip.decompress(packed).splitlines()]
    if lines[0]["run"] != run or lines[-1]["entries"] != len(lines) - 2:
        raise ValueError("it is not whole")
    return _lines(read, lines[0]["same_as"]) if lines[0].get("same_as") else lines[1:-1]


def _path(entry: dict[str, Any]) -> bytes:
    return _bytes(entry, "path")


def _bytes(entry: dict[str, Any], key: str) -> bytes:
    return str(entry[key]).encode() if key in entry else base64.b64decode(entry[key + "64"])
