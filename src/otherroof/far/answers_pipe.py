"""What has come for one SSH channel and is not read yet: fed by the SSH library's thread, read by the channel's.

A far box answers in many small packets that arrive together. The reader is woken once for all of them, not for each:
two threads that hand the interpreter to each other for every packet cost more than the packets themselves. Knows
neither sockets nor SFTP.
"""

from __future__ import annotations

import threading
import time
from collections import deque

from paramiko.buffered_pipe import PipeTimeout


class AnswersPipe:
    """Takes the place of the library's own pipe on a channel, with the same calls.

    Whoever feeds it must call `wake` before it waits for anything itself.
    """

    def __init__(self) -> None:
        self._changed = threading.Condition(threading.Lock())
        self._parts: deque[bytes] = deque()
        self._size = 0
        self._closed = False
        self._asleep = False

    def feed(self, data: bytes) -> None:
        """More has come. Nobody is woken yet."""
        with self._changed:
            self._parts.append(data)
            self._size += len(data)

    def wake(self) -> None:
        """Wake the reader if it waits for what was fed."""
        # Looked at without the lock, as this comes before every wait for the socket. A reader that goes to sleep just
        # now has looked for data under the lock, after it was fed by this very thread.
        if self._asleep and self._size:
            with self._changed:
                self._changed.notify_all()

    def read(self, nbytes: int, timeout: float | None = None) -> bytes:
        """At most `nbytes` of what has come, nothing if it was closed. Raises PipeTimeout after `timeout` seconds."""
        until = None if timeout is None else time.monotonic() + timeout
        with self._changed:
            while not self._parts and not self._closed:
                left = None if until is None else until - time.monotonic()
                if left is not None and left <= 0:
                    raise PipeTimeout
                self._asleep = True
                self._changed.wait(left)
                self._asleep = False
            return self._taken(nbytes)

    def _taken(self, nbytes: int) -> bytes:
        found: list[bytes] = []
        left = nbytes
        while self._parts and left:
            part = self._parts.popleft()
            if len(part) > left:
                self._parts.appendleft(part[left:])
                part = part[:left]
            found.append(part)
            left -= len(part)
        self._size -= nbytes - left
        return found[0] if len(found) == 1 else b"".join(found)

    def read_ready(self) -> bool:
        """Whether `read` would find something."""
        return self._size > 0

    def close(self) -> None:
        """Nothing more will come: a reader is given what is left, then nothing."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def __len__(self) -> int:
        return self._size
