"""Walks the folders of a version and marks what is to come back, by lines that a person types.

Pure but for what the look around answers: a line in, what to show next out. It must not know terminals.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from otherroof.base.errors import WrongUse
from otherroof.far_copy.entry import path_text
from otherroof.restore.finding.like import Like
from otherroof.restore.finding.look import FoundEntry, VersionLook

ROWS = 15  # on one page
MOST_SHOWN = 2000  # of one folder or pattern; a narrower one shows the rest
HELP = (
    "3            open folder 3, or mark file 3; once more takes the mark away",
    "m 1 4-6      mark or unmark these, folders whole; m all: everything listed here",
    "u            up to the folder above",
    "n, p         next page, page before",
    "/*.jpg       find by a pattern, in this folder and below",
    "l            list what is marked",
    "b            bring back what is marked",
    "q            leave, and bring nothing back",
)

Outcome = Literal["", "bring", "leave"]


@dataclass(frozen=True, slots=True)
class ChooserRow:
    """One numbered line of the screen. `marked` is also so if a folder above is."""

    number: int
    entry: FoundEntry
    marked: bool


@dataclass
class Chooser:
    """Where a person is in a version, and what is marked. `said` is to be shown once below the rows."""

    look: VersionLook
    folder: bytes = b""
    pattern: Like | None = None
    page: int = 0
    marks: dict[bytes, tuple[int, int]] = field(default_factory=dict)
    said: tuple[str, ...] = ("? for help",)
    outcome: Outcome = ""

    def __post_init__(self) -> None:
        self._go(self.folder)

    @property
    def pages(self) -> int:
        """How many pages this folder has; at least one."""
        return max(1, -(-len(self._entries) // ROWS))

    @property
    def rows(self) -> list[ChooserRow]:
        """What stands on this page."""
        begin = self.page * ROWS
        return [
            ChooserRow(number, entry, self._is_marked(entry.state.path))
            for number, entry in enumerate(self._entries[begin : begin + ROWS], begin + 1)
        ]

    @property
    def marked(self) -> tuple[int, int]:
        """Files and bytes of all that is marked."""
        top = [count for path, count in self.marks.items() if not self._is_marked_above(path)]
        return sum(files for files, _ in top), sum(size for _, size in top)

    @property
    def paths(self) -> tuple[bytes, ...]:
        """What is to come back."""
        return tuple(sorted(path for path in self.marks if not self._is_marked_above(path)))

    def hear(self, line: str) -> None:
        """Do what the line says; what cannot be done is `said`."""
        self.said = ()
        word, _, rest = line.strip().partition(" ")
        if word.isdecimal() and not rest:
            self._open(word)
        elif word.startswith("/") and len(line.strip()) > 1:
            self._find(line.strip()[1:])
        elif word == "m":
            self._mark(rest)
        elif word in ("", "n", "p"):
            step = -1 if word == "p" else 1
            self.page = min(max(self.page + step, 0), self.pages - 1)
        elif word == "u" and not rest:
            self._go(self.folder if self.pattern else self.folder.rpartition(b"/")[0])
        elif word == "l":
            self.said = tuple(map(path_text, self.paths)) or ("nothing is marked",)
        elif word == "b":
            self.outcome = "bring" if self.marks else ""
            self.said = () if self.marks else ("nothing is marked yet: m 1 marks the first line",)
        elif word == "q":
            self.outcome = "leave"
        else:
            self.said = HELP

    def _go(self, folder: bytes, pattern: Like | None = None) -> None:
        found: list[FoundEntry] = []
        for entry in self.look.entries(folder, pattern):
            if len(found) == MOST_SHOWN:
                self.said = (f"only the first {MOST_SHOWN} are shown; /PATTERN finds the others",)
                break
            found.append(entry)
        self._entries = found
        self.folder, self.pattern, self.page = folder, pattern, 0

    def _open(self, word: str) -> None:
        for entry in self._named(word):
            if entry.state.kind == "folder":
                self._go(entry.state.path)
            else:
                self._turn(entry)

    def _find(self, pattern: str) -> None:
        try:
            self._go(self.folder, Like(pattern))
        except WrongUse as problem:
            self.said = (str(problem),)
        if not self._entries:
            self.said = ("nothing here or below is called like that; u goes back",)

    def _mark(self, words: str) -> None:
        if not words.strip():
            self.said = ("m 1 4-6 marks lines, m all everything listed here",)
        for entry in self._entries if words.strip() == "all" else self._named(words):
            self._turn(entry)

    def _turn(self, entry: FoundEntry) -> None:
        path = entry.state.path
        if self._is_marked_above(path):
            self.said = (f"{path_text(path)} comes with a folder above it that is marked",)
        elif self.marks.pop(path, None) is None:
            self.marks[path] = (entry.files, entry.size)

    def _named(self, words: str) -> list[FoundEntry]:
        """The entries with these numbers: `1 4-6`. Says so if there are none such."""
        found: list[FoundEntry] = []
        for word in words.replace(",", " ").split():
            span = re.fullmatch(r"([0-9]{1,6})(?:-([0-9]{1,6}))?", word)
            first, last = (int(span[1]), int(span[2] or span[1])) if span else (0, 0)
            if not 1 <= first <= last <= len(self._entries):
                self.said = (f"there is no line {word} here",)
                return []
            found += self._entries[first - 1 : last]
        return found

    def _is_marked(self, path: bytes) -> bool:
        return path in self.marks or self._is_marked_above(path)

    def _is_marked_above(self, path: bytes) -> bool:
        above = path.rpartition(b"/")[0]
        while above:
            if above in self.marks:
                return True
            above = above.rpartition(b"/")[0]
        return False
