"""One planned change as the plan keeps it, which of them can be asked for, and a plan's totals.

Values only, but for `Rows`, which has the conditions in SQL; the sender decides what is done about them.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from otherroof.far_copy.entry import FOLDER_KIND
from otherroof.far_copy.numbers import FILE, FOLDER, LINK, SIZE, Numbers

PLANNED, BEGUN, DONE, TROUBLE = 0, 1, 2, 3
LARGE = 1024 * 1024  # bytes; above this a file is streamed and not held in memory
_DIGEST_KEY = b'"digest":"'


@dataclass(slots=True)
class PlannedChange:
    """One path: what the far copy has there, what the folder has, and how far the run got with it.

    `had` and `want` are FILE, FOLDER, LINK or 0. `doubt`: probably the same content. `first`: the path that holds
    the content of this hard-link group. `source`: a path that went and had this content. `landed`: the batch in which
    it landed without being durable; 0 if it was durable at once.
    """

    path: bytes
    had: int
    want: int
    doubt: bool
    numbers: Numbers | None
    device: int
    old: bytes | None
    old_size: int
    old_digest: bytes | None
    first: bytes | None
    source: bytes | None
    digest: bytes | None
    state: int
    line: bytes | None
    why: str | None
    landed: int = 0

    @property
    def size(self) -> int:
        """Bytes of content now wanted."""
        return self.numbers[SIZE] if self.numbers is not None else 0


@dataclass(frozen=True, slots=True)
class PlanTotals:
    """What the plan would change, in numbers of files and links; `fresh_bytes` is new and changed content.

    `doubtful` files kept size and time but not all their numbers: nobody has looked yet whether their content changed.
    """

    new: int
    changed: int
    removed: int
    moved: int
    fresh_bytes: int
    doubtful: int = 0


def digest_in(line: bytes | None) -> bytes | None:
    """The digest that an entry's line holds."""
    if line is None:
        return None
    at = line.find(_DIGEST_KEY)
    if at < 0:
        return None
    at += len(_DIGEST_KEY)
    return bytes.fromhex(line[at : line.index(b'"', at)].decode()) or None


# Content that nothing over there has: it is to be sent.
IS_FRESH = f"(want = {FILE} AND NOT doubt AND source IS NULL AND first IS NULL)"
# What the catalogue had at the path; `had` is 0 once the old one was moved.
WAS_FILE_OR_LINK = f"(old IS NOT NULL AND instr(old, x'{FOLDER_KIND.hex()}') = 0)"


class Rows(enum.Enum):
    """Which of a plan's notes are asked for. Each looks only at what is still in that state when it is asked."""

    SAME_SIZE = f"want = {FILE} AND had = {FILE} AND size = old_size AND digest IS NULL"  # perhaps the same content
    TO_MOVE_ASIDE = f"state = {PLANNED} AND had IN ({FILE}, {LINK}) AND want <> had"
    FOLDERS_TO_DROP = f"state = {PLANNED} AND had = {FOLDER} AND want <> had"
    FOLDERS_TO_MAKE = f"state = {PLANNED} AND want = {FOLDER}"
    # A file or link gave way to each, as far as the far box said.
    FOLDERS_FOR_OTHERS = f"want = {FOLDER} AND state = {DONE} AND {WAS_FILE_OR_LINK}"
    FOLDERS_REFUSED = f"want = {FOLDER} AND state IN ({BEGUN}, {TROUBLE})"
    FILES_TO_BRING = f"state = {PLANNED} AND want = {FILE}"
    FIRST_NAMES_TO_BRING = f"state = {PLANNED} AND want = {FILE} AND first IS NULL"
    FURTHER_NAMES = f"state = {PLANNED} AND want = {FILE} AND first IS NOT NULL"
    LINKS_TO_MAKE = f"state = {PLANNED} AND want = {LINK}"
    UNFINISHED = f"state = {BEGUN}"  # the far box was asked, and what became of it is not known
    MOVED = f"state = {DONE} AND source IS NOT NULL"
    FILES_GONE = f"state = {DONE} AND want <> {FILE} AND old_digest IS NOT NULL AND old_size > 0"
