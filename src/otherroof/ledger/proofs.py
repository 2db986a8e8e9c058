"""Ledger: what was read back of the far copies. Each proof as a whole, and for every far file the day of its last one.

A file takes eight bytes for each of the two ways of reading: 48 bits of a digest of its name, 16 bits for the day. It
knows names as the layout gives them, and no listing.
"""

from __future__ import annotations

import sys
from array import array
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from hashlib import blake2b
from typing import Any

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import Page, WirePage

NEVER = 0
FIRST_DAY = date(2000, 1, 1)  # day 1 is the one after it
LAST_DAY = (1 << 16) - 1
# A million files lie 250 to a row: a row is small enough to be written for one file, and few enough rows for a night.
SHELVES = 4096
# After so many days a day says no more than `never` does, and names that are gone would pile up.
KEPT_DAYS = 5 * 365
_KEY = (1 << 48) - 1
_COLUMNS = (
    "job, far, started, ended, reason, whole, files, size, drawn, drawn_damaged, population, damaged, healed, by_word,"
    " never, since, wire_up, wire_down, drawn_up_to, to_read, too_large, largest"
)


def day_number(moment: datetime) -> int:
    """The day of a moment, in UTC, as a number above NEVER that fits 16 bits (until 2179)."""
    return min(max((moment.astimezone(UTC).date() - FIRST_DAY).days, NEVER + 1), LAST_DAY)


def moment_of_day(day: int) -> datetime:
    """The beginning of a numbered day, in UTC."""
    first = datetime(FIRST_DAY.year, FIRST_DAY.month, FIRST_DAY.day, tzinfo=UTC)
    return first + timedelta(days=day)


@dataclass(slots=True)
class ProofRow:
    """One proof. `size` is bytes of content; `drawn` of the `population` were chosen at random, and of those
    `drawn_damaged` were damaged. `by_word` files are so by the far box's own reading only.

    The population is all files of up to `drawn_up_to` bytes, 0 if any. `to_read` bytes on the wire are about what it
    takes to read everything back once (0: not known); `too_large` files that are due have room in no
    night; the largest of them needs `largest` bytes.

    Of the newest version `never` files were not read back yet; the others all were, since `since`. `ended` is None as
    long as nothing is known of its end.
    """

    job: str
    far: str
    started: datetime
    ended: datetime | None = None
    reason: str = ""
    whole: bool = False
    files: int = 0
    size: int = 0
    drawn: int = 0
    drawn_damaged: int = 0
    population: int = 0
    damaged: int = 0
    healed: int = 0
    by_word: int = 0
    never: int = 0
    since: datetime | None = None
    wire_up: int = 0
    wire_down: int = 0
    drawn_up_to: int = 0
    to_read: int = 0
    too_large: int = 0
    largest: int = 0


@dataclass(frozen=True, slots=True)
class HealedDamage:
    """How many damaged files were healed of late, one of them, and when the last was."""

    files: int
    path: str
    at: datetime


class ProofPage(WirePage):
    """Every proof, from its begin to its end."""

    table = "proof"

    def begin(self, row: ProofRow) -> int:
        """Note that a proof has begun; answers the number by which `note_wire` and `end` know it."""
        with self.file.writing() as db:
            number = db.execute(
                "INSERT INTO proof (job, far, started, whole) VALUES (?, ?, ?, ?)",
                (row.job, row.far, stamp(row.started), row.whole),
            ).lastrowid
        assert number is not None
        return number

    def note_wire(self, number: int, up: int, down: int) -> None:
        """Bytes on the wire so far: they count also if it never says its end."""
        with self.file.writing() as db:
            db.execute("UPDATE proof SET wire_up=?, wire_down=? WHERE number=?", (up, down, number))

    def end(self, number: int, row: ProofRow) -> None:
        """Write down how it ended."""
        ended, since = (stamp(moment) if moment else None for moment in (row.ended, row.since))
        marks = ", ".join(f"{name.strip()}=?" for name in _COLUMNS.split(","))
        values = (row.job, row.far, stamp(row.started), ended, row.reason, row.whole, row.files, row.size, row.drawn)
        more = (row.drawn_damaged, row.population, row.damaged, row.healed, row.by_word, row.never, since)
        with self.file.writing() as db:
            last = (row.wire_up, row.wire_down, row.drawn_up_to, row.to_read, row.too_large, row.largest)
            db.execute(f"UPDATE proof SET {marks} WHERE number=?", (*values, *more, *last, number))

    def note_healed(self, number: int, healed: HealedDamage) -> None:
        """What this proof has healed. To be noted before it is forgotten that it was damaged: somebody is told."""
        with self.file.writing() as db:
            db.execute(
                "UPDATE proof SET mended=?, mended_path=?, mended_at=? WHERE number=?",
                (healed.files, healed.path, stamp(healed.at), number),
            )

    def healed_since(self, job: str, since: datetime) -> HealedDamage | None:
        """What was healed of a job since then, also by a proof that was cut; None if nothing was."""
        with self.file.guarded():
            rows = self.file.db.execute(
                "SELECT mended, mended_path, mended_at FROM proof WHERE job=? AND mended_at>=? ORDER BY mended_at DESC",
                (job, stamp(since)),
            ).fetchall()
        return HealedDamage(sum(row[0] for row in rows), rows[0][1], from_stamp(rows[0][2])) if rows else None

    def of(self, job: str, *, since: datetime | None = None, newest: int = 100) -> list[ProofRow]:
        """A job's proofs that came to an end, newest first."""
        with self.file.guarded():
            rows = self.file.db.execute(
                f"SELECT {_COLUMNS} FROM proof WHERE job=? AND ended IS NOT NULL AND started>=?"
                " ORDER BY started DESC, number DESC LIMIT ?",
                (job, stamp(since) if since else "", newest),
            ).fetchall()
        return [_as_row(row) for row in rows]


def _as_row(row: tuple[Any, ...]) -> ProofRow:
    found = ProofRow(row[0], row[1], from_stamp(row[2]))
    for name, value in zip(_COLUMNS.split(", "), row, strict=True):
        if name in ("ended", "since"):
            setattr(found, name, from_stamp(value) if value else None)
        elif name != "started":
            setattr(found, name, bool(value) if name == "whole" else value)
    return found


class ProvedDays:
    """When each far file of a job was last proved, as it was when this was asked for."""

    def __init__(self, shelves: dict[int, array[int]]) -> None:
        self._shelves = shelves

    def day(self, name: bytes) -> int:
        """The day's number; NEVER if it is not known."""
        shelf, key = _place_of(name)
        packed = self._shelves.get(shelf)
        return NEVER if packed is None else _day_in(packed, key)


class ProvedPage(Page):
    """For every far file the day on which it was last found to be as it should: read back over the line, or by the far
    box's own word. The two are kept apart."""

    def days(self, job: str, *, by_word: bool = False) -> ProvedDays:
        """All days that are known of a job: eight bytes of memory a file."""
        with self.file.guarded():
            column = "word" if by_word else "line"
            rows = self.file.db.execute(f"SELECT shelf, {column} FROM proved WHERE job=?", (job,)).fetchall()
        return ProvedDays({shelf: _unpacked(packed) for shelf, packed in rows})

    def note(self, job: str, names: Iterable[bytes], day: int, *, by_word: bool = False) -> None:
        """These were proved on this day. Best for thousands at once: a row holds hundreds."""
        found: dict[int, set[int]] = defaultdict(set)
        for name in names:
            shelf, key = _place_of(name)
            found[shelf].add(key)
        with self.file.writing() as db:
            for shelf, keys in found.items():
                row = db.execute("SELECT line, word FROM proved WHERE job=? AND shelf=?", (job, shelf)).fetchone()
                line, word = row or (b"", b"")
                if by_word:
                    word = _with_day(_unpacked(word), keys, day)
                else:
                    line = _with_day(_unpacked(line), keys, day)
                db.execute(
                    "INSERT OR REPLACE INTO proved (job, shelf, line, word) VALUES (?, ?, ?, ?)",
                    (job, shelf, line, word),
                )

    def forget_all(self, job: str) -> None:
        """The far copy lies on another disk now, of which nothing was proved yet."""
        with self.file.writing() as db:
            db.execute("DELETE FROM proved WHERE job=?", (job,))

    def forget(self, job: str, name: bytes) -> None:
        """This far file is not as it should be: no earlier proof of it counts any more."""
        shelf, key = _place_of(name)
        with self.file.writing() as db:
            row = db.execute("SELECT line, word FROM proved WHERE job=? AND shelf=?", (job, shelf)).fetchone()
            if row is not None:
                line, word = (_with_day(_unpacked(packed), {key}, NEVER) for packed in row)
                db.execute("UPDATE proved SET line=?, word=? WHERE job=? AND shelf=?", (line, word, job, shelf))


def _place_of(name: bytes) -> tuple[int, int]:
    """The row and the 48 bits by which a name is known. 60 bits in all: among a million files the chance that any two
    share them is below one in two million, and then one of them is read a little late."""
    number = int.from_bytes(blake2b(name, digest_size=8, person=b"otherroof-proof").digest(), "big")
    return (number >> 48) % SHELVES, number & _KEY


def _day_in(packed: array[int], key: int) -> int:
    at = bisect_left(packed, key << 16)
    return packed[at] & LAST_DAY if at < len(packed) and packed[at] >> 16 == key else NEVER


def _with_day(packed: array[int], keys: set[int], day: int) -> bytes:
    """The row with this day for these keys; NEVER takes them out, and so does age."""
    kept = [one for one in packed if one >> 16 not in keys and (one & LAST_DAY) + KEPT_DAYS >= day]
    if day != NEVER:
        kept += [key << 16 | day for key in keys]
    made = array("Q", sorted(kept))
    if sys.byteorder == "big":
        made.byteswap()
    return made.tobytes()


def _unpacked(packed: bytes) -> array[int]:
    found = array("Q")
    found.frombytes(packed)
    if sys.byteorder == "big":
        found.byteswap()
    return found
