"""What the far box may make us hold and do below SFTP: bounds on its SSH packets, its greeting, and what nobody reads.

The SSH library takes any length that is announced, reads a greeting without end, and keeps whatever comes for a
channel, also past the window that was granted. All of it comes through the socket and its transport, and is bounded
there, and so is when what comes is acknowledged. Knows no SFTP.
"""

from __future__ import annotations

import socket
from contextlib import suppress
from typing import Any

import paramiko

from otherroof.far.answers_pipe import AnswersPipe
from otherroof.far.place import Meter

# RFC 4253 §6.1 wants 35,000 bytes to be taken; OpenSSH sends up to 256 kB, and data never in more than what we ask for.
LONGEST_PACKET = 256 * 1024 + 1024
# Until our key is let in, nothing is worth more: the longest is the list of ways to encrypt, some 2 kB. Numbers of a
# key exchange are unpacked by the library in a time that grows with the square of their length.
LONGEST_EARLY_PACKET = 64 * 1024
MOST_EARLY = 1024 * 1024  # bytes in all until then: text before the greeting, key exchange, what a login shows
MOST_EARLY_READS = 20_000  # pieces in which they come: byte by byte costs more than its memory
# For one channel. Twice the window that is granted (2 MiB, as OpenSSH's): an honest far box never has more under way
# than once.
MOST_UNREAD = 4 * 1024 * 1024
# The library reads each packet's head, then the rest of it. With so many of them in one read there are far fewer calls.
AT_ONCE = 256 * 1024  # bytes
# While a channel is set up, sshd sends small packets, each only after the last was acknowledged (RFC 9293 §3.7.4). Left
# alone, this end does that 40 ms late (Linux's TCP_DELACK_MIN). Later sshd waits for nothing (TCP_NODELAY).
ACKNOWLEDGED_AT_ONCE = 64  # reads
MOST_EXTENSIONS = 64  # of SSH itself (RFC 8308); OpenSSH has four


class BoundedSocket:
    """A socket that adds to a meter what passes, TCP payload in bytes both ways, and ends what goes past the bounds.

    `let_in` is called when the far box has proved itself and taken our key; `keep_watch` for each channel.
    """

    def __init__(self, sock: socket.socket, meter: Meter) -> None:
        self._sock = sock
        self._meter = meter
        self._early = 0
        self._reads = 0
        self._at_once_left = ACKNOWLEDGED_AT_ONCE
        self._longest = LONGEST_EARLY_PACKET
        self._channels: list[paramiko.Channel] = []
        self._answers: list[AnswersPipe] = []
        self._ready = b""  # read from the socket, not asked for by the library yet
        self._given = 0  # bytes of it that it has been given
        self.heard = False  # whether anything ever came
        self.hung_up = False  # whether the other side ended it

    def let_in(self) -> None:
        """The login is done: from now on what comes is bounded by what was asked for."""
        self._longest = LONGEST_PACKET

    def keep_watch(self, channel: paramiko.Channel) -> None:
        """Bound what gathers for this channel without being read, and wake its reader once for what came together."""
        answers = AnswersPipe()
        channel.in_buffer = answers
        self._channels.append(channel)
        self._answers.append(answers)

    def send(self, data: bytes) -> int:
        try:
            count = self._sock.send(data)
        except ConnectionError:
            self.hung_up = True
            raise
        self._meter.add(wire_up=count)
        return count

    def recv(self, size: int) -> bytes:
        """What the socket has. Raises SSHException past a bound, in the library's thread, which ends the connection."""
        # The library asks for the rest of a packet in one go, so `size` is the length that the far box announced.
        if size > self._longest:
            raise paramiko.SSHException(f"the far box announces a packet of {size:,} bytes")
        if self._given == len(self._ready):
            self._ready, self._given = self._read(size), 0
        found = self._ready[self._given : self._given + size]
        self._given += len(found)
        return found

    def _read(self, size: int) -> bytes:
        self._require_read()
        early = self._longest == LONGEST_EARLY_PACKET
        for answers in self._answers:
            answers.wake()
        if self._at_once_left:
            self._at_once_left -= 1
            with suppress(OSError):  # the kernel forgets it soon, so it is told each time
                self._sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)
        try:
            data = self._sock.recv(size if early else AT_ONCE)
        except ConnectionError:
            self.hung_up = True
            raise
        self._meter.add(wire_down=len(data))
        self.heard = self.heard or bool(data)
        self.hung_up = not data
        if early:
            self._early += len(data)
            self._reads += 1
            if self._early > MOST_EARLY or self._reads > MOST_EARLY_READS:
                raise paramiko.SSHException("the far box sends data without end before the login")
        return data

    def _require_read(self) -> None:
        # Looked at before more is taken in. The library keeps data past the window, and what is written to a channel's
        # standard error, until somebody reads it.
        for channel in self._channels:
            if len(channel.in_buffer) + len(channel.in_stderr_buffer) > MOST_UNREAD:
                raise paramiko.SSHException("the far box sends more data than it was asked for")

    def __getattr__(self, name: str) -> Any:
        # The rest of what the library calls on a socket: time-outs, closing, the file number.
        return getattr(self._sock, name)


class BoundedTransport(paramiko.Transport):  # type: ignore[misc]
    """The library's connection, without a loop whose count the far box chooses."""

    def _parse_ext_info(self, msg: paramiko.Message) -> None:
        # Called for every such message before anything is proved; the library would loop up to four milliard times.
        if int.from_bytes(msg.get_remainder()[:4], "big") > MOST_EXTENSIONS:
            raise paramiko.SSHException("the far box names extensions without end")
        super()._parse_ext_info(msg)
