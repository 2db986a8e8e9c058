"""A job's far folder for the contracts, one class a layout: what stands there as this machine sees it, and the ports.

A further layout needs its class here and its line in LAYOUTS; every suite then runs over it.
"""

from __future__ import annotations

import os
from pathlib import Path

from otherroof.far.place import Place, run_script
from otherroof.far.requests import Script, T
from otherroof.far_copy.keeper import HomeIdentity, Keeper
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.writer import FileProperties, Writer
from otherroof.layouts.open.keeper import OpenKeeper
from otherroof.layouts.open.paths import JobPaths
from support.places import Standing

RUN, NEXT = "2031-04-05T013000Z-0001", "2031-04-06T013000Z-0002"
KEY = ListingKey(bytes(range(32)))
OLD, NEW = b"what was there", b"what comes now, a little longer"
NAMES = (b"a", b"deep/down/a", b"\xff\n/\xfe", b"n" * 255)


def put(writer: Writer, path: bytes, data: bytes, properties: FileProperties, *, had: bool) -> Script[None]:
    """A small file as a run sends it: in two steps, if something is known to stand there."""
    if not had:
        return (yield from writer.put(path, data, properties))
    yield from writer.put_part(path, data, properties)
    return (yield from writer.take_place(path, had))


def finish(writer: Writer, path: bytes, properties: FileProperties, *, had: bool) -> Script[None]:
    """A large file that was taken whole takes its place."""
    yield from writer.finish_part(path, properties)
    yield from writer.take_place(path, had)


class OpenFar:
    """A job's far folder in the open layout."""

    def __init__(self, base: Standing, name: str, scratch: Path) -> None:
        self.base, self.name = base, name
        self.here = base.here / name
        self.scratch = scratch
        (self.here / "latest").mkdir(parents=True)
        (self.here / "incoming").mkdir()
        self.writer = self.keeper().writer(RUN)

    def do(self, script: Script[T]) -> T:
        return run_script(self.base.place, script)

    def keeper(self, key: ListingKey = KEY, place: Place | None = None) -> Keeper:
        return OpenKeeper(place or self.base.place, self.name, HomeIdentity("larch", key, str(self.scratch)))

    def path(self, where: str, name: bytes) -> Path:
        return self.here / where / os.fsdecode(name)

    def part(self, name: bytes) -> Path:
        """Where a large file arrives."""
        return self.base.here / os.fsdecode(JobPaths(self.name).part(name))

    def listing(self, run: str) -> Path:
        return self.here / "runs" / f"{run}.jsonl.gz"

    def has(self, where: str, name: bytes, content: bytes | None = OLD) -> Path:
        """Let something stand there: a file, or a folder where `content` is None."""
        path = self.path(where, name)
        path.parent.mkdir(parents=True, exist_ok=True)
        if content is None:
            path.mkdir()
        else:
            path.write_bytes(content)
            os.utime(path, (1, 1))
        return path

    def latest(self, name: bytes) -> bytes | None:
        return self._read(self.path("latest", name))

    def earlier(self, name: bytes, run: str = RUN) -> bytes | None:
        return self._read(self.path(f"earlier/{run}", name))

    def _read(self, path: Path) -> bytes | None:
        return path.read_bytes() if path.is_file() else None

    @property
    def incoming(self) -> list[str]:
        return sorted(path.name for path in (self.here / "incoming").iterdir())


Far = OpenFar  # what the suites say; with a second layout, what both classes have in common
LAYOUTS = {"open": OpenFar}
