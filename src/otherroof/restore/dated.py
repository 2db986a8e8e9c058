"""Several states of one file side by side: each gets a name with the date from which it stood so.

Names are decided purely; the reader shows one file of its version under such a name, so that it is restored like any.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import tzinfo

from otherroof.far.requests import Script, Sink
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.reader import FarLocation, Reader
from otherroof.far_copy.view import FarCopyView
from otherroof.restore.finding.history import HeldState

LONGEST_NAME = 255  # bytes, as Linux has it


def each_content_once(held: Iterable[HeldState]) -> list[HeldState]:
    """The states that are files, the newest of each content, newest first; `held` is in order of time."""
    found: dict[bytes, HeldState] = {}
    for one in held:
        if one.state is not None and one.state.kind == "file":
            found.pop(one.state.digest, None)
            found[one.state.digest] = one
    return list(found.values())[::-1]


def dated_names(held: Iterable[HeldState], zone: tzinfo) -> list[bytes]:
    """A name for each: `letter 2031-04-05 03.30.odt`, and the end of the run's name too if two would be alike."""
    names: list[bytes] = []
    for one in held:
        assert one.state is not None
        name = one.state.path.rpartition(b"/")[2]
        stem, dot, end = name.rpartition(b".")
        if not stem or len(end) > 10:  # a name that begins with its only dot, or whose last one begins no ending
            stem, dot, end = name, b"", b""
        when = f" {one.first.taken.astimezone(zone):%Y-%m-%d %H.%M}".encode()
        made = _joined(stem, when, dot + end)
        names.append(made if made not in names else _joined(stem, when + f" {one.first.run[-4:]}".encode(), dot + end))
    return names


def _joined(stem: bytes, when: bytes, end: bytes) -> bytes:
    return stem[: LONGEST_NAME - len(when) - len(end)] + when + end


class RenamedFileReader:
    """A reader of one file of a version, shown under another name. See Reader."""

    def __init__(self, whole: Reader, path: bytes, name: bytes) -> None:
        self.place = whole.place
        self.header = replace(whole.header, top={})
        self.unlisted = whole.unlisted
        self._whole = whole
        self._path = path
        self._name = name

    def entries(self) -> Iterator[Entry]:
        """The one file; it is no further name of another one here."""
        for entry in self._whole.entries():
            if entry.path == self._path:
                yield replace(entry, path=self._name, first=b"")

    def look(self, view: FarCopyView) -> bool:
        """See Reader."""
        return self._whole.look(view)

    def look_again(self) -> bool:
        """See Reader."""
        return self._whole.look_again()

    def lies_at(self, path: bytes) -> FarLocation:
        """See Reader."""
        return self._whole.lies_at(self._path)

    def read_whole(self, entry: Entry) -> Script[bytes]:
        """See Reader."""
        return self._whole.read_whole(replace(entry, path=self._path))

    def read_range(self, entry: Entry, offset: int, length: int, sink: Sink) -> Script[None]:
        """See Reader."""
        return self._whole.read_range(replace(entry, path=self._path), offset, length, sink)

    def close(self) -> None:
        """See Reader."""
        self._whole.close()
