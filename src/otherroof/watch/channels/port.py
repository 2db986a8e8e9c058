"""The port through which a message leaves this machine, and the message itself.

A channel hands one message over, once, within its time-out, or raises Undelivered; queueing, trying again and
pauses are not its business. One contract suite runs over every channel.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol

MessageKind = Literal["alert", "all clear", "digest", "test"]


@dataclass(frozen=True, slots=True)
class Message:
    """What is to be told. `id` is the same whenever the same message is tried again; `facts` is a JSON object
    as text for programs; `html` may be empty; `count` is how many things are told in it."""

    id: str
    kind: str
    about: str
    at: datetime
    subject: str
    text: str
    html: str = ""
    facts: str = "{}"
    count: int = 1

    @property
    def line(self) -> str:
        """The subject on one line, whatever was in it."""
        return " ".join(self.subject.split())


class Channel(Protocol):
    """One way out."""

    def deliver(self, message: Message) -> str:
        """Hand `message` over. Returns what was not quite right, empty when all was.

        Raises Undelivered when it was not taken, and WrongSettings when it cannot be as the settings are. Never
        waits without a time-out, never puts a secret into an error.
        """
        ...
