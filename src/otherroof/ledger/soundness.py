"""Finds out whether a ledger holds only what this program may have written: asked when something went wrong with it.

Looks at the form of the values alone, and knows nothing of what they mean.
"""

from __future__ import annotations

import json
import re
import sqlite3
from typing import Any

from otherroof.base.clock import from_stamp
from otherroof.base.errors import HomeTrouble
from otherroof.base.sqlite_file import SQLITE_ERRORS, prove_sqlite

_FORMS: dict[str, tuple[type, ...]] = {"TEXT": (str,), "INTEGER": (int,), "REAL": (float, int)}
_STAMPS = {
    "run": ("started", "ended", "landed"),
    "answer": ("at",),
    "hold": ("at", "released"),
    "tunnel_session": ("up", "down"),
    "probe": ("at",),
    "alert": ("begun", "raised", "told", "quiet_until", "ended"),
    "post": ("made", "next_try", "sent"),
    "channel": ("failing_since", "last_sent"),
    "digest": ("at",),
    "space": ("at",),
    "damage": ("at",),
    "watched": ("since",),
    "look": ("at", "awake_since", "jumped_at"),
    "turn": ("since", "begun", "ended"),
    "mark": ("at",),
    "proof": ("started", "ended", "since"),
    "drill": ("started", "ended"),
    "line_reading": ("at",),
    "forecast": ("at",),
}
_WITH_RUNS = ("run", "run_problem", "hold", "damage", "run_nature")
PACKED = 8  # bytes that a file takes in `proved`
_RUN = re.compile(r"\d{4}-\d\d-\d\dT\d{6}Z-[0-9a-f]{4}\Z")


def is_sound(db: sqlite3.Connection, path: str) -> bool:
    """Whether the ledger's pages, indexes and values are such as this program writes."""
    try:
        prove_sqlite(db, path)
        tables = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return all(_table_is_sound(db, table) for table in tables if not table.startswith("sqlite_"))
    except (HomeTrouble, *SQLITE_ERRORS):
        return False


def _table_is_sound(db: sqlite3.Connection, table: str) -> bool:
    columns = [(name, kind, notnull) for _, name, kind, notnull, *_ in db.execute(f'PRAGMA table_info("{table}")')]
    names = ", ".join(f'"{name}"' for name, _, _ in columns)
    for row in db.execute(f'SELECT {names} FROM "{table}"'):
        for (name, kind, notnull), value in zip(columns, row, strict=True):
            if value is None and not notnull:
                continue
            if not isinstance(value, _FORMS.get(kind, (object,))) or not _has_form(table, name, value):
                return False
    return True


def _has_form(table: str, name: str, value: Any) -> bool:
    try:
        if name in _STAMPS.get(table, ()):
            from_stamp(value)
        if (table, name) in (("post", "facts"), ("forecast", "told")):
            json.loads(value)
        if table == "proved" and name in ("line", "word"):
            return len(value) % PACKED == 0
    except ValueError:
        return False
    return not (name == "run" and table in _WITH_RUNS) or _RUN.match(value) is not None
