"""What a person marks line by line in a version: what comes back is what was marked, and nothing if nothing was."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.restore.finding.choosing import MOST_SHOWN, ROWS, Chooser


class Version:
    """A version with one folder `trip` of so many files, beside `note`; each file has 10 bytes."""

    def __init__(self, files: int = 3) -> None:
        self._files = files

    def entries(self, folder: bytes, pattern: object) -> Iterator[Any]:
        if folder == b"trip":
            for number in range(self._files):
                yield entry(b"trip/%04d" % number, "file", 1)
        else:
            yield entry(b"note", "file", 1)
            yield entry(b"trip", "folder", self._files)


def entry(path: bytes, kind: str, files: int) -> Any:
    return SimpleNamespace(state=SimpleNamespace(path=path, kind=kind), files=files, size=10 * files)


def chooser(*lines: str, files: int = 3) -> Chooser:
    look: Any = Version(files)
    made = Chooser(look)
    for line in lines:
        made.hear(line)
    return made


@pytest.mark.parametrize("lines", [("b",), ("m 1", "m 1", "b")])
def test_nothing_is_brought_back_if_nothing_is_marked(lines: tuple[str, ...]) -> None:
    made = chooser(*lines)
    assert (made.outcome, made.paths) == ("", ())
    assert made.said == ("nothing is marked yet: m 1 marks the first line",)


def test_what_is_below_a_marked_folder_is_counted_once() -> None:
    made = chooser("2", "m 1 3", "u", "m 2", "b")
    assert (made.outcome, made.paths, made.marked) == ("bring", (b"trip",), (3, 30))


def test_each_page_shows_its_own_lines_with_their_numbers() -> None:
    made = chooser("2", "n", files=ROWS + 2)
    assert [(row.number, row.entry.state.path) for row in made.rows] == [
        (ROWS + 1, b"trip/%04d" % ROWS),
        (ROWS + 2, b"trip/%04d" % (ROWS + 1)),
    ]
    made.hear(f"m {ROWS + 2}")
    assert made.paths == (b"trip/%04d" % (ROWS + 1),)


def test_a_folder_with_more_than_is_shown_says_so() -> None:
    assert chooser("2", files=MOST_SHOWN).said == ()
    made = chooser("2", files=MOST_SHOWN + 1)
    assert made.said == (f"only the first {MOST_SHOWN} are shown; /PATTERN finds the others",)


def test_a_line_that_is_not_there_is_told_and_marks_nothing() -> None:
    made = chooser("m 1 7")
    assert (made.said, made.paths) == (("there is no line 7 here",), ())


def test_who_leaves_brings_nothing_back() -> None:
    assert chooser("m 1", "q").outcome == "leave"
