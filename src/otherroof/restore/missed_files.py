"""Decides what becomes of files that did not come back as the listing says: asked for again, or called damaged.

A run may go on while a version is restored, and move files aside. So a file that was missing, or had other content, is
called damaged only after a new look at the far copy has shown that nothing was moved. Pure: it knows neither the far
copy nor the folder that is restored into.
"""

from __future__ import annotations

from otherroof.far_copy.entry import Entry

MOST_TRIES = 3  # fetches of one file: a far box that shows something new at each look must not keep a restore for ever
LOOK_AFTER = 64  # small files; the next one would probably be fetched in vain too


class MissedFiles:
    """The files that were missed since the last look, and how often each was asked for."""

    def __init__(self) -> None:
        self._missed: list[tuple[Entry, str]] = []
        self._tries: dict[bytes, int] = {}
        self._large = False

    def __bool__(self) -> bool:
        return bool(self._missed)

    def note(self, entry: Entry, why: str, *, large: bool) -> None:
        """This file did not come back, for this reason. A `large` one makes the next look due at once."""
        self._missed.append((entry, why))
        self._large = self._large or large

    @property
    def look_is_due(self) -> bool:
        """Whether nothing more should be fetched before another look."""
        return self._large or len(self._missed) >= LOOK_AFTER

    def settle(self, *, found_newer: bool) -> tuple[list[Entry], list[tuple[Entry, str]]]:
        """After a look: the files to ask for again, and those that are damaged, with the reason."""
        again: list[Entry] = []
        damaged: list[tuple[Entry, str]] = []
        for entry, why in self._missed:
            tries = self._tries.pop(entry.path, 0) + 1
            if found_newer and tries < MOST_TRIES:
                self._tries[entry.path] = tries
                again.append(entry)
            else:
                damaged.append((entry, why))
        self._missed.clear()
        self._large = False
        return again, damaged
