"""What a proof makes of files that come, that do not, and of those that it was told not to wait for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

from otherroof.base.errors import NotThere, OtherroofError
from otherroof.copying.home.read import new_digest
from otherroof.far.place import Task, TaskResult
from otherroof.far_copy.entry import Entry
from otherroof.restore.proving.read_back import LARGE, ReadBack, ReadingContext, WireBudget

CONTENT = b"content"


def entry(path: bytes, size: int = len(CONTENT)) -> Entry:
    digest = new_digest()
    digest.update(CONTENT)
    return Entry(path, "file", size, 1, 0o644, 0, 0, digest=digest.digest())


@dataclass
class Version:
    """A version of which some files are not where they were until it is looked at again, or never."""

    gone: set[bytes] = field(default_factory=set)
    found_by_a_look: set[bytes] = field(default_factory=set)
    looks: int = 0

    @property
    def place(self) -> Any:
        return self

    def look_again(self) -> bool:
        self.looks += 1
        found = self.gone & self.found_by_a_look
        self.gone -= found
        return bool(found)

    def read_range(self, entry: Entry, _offset: int, _length: int, sink: Any) -> Callable[[], None]:
        def read() -> None:
            if entry.path in self.gone:
                raise NotThere("is not there")
            sink.take(CONTENT)

        return read

    def carry_out(self, tasks: Iterator[Task[Any, None] | None], _tick: object) -> Iterator[TaskResult[Any, None]]:
        for task in tasks:
            assert task is not None, "all that was begun has come"
            error = None
            try:
                task.script()  # type: ignore[operator]
            except OtherroofError as problem:
                error = problem
            yield TaskResult(task.key, error=error)


@dataclass
class Heard:
    """What a reading told."""

    whole: list[bytes] = field(default_factory=list)
    broken: list[bytes] = field(default_factory=list)


def read(version: Version, *files: Entry, stop: Callable[[], str] = str, most: int | None = None) -> Heard:
    heard = Heard()
    budget = WireBudget(SimpleNamespace(wire_down=5000), most)  # type: ignore[arg-type]
    progress: Any = SimpleNamespace(path=b"", files=0)
    context = ReadingContext(SimpleNamespace(asked=stop), progress, lambda: None, budget)  # type: ignore[arg-type]
    reading = ReadBack(
        version,  # type: ignore[arg-type]
        context,
        lambda found: heard.whole.append(found.path),
        lambda found, _why: heard.broken.append(found.path),
    )
    reading.read(iter(files))
    return heard


def test_what_a_run_moved_aside_meanwhile_is_read_where_it_lies_now() -> None:
    version = Version({b"a"}, {b"a"})
    assert read(version, entry(b"a"), entry(b"b")) == Heard([b"b", b"a"], [])
    assert version.looks == 1


def test_a_large_file_that_is_missed_ends_no_proof_of_the_others() -> None:
    heard = read(Version({b"a"}), entry(b"a", 2 * LARGE), entry(b"b"), entry(b"c"))
    assert heard == Heard([b"b", b"c"], [b"a"])


def test_a_file_that_was_being_read_when_the_proof_was_stopped_is_neither_whole_nor_damaged() -> None:
    words = iter(["", "a person asked"])  # before the file is begun, and when its content comes
    assert read(Version(), entry(b"a"), entry(b"b"), stop=lambda: next(words, "a person asked")) == Heard()


def test_what_crossed_the_wire_before_a_proof_began_does_not_count_against_it() -> None:
    assert read(Version(), entry(b"a"), most=1000).whole == [b"a"]
