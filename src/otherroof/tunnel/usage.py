"""Who uses a tunnel, as a book of values: two jobs to one far box share it, the last one takes it down.

Pure: every function takes the book and returns what to do; `shared` keeps the book in a file under a lock and does the
work after the lock is let go. A user is one use by one thread; it is alive while its process is.
"""

from __future__ import annotations

import enum
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Literal

Phase = Literal["down", "rising", "up", "sinking", "uncertain"]


@dataclass(frozen=True, slots=True)
class User:
    """One use: its process, when that started (so that a number given again is not taken for it), and a token."""

    pid: int
    started: int
    token: str


Alive = Callable[[User], bool]


class Do(enum.Enum):
    """What the caller has to do once the lock is let go."""

    NOTHING = "nothing"
    RAISE = "bring the tunnel up, then say `risen` or `not_risen`"
    WAIT = "another is at it: ask again in a moment"
    SINK = "take the tunnel down, then say `sunk`"


@dataclass(slots=True)
class Book:
    """Everything that is remembered of one tunnel since the machine started.

    `worker` is the user that is bringing it up or taking it down; `uncertain` means that one was cut short at that:
    whoever comes next brings it up over what stands, or takes that away. `idle_at` is the Unix time since which nobody
    uses it. `session` is the ledger's number for the time that it is up, `sent` and `received` the counters then.
    """

    boot: str = ""
    phase: Phase = "down"
    users: list[User] = field(default_factory=list)
    worker: User | None = None
    idle_at: float = 0.0
    session: int = 0
    sent: int = 0
    received: int = 0


def as_text(book: Book) -> str:
    """The book as JSON."""
    return json.dumps(asdict(book))


def from_text(text: str, boot: str) -> Book:
    """The book that JSON text holds; an empty one if it is from before the machine's start, or cannot be read.

    A book that is lost costs no more than a tunnel that is brought up over itself, which changes nothing.
    """
    try:
        raw = json.loads(text)
        raw["users"] = [User(**user) for user in raw["users"]]
        raw["worker"] = User(**raw["worker"]) if raw["worker"] else None
        book = Book(**raw)
    except (ValueError, TypeError, KeyError):
        return Book(boot=boot)
    return book if book.boot == boot else Book(boot=boot)


def take(book: Book, me: User, alive: Alive) -> Do:
    """`me` wants to use the tunnel. May be asked again after WAIT."""
    _forget_the_dead(book, alive)
    if me not in book.users:
        book.users.append(me)
    return _raise_or_wait(book, me)


def found_down(book: Book, me: User, alive: Alive) -> Do:
    """`me` uses the tunnel and finds it gone, though the book says that it is up."""
    _forget_the_dead(book, alive)
    if book.phase == "up":
        book.phase = "down"
    return _raise_or_wait(book, me)


def risen(book: Book, sent: int, received: int) -> None:
    """The tunnel is up, with these counters; the ledger's session is noted after."""
    book.phase, book.worker = "up", None
    book.session, book.sent, book.received = 0, sent, received


def not_risen(book: Book, me: User) -> None:
    """It could not be brought up, and what was made of it is away; `me` uses it no more."""
    book.phase, book.worker = "down", None
    _drop(book, me)


def leave(book: Book, me: User, alive: Alive, *, now: float, keep: bool) -> Do:
    """`me` needs the tunnel no more; with `keep` it stays up for the time being also when nobody else does."""
    _forget_the_dead(book, alive)
    _drop(book, me)
    if book.worker == me:
        book.phase, book.worker = "uncertain", None
    if book.users or not _stands(book):
        return Do.NOTHING
    if keep:
        book.idle_at = now
        return Do.NOTHING
    return _sink(book, me)


def sweep(book: Book, me: User, alive: Alive, *, now: float, linger_s: float) -> Do:
    """Called from time to time: whether the tunnel has been idle long enough for `me` to take it down."""
    had_users = bool(book.users)
    _forget_the_dead(book, alive)
    if book.users or not _stands(book):
        return Do.NOTHING
    if had_users:
        book.idle_at = now  # its last user died: the linger time starts now
    return _sink(book, me) if now - book.idle_at >= linger_s else Do.NOTHING


def sunk(book: Book) -> None:
    """The tunnel is down."""
    book.phase, book.worker, book.session = "down", None, 0


def not_sunk(book: Book, now: float) -> None:
    """It could not be taken down: it counts as up and idle, and will be tried again."""
    book.phase, book.worker, book.idle_at = "up", None, now


def _raise_or_wait(book: Book, me: User) -> Do:
    if book.phase == "up":
        return Do.NOTHING
    if book.worker is not None and book.worker != me:
        return Do.WAIT
    book.phase, book.worker = "rising", me
    return Do.RAISE


def _stands(book: Book) -> bool:
    return book.worker is None and book.phase in {"up", "uncertain"}


def _sink(book: Book, me: User) -> Do:
    book.phase, book.worker = "sinking", me
    return Do.SINK


def _drop(book: Book, me: User) -> None:
    book.users = [user for user in book.users if user != me]


def _forget_the_dead(book: Book, alive: Alive) -> None:
    book.users = [user for user in book.users if alive(user)]
    if book.worker is not None and not alive(book.worker):
        book.worker, book.phase = None, "uncertain"
