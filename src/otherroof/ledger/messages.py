"""The ledger's pages on messages: what waits for which channel, what went out, and when the last digest was made.

A message waits here until its channel takes it. One that is newer replaces one about the same thing that
still waits, so that a channel that is down for months does not send a heap when it comes back. The messages of one
bundle are sent together; each keeps its own row, so that a newer message about one subject replaces only that row.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import Page

_COLUMNS = "id, channel, kind, about, made, subject, text, html, facts, tries, next_try, problem, bundle"


@dataclass(frozen=True, slots=True)
class QueuedMessage:
    """One message to one channel. `about` is an alert's key or `digest`; `facts` is a JSON object as text; those of
    one `bundle` go out as one."""

    channel: str
    kind: str
    about: str
    made: datetime
    subject: str
    text: str
    html: str = ""
    facts: str = "{}"
    tries: int = 0
    next_try: datetime | None = None
    problem: str = ""
    bundle: int = 0
    id: int = 0


@dataclass(frozen=True, slots=True)
class ChannelState:
    """How a channel fares: since when it has not taken a message whole (None: it has), and what it said."""

    failing_since: datetime | None
    fails: int
    problem: str
    last_sent: datetime | None
    waiting: int


class PostPage(Page):
    """The messages that wait for their channels, and how each channel fares."""

    def waiting(self) -> list[QueuedMessage]:
        """Every message that has not gone out, bundle by bundle; those tried least often first, then the oldest."""
        return self._rows("sent IS NULL ORDER BY tries, made, bundle, id")

    def claim(self, posts: Sequence[QueuedMessage], until: datetime) -> list[QueuedMessage]:
        """Take a bundle in hand, so that no other process sends it meanwhile. Those that are ours now: without what
        another process took, or put a newer word in place of.

        Counts as a try at once, so that a message that crashes the process is not tried first again.
        """
        with self.file.writing() as db:
            return [post for post in posts if _claim(db, post, until)]

    def sent(self, posts: Sequence[QueuedMessage], at: datetime, note: str = "") -> None:
        """The channel took the bundle; `note` tells what was not quite right. Its bodies are dropped."""
        channel = posts[0].channel
        with self.file.writing() as db:
            db.executemany(
                "UPDATE post SET sent=?, problem=?, text='', html='', facts='{}' WHERE id=?",
                [(stamp(at), note, post.id) for post in posts],
            )
            db.execute(
                "INSERT INTO channel (name, failing_since, fails, problem, last_sent) VALUES (?1, ?2, 0, ?3, ?4)"
                " ON CONFLICT (name) DO UPDATE SET fails=0, problem=?3, last_sent=?4,"
                " failing_since = CASE WHEN ?2 IS NULL THEN NULL ELSE min(coalesce(failing_since, ?2), ?2) END",
                (channel, stamp(at) if note else None, note, stamp(at)),
            )

    def failed(self, posts: Sequence[QueuedMessage], problem: str, at: datetime, next_try: datetime) -> None:
        """The channel did not take the bundle; all that waits for this channel is put off until `next_try`."""
        channel = posts[0].channel
        with self.file.writing() as db:
            db.executemany("UPDATE post SET problem=? WHERE id=?", [(problem, post.id) for post in posts])
            db.execute("UPDATE post SET next_try=? WHERE channel=? AND sent IS NULL", (stamp(next_try), channel))
            db.execute(
                "INSERT INTO channel (name, failing_since, fails, problem) VALUES (?1, ?2, 1, ?3) ON CONFLICT (name)"
                " DO UPDATE SET failing_since=min(coalesce(failing_since, ?2), ?2), fails=fails+1, problem=?3",
                (channel, stamp(at), problem),
            )

    def part(self, posts: Iterable[QueuedMessage]) -> None:
        """From now on each of these goes out by itself."""
        with self.file.writing() as db:
            db.executemany("UPDATE post SET bundle=id WHERE id=?", [(post.id,) for post in posts])

    def channel_states(self) -> dict[str, ChannelState]:
        """How every channel that was ever used has fared."""
        with self.file.guarded():
            rows = self.file.db.execute(
                "SELECT name, failing_since, fails, problem, last_sent,"
                " (SELECT count(DISTINCT bundle) FROM post WHERE channel = name AND sent IS NULL) FROM channel"
            ).fetchall()
        return {
            name: ChannelState(
                from_stamp(since) if since else None, fails, problem, from_stamp(last) if last else None, waiting
            )
            for name, since, fails, problem, last, waiting in rows
        }

    def hurry(self, channel: str, now: datetime) -> int:
        """All that waits for `channel` is due now. Returns how many."""
        with self.file.writing() as db:
            return db.execute(
                "UPDATE post SET next_try=? WHERE channel=? AND sent IS NULL", (stamp(now), channel)
            ).rowcount

    def note_channel_works(self, channel: str) -> None:
        """The channel just took a message whole, outside the queue."""
        with self.file.writing() as db:
            db.execute("UPDATE channel SET failing_since=NULL, fails=0, problem='' WHERE name=?", (channel,))

    def drop(self, channel: str) -> int:
        """Throw away what waits for a channel that no longer exists, and how it fared. Returns how many."""
        with self.file.writing() as db:
            db.execute("DELETE FROM channel WHERE name=?", (channel,))
            return db.execute("DELETE FROM post WHERE channel=? AND sent IS NULL", (channel,)).rowcount

    def _rows(self, where: str, *given: str) -> list[QueuedMessage]:
        with self.file.guarded():
            rows = self.file.db.execute(f"SELECT {_COLUMNS} FROM post WHERE {where}", given).fetchall()
        return [_as_post(row) for row in rows]


class DigestPage(Page):
    """When digests were made."""

    def note(self, at: datetime, since: datetime, safe: bool, posts: tuple[QueuedMessage, ...]) -> None:
        """A digest was made for the time from `since` to `at`; its messages are queued with it.

        `marks` tells when the last was made, under the name "digest".
        """
        with self.file.writing() as db:
            db.execute("INSERT OR REPLACE INTO digest VALUES (?, ?, ?)", (stamp(at), stamp(since), int(safe)))
            db.execute("INSERT OR REPLACE INTO mark (name, at) VALUES ('digest', ?)", (stamp(at),))
            for post in posts:
                queue(db, post)


def queue_together(db: sqlite3.Connection, posts: Iterable[QueuedMessage]) -> None:
    """Queue messages inside the caller's transaction; those to one channel go out together as one."""
    first: dict[str, int] = {}
    for post in posts:
        # A bundle has the number of its first message, so that it needs no numbers of its own.
        number = queue(db, post)
        db.execute("UPDATE post SET bundle=? WHERE id=?", (first.setdefault(post.channel, number), number))


def queue(db: sqlite3.Connection, post: QueuedMessage) -> int:
    """Put a message in the queue inside the caller's transaction, in place of an older one about the same thing.
    Returns its number."""
    db.execute("DELETE FROM post WHERE channel=? AND about=? AND sent IS NULL", (post.channel, post.about))
    row = db.execute(
        "INSERT INTO post (channel, kind, about, made, subject, text, html, facts, next_try)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            post.channel,
            post.kind,
            post.about,
            stamp(post.made),
            post.subject,
            post.text,
            post.html,
            post.facts,
            stamp(post.next_try or post.made),
        ),
    )
    number = int(row.lastrowid or 0)
    db.execute("UPDATE post SET bundle=? WHERE id=?", (number, number))
    return number


def _claim(db: sqlite3.Connection, post: QueuedMessage, until: datetime) -> bool:
    done = db.execute(
        # Only if `next_try` is still as it was read: whoever changes it first has the message, and the other finds none
        # to change.
        "UPDATE post SET next_try=?, tries=tries+1 WHERE id=? AND next_try=? AND sent IS NULL",
        (stamp(until), post.id, stamp(post.next_try or post.made)),
    )
    return done.rowcount > 0


def _as_post(row: tuple[Any, ...]) -> QueuedMessage:
    number, channel, kind, about, made, subject, text, html, facts, tries, next_try, problem, bundle = row
    return QueuedMessage(
        channel=channel,
        kind=kind,
        about=about,
        made=from_stamp(made),
        subject=subject,
        text=text,
        html=html,
        facts=facts,
        tries=tries,
        next_try=from_stamp(next_try),
        problem=problem,
        bundle=bundle,
        id=number,
    )
