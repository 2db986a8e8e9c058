"""This machine's own log: the journal's native protocol if it runs, lines on standard error if it does not.

Formats: systemd's "Native Journal Protocol" (one datagram an entry; a value with a newline is written as name,
newline, 64-bit little-endian length, value, newline) and sd-daemon(3) (a line that begins with `<priority>`).
"""

from __future__ import annotations

import socket
import struct
import sys
from dataclasses import dataclass

from otherroof.base.errors import Undelivered
from otherroof.watch.channels.port import Message

SOCKET = "/run/systemd/journal/socket"
# Well below what a datagram may hold by default on Linux; a digest has a tenth of it.
_MOST_TEXT = 60_000
_ANSWER_S = 5.0
# syslog(3): 4 warning, 6 informational.
_WARNING, _TOLD = 4, 6


@dataclass(frozen=True, slots=True)
class JournalChannel:
    """Writes to the journal's socket at `path`, or to standard error if there is none."""

    path: str = SOCKET

    def deliver(self, message: Message) -> str:
        """Write the message; the digest, or several alerts, as one entry of many lines."""
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
                sock.settimeout(_ANSWER_S)
                sock.connect(self.path)
                sock.send(entry(message))
        # No journal runs here (refused: its socket is left over).
        except (FileNotFoundError, ConnectionRefusedError):
            _to_standard_error(message)
        except OSError as problem:
            raise Undelivered(f"the journal did not take it: {problem}", where=self.path) from problem
        return ""


def priority(message: Message) -> int:
    """The syslog priority: alerts are warnings, all else is information."""
    return _WARNING if message.kind == "alert" else _TOLD


def entry(message: Message) -> bytes:
    """One journal entry in the native protocol."""
    text = f"{message.line}\n{message.text}" if _is_long(message) else message.line
    fields = {
        # Upper case without a leading underscore: names that begin with one are the journal's own, and dropped.
        "MESSAGE": text[:_MOST_TEXT],
        "PRIORITY": str(priority(message)),
        "SYSLOG_IDENTIFIER": "otherroof",
        "OTHERROOF_KIND": message.kind,
        "OTHERROOF_ABOUT": message.about,
        "OTHERROOF_MESSAGE": message.id,
    }
    return b"".join(_field(name, value.encode("utf-8", "replace")) for name, value in fields.items())


def _is_long(message: Message) -> bool:
    """Whether the subject alone does not say it."""
    return message.kind == "digest" or message.count > 1


def _field(name: str, value: bytes) -> bytes:
    # The short form ends at the newline, so a value that holds one takes the form with its length.
    if b"\n" not in value:
        return name.encode() + b"=" + value + b"\n"
    return name.encode() + b"\n" + struct.pack("<Q", len(value)) + value + b"\n"


def _to_standard_error(message: Message) -> None:
    lines = [message.line] + (message.text.splitlines() if _is_long(message) else [])
    sys.stderr.write("".join(f"<{priority(message)}>{line}\n" for line in lines))
    sys.stderr.flush()
