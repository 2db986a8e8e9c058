"""The walk of what runs moved aside: many folders at once; a refusal ends it without ending the connection."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from itertools import islice, takewhile
from pathlib import Path

import pytest

from otherroof.base.errors import Denied, Refused
from otherroof.far import requests
from otherroof.far.local.place import LocalPlace
from otherroof.far.place import K, T, Task, TaskResult
from otherroof.layouts.open.paths import JobPaths
from otherroof.layouts.open.walk import walk_aside

RUNS = ["2031-04-05T013000Z-0001", "2031-04-06T013000Z-0002", "2031-04-07T013000Z-0003"]
PATHS = JobPaths("papers")
AT_ONCE = 64


class WaitingPlace(LocalPlace):
    """Takes what tasks it is given, up to so many, before it carries any of them out: a long line does just that."""

    def __init__(self, base: Path) -> None:
        super().__init__(bytes(base))
        self.waits = 0
        self.tasks = 0
        self.broken_off = False
        self.denied = b""

    def carry_out(
        self, work: Iterable[Task[K, T] | None], tick: Callable[[], None] | None = None
    ) -> Generator[TaskResult[K, T], None, None]:
        coming = iter(work)
        try:
            while tasks := list(islice(takewhile(lambda task: task is not None, coming), AT_ONCE)):
                self.waits += 1
                self.tasks += len(tasks)
                yield from super().carry_out(tasks, tick)
        except GeneratorExit:
            self.broken_off = True
            raise

    def _do(self, op: requests.Op) -> object:
        if isinstance(op, requests.OpenFolder) and self.denied and op.path.endswith(self.denied):
            raise Denied("may not be looked into")
        return super()._do(op)


@pytest.fixture
def place(tmp_path: Path) -> WaitingPlace:
    return WaitingPlace(tmp_path)


def has(place: WaitingPlace, run: str, path: str) -> None:
    file = Path(place._base.decode()) / "papers/earlier" / run / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(b"")


def test_every_run_is_walked_whole_and_told_apart(place: WaitingPlace) -> None:
    has(place, RUNS[0], "a")
    has(place, RUNS[0], "deep/down/b")
    has(place, RUNS[2], "a")
    found = {(folder.run, path) for folder in walk_aside(place, PATHS, RUNS) for path in folder.files}
    assert found == {(RUNS[0], b"a"), (RUNS[0], b"deep/down/b"), (RUNS[2], b"a")}
    assert list(walk_aside(place, PATHS, [])) == []


def test_waits_grow_with_depth_and_not_with_the_number_of_folders(place: WaitingPlace) -> None:
    for run in RUNS:
        for number in range(20):
            has(place, run, f"{number}/below/file")
    assert len([path for folder in walk_aside(place, PATHS, RUNS) for path in folder.files]) == 60
    assert place.tasks == 3 * (1 + 20 + 20)
    assert place.waits == 3, "one for each level: all runs and all folders of a level go together"


def test_few_folders_wait_even_where_there_are_very_many(place: WaitingPlace) -> None:
    """Memory: what was found last is looked into first, so that a level is never held whole."""
    for number in range(3 * AT_ONCE):
        for below in range(5):
            has(place, RUNS[0], f"{number:03}/{below}/file")
    most = waiting = 0
    for folder in walk_aside(place, PATHS, [RUNS[0]]):
        waiting += len(list(folder.folders)) - 1
        most = max(most, waiting)
    assert most < 3 * AT_ONCE + 5 * AT_ONCE, "of 960 folders on the lowest level"


def test_folder_that_is_refused_ends_the_walk_and_not_the_connection(place: WaitingPlace) -> None:
    for number in range(5):
        has(place, RUNS[0], f"{number}/below/file")
    place.denied = b"/2"
    with pytest.raises(Denied):
        list(walk_aside(place, PATHS, RUNS))
    assert not place.broken_off, "a place whose work is broken off hangs up"
    assert place.tasks == 3 + 5, "nothing below the level of the refusal was asked for"
    place.denied = b""
    assert len(list(walk_aside(place, PATHS, RUNS))) == 3 + 5 + 5


@pytest.mark.parametrize("name", [b"", b"a/b", b"../a"])
def test_name_that_cannot_be_ends_the_walk(place: WaitingPlace, name: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """Invariant 5."""
    has(place, RUNS[0], "a")
    attrs = requests.Attrs(0, 0o100644, 0)
    answers = iter([[(name, attrs)], None])
    real = WaitingPlace._do

    def lie(self: WaitingPlace, op: requests.Op) -> object:
        return next(answers) if isinstance(op, requests.ReadFolder) else real(self, op)

    monkeypatch.setattr(WaitingPlace, "_do", lie)
    with pytest.raises(Refused, match="names that no file can have"):
        list(walk_aside(place, PATHS, RUNS[:1]))
    assert not place.broken_off
