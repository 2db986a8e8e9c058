"""Walks what runs moved aside, or the newest copy: the one walk of far folders, with many asked for at once.

What the far box says is not trusted further than to look there: names that cannot be, and folders without end, are
refusals. Memory stays flat whatever it answers: a folder comes in portions, and names wait as the bytes they are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from otherroof.base.errors import NotThere, OtherroofError, PlaceError, Refused
from otherroof.far import requests
from otherroof.far.place import Place, Task
from otherroof.far.requests import Script
from otherroof.far_copy.numbers import join_path
from otherroof.layouts.open import steps
from otherroof.layouts.open.paths import EARLIER, LATEST, JobPaths

PORTION = 128 * 1024  # bytes of names after which the rest of a folder is a task of its own
# What all paths together may take as they are noted at home: more than ten million of ordinary length.
MOST_BYTES = 2 * 1024 * 1024 * 1024
MOST_WAITING = 32 * 1024 * 1024  # bytes of folders' names that wait to be looked into

NEWEST = ""  # in place of a run: the newest copy itself

RefusedFolder = Callable[[str, bytes, PlaceError], None]


@dataclass(slots=True)
class AsideFolder:
    """A portion of one folder of what `run` moved aside. `folder` is its path in the job's folder, empty for the top.

    The names are packed, each ended by NUL. `rest` is the open folder, if more of it is to come.
    """

    run: str
    folder: bytes
    rest: Any = None
    file_names: bytearray = field(default_factory=bytearray)
    folder_names: bytearray = field(default_factory=bytearray)

    @property
    def files(self) -> Iterator[bytes]:
        """Paths, in the job's folder, of the files in it; links count as files."""
        return (join_path(self.folder, bytes(name)) for name in self.file_names.split(b"\0")[:-1])

    @property
    def folders(self) -> Iterator[bytes]:
        """Paths, in the job's folder, of the folders in it."""
        return (join_path(self.folder, bytes(name)) for name in self.folder_names.split(b"\0")[:-1])

    @property
    def weight(self) -> int:
        """About how many bytes all these paths take when they are noted."""
        count = self.file_names.count(0) + self.folder_names.count(0)
        return count * (len(self.folder) + steps.NAME_WEIGHT) + len(self.file_names) + len(self.folder_names)

    def add(self, name: bytes, attrs: requests.Attrs) -> None:
        """One more entry. Raises Refused if its name cannot be."""
        if name in (b".", b".."):
            return
        if not name or b"/" in name or b"\0" in name:
            raise Refused("lists names that no file can have")
        names = self.folder_names if steps.is_folder(attrs) else self.file_names
        names += name + b"\0"


def walk_aside(
    place: Place,
    paths: JobPaths,
    runs: Iterable[str],
    refused: RefusedFolder | None = None,
    *,
    most: int = MOST_BYTES,
) -> Iterator[AsideFolder]:
    """Every folder of what these runs moved aside, in no order, large ones in portions; nothing for a run that moved
    nothing.

    `refused` is told of each folder that cannot be listed (run, path and why), and the walk goes on past it. Without
    it, the first refusal is raised. More than `most` bytes of paths in all are a refusal too. To be read to its end: a
    place takes one piece of work at a time, and closes its connection if that is broken off.
    """
    walk = _Walk(place, paths, runs, refused, most)
    for result in place.carry_out(walk.tasks()):
        walk.under_way -= 1
        if result.error is not None:
            walk.note_refusal(result.key, result.error)
        elif result.value is not None and walk.takes(result.key, result.value):
            yield result.value
    if walk.failure is not None:
        raise walk.failure


@dataclass(frozen=True, slots=True)
class _FolderToLook:
    """A folder to be looked into. It stays on one connection, because only there it is open (`rest`)."""

    run: str
    folder: bytes
    connection: int
    rest: Any = None


class _Walk:
    """What waits to be looked into, and what was refused."""

    def __init__(
        self, place: Place, paths: JobPaths, runs: Iterable[str], refused: RefusedFolder | None, most: int
    ) -> None:
        self.under_way = 0
        self.failure: OtherroofError | None = None
        self._place = place
        self._paths = paths
        self._refused = refused
        self._most = most
        self._tops = list(runs)
        self._begun: list[_FolderToLook] = []
        self._waiting: list[tuple[str, bytes, bytearray]] = []  # run, folder, and packed names of folders in it
        self._waiting_bytes = 0
        self._stopped = False
        self._bytes = 0
        self._handed_out = 0

    def tasks(self) -> Iterator[Task[_FolderToLook, AsideFolder] | None]:
        """Asked in the same thread that reads the results, so that the two share this object without a lock.

        None says that folders are still being looked into, from which more may come.
        """
        while True:
            look = self._next()
            if look is not None:
                self.under_way += 1
                # The weight keeps down how many answers can wait for us at once.
                yield Task(look, _look_into(self._paths, look), PORTION, look.connection)
            elif self.under_way:
                yield None
            else:
                return

    def _next(self) -> _FolderToLook | None:
        if self._begun:
            return self._begun.pop()
        # In turn over the connections.
        self._handed_out += 1
        connection = self._handed_out % max(1, self._place.connections)
        # The last comes first, so that few folders wait even in a very large tree.
        while self._waiting:
            run, above, names = self._waiting[-1]
            if names:
                name = _take_last(names)
                self._waiting_bytes -= len(name) + 1
                return _FolderToLook(run, join_path(above, name), connection)
            self._waiting.pop()
        return _FolderToLook(self._tops.pop(), b"", connection) if self._tops else None

    def note_refusal(self, look: _FolderToLook, error: OtherroofError) -> None:
        """A folder could not be listed."""
        if self._refused is not None and isinstance(error, PlaceError):
            self._refused(look.run, look.folder, error)
            return
        # What is under way ends by itself: raised here, it would close the place.
        self.failure = self.failure or error
        self._stop()

    def takes(self, look: _FolderToLook, found: AsideFolder) -> bool:
        """Note what follows from a portion; whether it may be handed on."""
        if self._stopped:  # what was under way still comes
            return False
        self._bytes += found.weight
        if self._bytes > self._most:
            self._stop()
            self.note_refusal(
                look, Refused("lists names without end, so no more was looked at", where=self._paths.name)
            )
            return False
        if found.rest is not None:
            self._begun.append(_FolderToLook(look.run, look.folder, look.connection, found.rest))
        if found.folder_names:
            self._waiting.append((look.run, look.folder, bytearray(found.folder_names)))
            self._waiting_bytes += len(found.folder_names)
        if self._waiting_bytes > MOST_WAITING:
            self._stop()
            self.note_refusal(
                look, Refused("lists folders without end, so no more was looked at", where=self._paths.name)
            )
        return not self._stopped

    def _stop(self) -> None:
        self._stopped = True
        for waiting in (self._tops, self._begun, self._waiting):
            waiting.clear()


def _take_last(names: bytearray) -> bytes:
    """Take the last of some packed names out of them."""
    at = names.rfind(0, 0, len(names) - 1) + 1
    name = bytes(names[at:-1])
    del names[at:]
    return name


def _look_into(paths: JobPaths, look: _FolderToLook) -> Script[AsideFolder]:
    found = AsideFolder(look.run, look.folder)
    top = paths.at(EARLIER, look.run.encode()) if look.run else paths.at(LATEST)
    top = join_path(top, look.folder) if look.folder else top
    # The length is what ends a tree that a lying far box makes up as it is walked: depth alone costs it nothing.
    if len(look.folder) > steps.LONGEST_PATH:
        raise Refused("lists folders without end", where=paths.name)
    handle = look.rest
    if handle is None:
        try:
            handle = yield requests.OpenFolder(top)
        except NotThere:
            return found
    ended = yield from steps.or_close(_next_names(paths, found, handle), requests.LetGo(handle))
    if ended:
        yield requests.LetGo(handle)
    else:
        found.rest = handle
    return found


def _next_names(paths: JobPaths, found: AsideFolder, handle: Any) -> Script[bool]:
    """Add a portion of the names in an open folder to `found`; answers whether they were the last."""
    answers = 0
    ended = False
    while not ended and len(found.file_names) + len(found.folder_names) + answers * steps.NAME_WEIGHT < PORTION:
        portions, ended = yield from steps.read_portions(handle)
        answers += len(portions)
        for portion in portions:
            for name, attrs in portion:
                found.add(name, attrs)
    if not ended and len(found.file_names) + len(found.folder_names) < answers:  # not even a name of one letter in each
        raise Refused("sends lists without a name in them", where=paths.name)
    return ended
