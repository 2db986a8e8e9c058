"""Remembers what each recovery sheet told when it was printed, so that it can be said what has changed since.

Kept in the state folder as digests, part by part: no key and no address can be read out of them. Whoever loses the
state loses this too, and is told nothing until a sheet is printed again.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from otherroof.base.atomic_file import FOR_OWNER, replace_file
from otherroof.base.clock import from_stamp, stamp
from otherroof.base.handles import read_plain_file
from otherroof.settings import Settings
from otherroof.settings.models import MOST_KEY, key_paths

NAME = "sheets.json"
MOST_BYTES = 1 << 20
KEYS = "keys"
# Of a far box what one needs to reach it; a limit may change without a new sheet.
_OF_A_FAR_BOX = ("address", "port", "account", "login_key", "host_key", "base", "tunnel")
_OF_A_TUNNEL_NOT = ("linger_s", "stay_up", "keepalive_s", "mtu", "let_in")
_OF_A_JOB = ("folder", "far", "layout")


@dataclass(frozen=True, slots=True)
class OldSheet:
    """A sheet that tells what is no longer so: when it was printed, whether with keys, and which parts have changed."""

    printed: datetime
    with_keys: bool
    changed: tuple[str, ...]


def parts_told(settings: Settings, *, with_keys: bool) -> dict[str, str]:
    """What a sheet printed now would tell, part by part, each as a digest. Keys that this account cannot read are no
    part."""
    home = settings.home
    parts = {"home": _digest([home.name, home.zone, home.listing_key])}
    for name, far in settings.far.items():
        told = far.model_dump(mode="json", include=set(_OF_A_FAR_BOX))
        told["tunnel"] = {key: value for key, value in told["tunnel"].items() if key not in _OF_A_TUNNEL_NOT}
        parts[f"far box {name}"] = _digest(told)
    for name, job in settings.jobs.items():
        parts[f"job {name}"] = _digest(job.model_dump(mode="json", include=set(_OF_A_JOB)))
    parts["whom to ask"] = _digest(settings.told.sheet.model_dump(mode="json"))
    if with_keys and (keys := _digest_of_keys(settings)):
        parts[KEYS] = keys
    return parts


def note_printed(settings: Settings, now: datetime, *, with_keys: bool) -> None:
    """A sheet has been printed just now; it takes the place of the one before, and one with keys that of both. Raises
    HomeTrouble."""
    known = {} if with_keys else {key: note for key, note in _notes(settings.state).items() if key == KEYS}
    note = {"printed": stamp(now), "parts": parts_told(settings, with_keys=with_keys)}
    text = json.dumps({**known, KEYS if with_keys else "plain": note}, indent=2) + "\n"
    replace_file(os.path.join(settings.state, NAME), text, FOR_OWNER)


def old_sheet(settings: Settings) -> OldSheet | None:
    """The printed sheet that tells most of what is no longer so; None if all are right, or none was printed."""
    found = [sheet for sheet in _old_sheets(settings) if sheet.changed]
    return max(found, key=lambda sheet: (len(sheet.changed), sheet.with_keys), default=None)


def _old_sheets(settings: Settings) -> Iterator[OldSheet]:
    notes = _notes(settings.state)
    now = parts_told(settings, with_keys=KEYS in notes) if notes else {}
    for key, note in notes.items():
        told = {part: digest for part, digest in note["parts"].items() if part != KEYS or KEYS in now}
        present = {part: digest for part, digest in now.items() if part != KEYS or KEYS in told}
        # A job whose own file has a mistake is neither gone nor changed.
        changed = [part for part in (told | present) if told.get(part) != present.get(part)]
        changed = [part for part in changed if not settings.is_unread(part.removeprefix("job "))]
        yield OldSheet(from_stamp(note["printed"]), key == KEYS, tuple(sorted(changed)))


def _notes(state: str) -> dict[str, Any]:
    """What was noted; nothing if that cannot be read any more: it is no more than a help to remember."""
    try:
        found = json.loads(read_plain_file(os.path.join(state, NAME), MOST_BYTES))
        notes = {key: found[key] for key in ("plain", KEYS) if key in found}
        for note in notes.values():
            from_stamp(note["printed"])
            dict(note["parts"])
    except (OSError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return {}
    return notes


def _digest_of_keys(settings: Settings) -> str:
    paths = [path for _, path in key_paths(settings.home, settings.far)]
    try:
        # Of the content: a settings folder that was moved has other times and numbers, and the same keys.
        return _digest([read_plain_file(settings.path(path), MOST_KEY).hex() for path in paths])
    except OSError:
        return ""


def _digest(told: object) -> str:
    text = json.dumps(told, sort_keys=True, ensure_ascii=False).encode("utf-8", "surrogatepass")
    return hashlib.blake2b(text, digest_size=8, person=b"otherroof-sheet").hexdigest()
