"""The ledger's pages on messages: what waits for which channel, what went out, and when the last digest was made.

A message waits here until its channel takes it. One that is newer replaces one about the same thing that
still waits, so that a channel that is down for months does not pour out a heap when it comes back.
"""

from __future__ import annotations

import sqlite3
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from otherroof.clock import from_stamp, stamp

_COLUMNS = "id, channel, kind, about, made, subject, text, html, facts, tries, next_try, problem, sent"


@dataclass(frozen=True, slots=True)
class Post:
    """One message to one channel. `about` is an alert's key or `digest`; `facts` is a JSON object as text."""

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
    sent: datetime | None = None
    id: int = 0


@dataclass(frozen=True, slots=True)
class ChannelState:
    """How a channel fares: since when it has not taken a message whole (None: it has), and what it said."""

    failing_since: datetime | None
    fails: int
    problem: str
    last_sent: datetime | None
    waiting: int


class PostPages:
    """Queries on messages; mixed into the Ledger, which gives the connection."""

    db: sqlite3.Connection

    def writing(self) -> AbstractContextManager[sqlite3.Connection]:
        raise NotImplementedError

    def guarded(self) -> AbstractContextManager[None]:
        raise NotImplementedError

    def waiting_posts(self) -> list[Post]:
        """Every message that has not gone out; those tried least often first, then the oldest."""
        return self._posts("sent IS NULL ORDER BY tries, made, id")

    def posts_sent_since(self, moment: datetime) -> list[Post]:
        """Messages that went out at or after `moment`, newest first; their bodies are no longer kept."""
        return self._posts("sent IS NOT NULL AND sent >= ? ORDER BY sent DESC, id DESC", stamp(moment))

    def claim_post(self, post: Post, until: datetime) -> bool:
        """Take a message in hand, so that no other process sends it meanwhile. False where one already did.

        Counts as a try at once: a message that somehow ends the process is not the first one again next time.
        """
        with self.writing() as db:
            done = db.execute(
                "UPDATE post SET next_try=?, tries=tries+1 WHERE id=? AND next_try=? AND sent IS NULL",
                (stamp(until), post.id, stamp(post.next_try or post.made)),
            )
            return done.rowcount > 0

    def post_sent(self, post: Post, at: datetime, note: str = "") -> None:
        """The channel took it; `note` tells what was not quite right. Its bodies are dropped."""
        with self.writing() as db:
            db.execute(
                "UPDATE post SET sent=?, problem=?, text='', html='', facts='{}' WHERE id=?",
                (stamp(at), note, post.id),
            )
            db.execute(
                "INSERT INTO channel (name, failing_since, fails, problem, last_sent) VALUES (?1, ?2, 0, ?3, ?4)"
                " ON CONFLICT (name) DO UPDATE SET fails=0, problem=?3, last_sent=?4,"
                " failing_since = CASE WHEN ?2 IS NULL THEN NULL ELSE coalesce(failing_since, ?2) END",
                (post.channel, stamp(at) if note else None, note, stamp(at)),
            )

    def post_failed(self, post: Post, problem: str, at: datetime, next_try: datetime) -> None:
        """The channel did not take it; all that waits for this channel is put off until `next_try`."""
        with self.writing() as db:
            db.execute("UPDATE post SET problem=? WHERE id=?", (problem, post.id))
            db.execute("UPDATE post SET next_try=? WHERE channel=? AND sent IS NULL", (stamp(next_try), post.channel))
            db.execute(
                "INSERT INTO channel (name, failing_since, fails, problem) VALUES (?1, ?2, 1, ?3) ON CONFLICT (name)"
                " DO UPDATE SET failing_since=coalesce(failing_since, ?2), fails=fails+1, problem=?3",
                (post.channel, stamp(at), problem),
            )

    def channel_states(self) -> dict[str, ChannelState]:
        """How every channel that was ever used has fared."""
        with self.guarded():
            rows = self.db.execute(
                "SELECT name, failing_since, fails, problem, last_sent,"
                " (SELECT count(*) FROM post WHERE channel = name AND sent IS NULL) FROM channel"
            ).fetchall()
        return {
            name: ChannelState(
                from_stamp(since) if since else None, fails, problem, from_stamp(last) if last else None, waiting
            )
            for name, since, fails, problem, last, waiting in rows
        }

    def hurry_posts(self, channel: str, now: datetime) -> int:
        """All that waits for `channel` is due now. Returns how many."""
        with self.writing() as db:
            return db.execute(
                "UPDATE post SET next_try=? WHERE channel=? AND sent IS NULL", (stamp(now), channel)
            ).rowcount

    def channel_works(self, channel: str) -> None:
        """The channel just took a message whole, outside the queue."""
        with self.writing() as db:
            db.execute("UPDATE channel SET failing_since=NULL, fails=0, problem='' WHERE name=?", (channel,))

    def drop_posts(self, channel: str) -> int:
        """Throw away what waits for a channel that no longer exists, and how it fared. Returns how many."""
        with self.writing() as db:
            db.execute("DELETE FROM channel WHERE name=?", (channel,))
            return db.execute("DELETE FROM post WHERE channel=? AND sent IS NULL", (channel,)).rowcount

    def note_digest(self, at: datetime, since: datetime, safe: bool, posts: tuple[Post, ...]) -> None:
        """A digest was made for the time from `since` to `at`; its messages are queued with it."""
        with self.writing() as db:
            db.execute("INSERT OR REPLACE INTO digest VALUES (?, ?, ?)", (stamp(at), stamp(since), int(safe)))
            for post in posts:
                queue(db, post)

    def last_digest(self) -> datetime | None:
        """When the last digest was made."""
        with self.guarded():
            (found,) = self.db.execute("SELECT max(at) FROM digest").fetchone()
        return from_stamp(found) if found else None

    def _posts(self, where: str, *given: str) -> list[Post]:
        with self.guarded():
            rows = self.db.execute(f"SELECT {_COLUMNS} FROM post WHERE {where}", given).fetchall()
        return [_as_post(row) for row in rows]


def queue(db: sqlite3.Connection, post: Post) -> None:
    """Put a message in the queue inside the caller's transaction, in place of an older one about the same thing."""
    db.execute("DELETE FROM post WHERE channel=? AND about=? AND sent IS NULL", (post.channel, post.about))
    db.execute(
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


def _as_post(row: tuple[Any, ...]) -> Post:
    number, channel, kind, about, made, subject, text, html, facts, tries, next_try, problem, sent = row
    return Post(
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
        sent=from_stamp(sent) if sent else None,
        id=number,
    )
