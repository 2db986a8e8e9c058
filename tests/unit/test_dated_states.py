"""Which states of a file come back side by side, and how one is shown under its dated name."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any, cast

from otherroof.far_copy.entry import Entry
from otherroof.far_copy.listing import Header
from otherroof.far_copy.reader import Reader
from otherroof.restore.dated import RenamedFileReader, each_content_once
from otherroof.restore.finding.history import HeldState
from otherroof.restore.finding.states import FileState, IndexedVersion


def held(day: int, kind: str | None, content: bytes = b"") -> HeldState:
    version = IndexedVersion(f"2031-04-0{day}T013000Z-7f3a", datetime(2031, 4, day, 1, 30, tzinfo=UTC), 1, 1, day)
    state = FileState(b"letter", cast(Any, kind), 1, 0, 0, content, b"", 0) if kind is not None else None
    return HeldState(version, version, state)


def test_a_state_in_which_there_was_no_file_is_none_to_bring_back() -> None:
    """A link, a folder or nothing at all has no content of its own; a link would come back as an empty file."""
    row = [held(1, "file", b"1"), held(2, "link"), held(3, None), held(4, "folder"), held(5, "file", b"2")]
    assert each_content_once(row) == [row[4], row[0]]
    assert each_content_once([held(1, "link")]) == []


def test_a_state_that_was_a_further_name_comes_back_as_a_file_of_its_own() -> None:
    """The file whose further name it was does not come back beside it, so there is nothing to link it to."""
    first = Entry(b"a", "file", 3, 0, 0o644, 0, 0, digest=b"d" * 32)
    further = Entry(b"b", "file", 3, 0, 0o644, 0, 0, digest=b"d" * 32, first=b"a")

    header = Header("papers", "2031-04-05T013000Z-7f3a", "larch", "1", "2031-04-05T01:30:00Z", "open", 2, 6)

    def entries() -> Iterator[Entry]:
        yield from (first, further)

    whole = SimpleNamespace(place=None, header=header, unlisted=None, entries=entries)
    (shown,) = RenamedFileReader(cast(Reader, whole), b"b", b"b 2031-04-05 01.30").entries()
    assert (shown.path, shown.first, shown.digest) == (b"b 2031-04-05 01.30", b"", b"d" * 32)
