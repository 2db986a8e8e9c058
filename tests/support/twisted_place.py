"""A place in a folder that notes every request in its order, and answers some of them as a test wants them answered.

For what only the order of requests tells, and for far boxes that lie in one answer and are true in all others.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from otherroof.far import requests
from otherroof.far.local.place import LocalPlace
from otherroof.far.place import run_script
from otherroof.far.requests import Script, T
from otherroof.far_copy.listing_key import ListingKey
from otherroof.layouts.open.paths import JobPaths
from otherroof.layouts.open.steps import UNKNOWN_DISK, DiskHabits
from otherroof.layouts.open.writer import OpenWriter

JOB, RUN, NEXT = "papers", "2031-04-05T013000Z-0001", "2031-04-06T013000Z-0002"
KEY = ListingKey(bytes(range(32)))
TRUE: Any = object()  # a twist's answer: as it really is


@dataclass(frozen=True, slots=True)
class Asked:
    """A request that was carried out: its kind, and the path it is about, also by the handle that was opened there."""

    kind: str
    path: bytes
    op: requests.Op

    def __repr__(self) -> str:
        return f"{self.kind} {self.path.decode()}"


class TwistedPlace(LocalPlace):
    """The folder `base`. `twist` is asked first, and may raise; `left_open` has the paths of handles never closed."""

    def __init__(self, base: Path, **offers: Any) -> None:
        super().__init__(os.fsencode(base))
        if offers:
            self.offers = replace(self.offers, **offers)
        self.asked: list[Asked] = []
        self.twist: Callable[[requests.Op, bytes], Any] = lambda _op, _path: TRUE
        self._paths: dict[Any, bytes] = {}

    @property
    def left_open(self) -> list[bytes]:
        return sorted(self._paths.values())

    def _do(self, op: requests.Op) -> Any:
        path = self._path_of(op)
        self.asked.append(Asked(type(op).__name__, path, op))
        answer = self.twist(op, path)
        if answer is TRUE:
            answer = super()._do(op)
        if isinstance(op, requests.OpenFile | requests.OpenFolder):
            self._paths[answer] = op.path
        elif isinstance(op, requests.CloseFile):
            self._paths.pop(op.handle, None)
        return answer

    def _path_of(self, op: requests.Op) -> bytes:
        for name in ("path", "old"):
            if hasattr(op, name):
                return bytes(getattr(op, name))
        return self._paths.get(getattr(op, "handle", None) or getattr(op, "target", None), b"")

    def kinds(self, end: bytes = b"") -> list[str]:
        """The kinds of the requests about paths with this end, in order."""
        return [one.kind for one in self.asked if one.path.endswith(end)]

    def place_of(self, kind: str, end: bytes = b"") -> int:
        """Where in the order the first such request stands."""
        return next(at for at, one in enumerate(self.asked) if one.kind == kind and one.path.endswith(end))


class Household:
    """A job's far folder in a twisted place, with a writer of RUN."""

    def __init__(self, where: Path, disk: DiskHabits = UNKNOWN_DISK, **offers: Any) -> None:
        self.place = TwistedPlace(where, **offers)
        self.here = where / JOB
        for name in ("latest", "incoming", "runs", f"earlier/{RUN}"):
            (self.here / name).mkdir(parents=True)
        self.paths = JobPaths(JOB, RUN)
        self.writer = OpenWriter(self.place, JOB, RUN, "server1", disk)

    def do(self, script: Script[T]) -> T:
        """Carry out a script, with the requests before it forgotten."""
        self.place.asked.clear()
        return run_script(self.place, script)

    def put(self, name: str, content: bytes) -> Path:
        path = self.here / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        return path

    @property
    def latest(self) -> dict[str, bytes]:
        return _files(self.here / "latest")

    @property
    def earlier(self) -> dict[str, bytes]:
        return _files(self.here / "earlier" / RUN)


def _files(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
