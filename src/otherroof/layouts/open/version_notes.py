"""Notes at the far end on versions that are to go, or are pinned: an empty file each, whose name says all.

    runs/<run id>.<since>.<proof>.goes        it is to go
    runs/<run id>.<since>.<proof>.pinned      it stays for good, whatever the rule says

`since` is when it was noted, UTC, as 20310405T013000Z. `proof` is BLAKE2b of 16 bytes (RFC 7693), keyed with home's
listing key, in hexadecimal, over job, run id, `since` and the last word with a NUL between each: nobody else can have a
version go, or go sooner. The time of the file is the far clock's word on when that was. In a name and not in content,
because a disk that is full to the last byte still has room for names in a folder that stands, and it is then that
versions have to go.
"""

from __future__ import annotations

import hmac
import re
from datetime import UTC, datetime
from typing import get_args

from otherroof.base.errors import Refused
from otherroof.far import requests
from otherroof.far.place import PlaceOffers
from otherroof.far.requests import Script
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.remover import NoteKind, VersionNote
from otherroof.far_copy.run_ids import is_run_id
from otherroof.layouts.open import steps
from otherroof.layouts.open.paths import RUNS, JobPaths

NAME = re.compile(rb"([^.]+)\.(\d{8}T\d{6}Z)\.([0-9a-f]{32})\.([a-z]+)")
SINCE = "%Y%m%dT%H%M%SZ"
MOST_NAMES = 300_000  # listings and notes of eleven years of a run every hour
KINDS: dict[str, NoteKind] = {kind: kind for kind in get_args(NoteKind)}


def path_of(paths: JobPaths, key: ListingKey, kind: NoteKind, run: str, at: datetime) -> bytes:
    """Where the note of this kind on `run` lies, if it was made at that moment."""
    since = at.astimezone(UTC).strftime(SINCE)
    return paths.at(RUNS, f"{run}.{since}.{_proof(paths, key, kind, run, since)}.{kind}".encode())


def _proof(paths: JobPaths, key: ListingKey, kind: str, run: str, since: str) -> str:
    return key.proof_of_note("\0".join((paths.job, run, since, kind)).encode())


def read_notes(paths: JobPaths, key: ListingKey) -> Script[list[VersionNote]]:
    """Every note that this home wrote; of several of one kind on a run, the oldest."""
    found: dict[tuple[str, str], VersionNote] = {}
    for name, attrs in (yield from steps.list_names(paths.at(RUNS), MOST_NAMES)) or ():
        match = NAME.fullmatch(name)
        if match is None:
            continue
        run, since, proof, kind = (part.decode("ascii", "replace") for part in match.groups())
        if kind not in KINDS or not is_run_id(run):
            continue
        if not hmac.compare_digest(proof, _proof(paths, key, kind, run, since)):
            continue
        note = VersionNote(KINDS[kind], run, datetime.strptime(since, SINCE).replace(tzinfo=UTC), attrs.mtime)
        known = found.get((run, kind))
        if known is None or note.at < known.at:
            found[run, kind] = note
    return [found[at] for at in sorted(found)]


def make_note(offers: PlaceOffers, path: bytes) -> Script[None]:
    """Make the note at this path."""
    try:
        handle = yield requests.OpenFile(path, steps.NEW)
    except Refused:
        if (yield from steps.stat_path(path)) is None:
            raise
        return  # noted before, and the answer was lost with the connection
    yield ((requests.Sync(handle),) if offers.sync else ()) + (requests.CloseFile(handle),)
