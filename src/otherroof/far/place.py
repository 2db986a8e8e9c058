"""The port of a place: scripts go in, their results come out, many of them at once.

What a script may ask is in `requests`. How a place carries it out, over SFTP or in a folder of this machine, it keeps
to itself; nothing here knows a connection or a file.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, Protocol, TypeVar

from otherroof.base.errors import OtherroofError
from otherroof.far.requests import LEAST, Script

K = TypeVar("K")
T = TypeVar("T")
K_co = TypeVar("K_co", covariant=True)
T_co = TypeVar("T_co", covariant=True)


@dataclass(slots=True)
class Task(Generic[K_co, T_co]):
    """A script with the key its result is known by; `weight` is the memory it holds, in bytes,
    and `files` is how many it works on, each with a handle of its own.

    `connection` asks for a certain one, by its number modulo how many there are: for parts of one file that are to go
    side by side, and for scripts that must not overtake each other. A script that `waits_for_disk` has the far disk
    sync, which takes as long as a disk turns: many of those go side by side, apart from the others. One that moves a
    `long_stream` keeps a connection busy by itself: each takes few of them, so that those which are only being opened
    find some left.
    """

    key: K_co
    script: Script[T_co]
    weight: int = 0
    connection: int | None = None
    waits_for_disk: bool = False
    files: int = 1
    long_stream: bool = False


@dataclass(slots=True)
class TaskResult(Generic[K_co, T_co]):
    """How a task ended: with a value, or with an error of the root error's kinds."""

    key: K_co
    value: T_co | None = None
    error: OtherroofError | None = None


@dataclass(frozen=True, slots=True)
class PlaceOffers:
    """What a place can do beyond the bare minimum, and its limits in bytes."""

    link: bool = False
    copy_range: bool = False
    sync: bool = False
    space: bool = False
    max_write: int = LEAST
    max_read: int = LEAST


@dataclass(slots=True)
class Meter:
    """Counts that a display or a test can watch while work goes on; bytes of content, and on the wire."""

    landed: int = 0
    drawn: int = 0
    wire_up: int = 0
    wire_down: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False, compare=False)

    def add(self, *, landed: int = 0, drawn: int = 0, wire_up: int = 0, wire_down: int = 0) -> None:
        """Count some more. The threads of several connections share a meter, and `+=` is a read and a write."""
        with self._lock:
            self.landed += landed
            self.drawn += drawn
            self.wire_up += wire_up
            self.wire_down += wire_down


class Place(Protocol):
    """A folder tree that copies are written to. One contract for every kind of place.

    `carry_out` runs scripts, many at once if the place allows it, taken from `work` as room comes free, and
    yields each result as it comes, in no order. `work` may give None: nothing now, ask again after the next result.
    LinkLost ends it, after what is known by then to have been refused: what else was under way is uncertain, as it is
    if the generator is closed early. `tick` is
    called about every second in the caller's thread while work is under way.
    """

    offers: PlaceOffers
    meter: Meter

    @property
    def connections(self) -> int:
        """How many connections there are; a task may ask for one of them by number."""

    def widen(self, *, for_much: bool = True, for_large: bool = True) -> None:
        """Open further connections if that makes a large copy faster. Answers at once, and work need not wait for them;
        one that cannot be opened is done without.

        `for_much`: there is so much to do that they come in time to be of use; else only as many are opened as the
        settings name. `for_large`: large files are among it; else none is opened that only these would gain from.
        """

    def carry_out(
        self, work: Iterable[Task[K, T] | None], tick: Callable[[], None] | None = None
    ) -> Generator[TaskResult[K, T], None, None]: ...

    def close(self) -> None: ...


@dataclass(slots=True)
class _Only:
    """Key for a single script."""

    name: str = field(default="only")


def run_script(place: Place, script: Script[T]) -> T:
    """Run one script and answer its value; raises its error."""
    (result,) = list(place.carry_out([Task(_Only(), script)]))
    if result.error is not None:
        raise result.error
    return result.value  # type: ignore[return-value]


def run_scripts(place: Place, scripts: Sequence[Script[Any]]) -> list[Any]:
    """Run several scripts at once and answer their values in their order; raises the first one's error that has any."""
    found: dict[int, TaskResult[int, Any]] = {}
    for result in place.carry_out(Task(number, script) for number, script in enumerate(scripts)):
        found[result.key] = result
    values = []
    for number in range(len(scripts)):
        error = found[number].error
        if error is not None:
            raise error
        values.append(found[number].value)
    return values
