"""The far end of a campaign: counts requests over the whole box, and does at one of them what a fault asks for."""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from unittest.mock import patch

from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.sftp_session import SftpSession

STATUSES = (words.FAILURE, words.PERMISSION_DENIED, words.NO_SUCH_FILE, words.OP_UNSUPPORTED, words.EOF)


class FarEnd:
    """What happens at the far box besides its answers; all well unless something is asked for."""

    def __init__(self) -> None:
        self._lock = threading.RLock()  # a deed may ask for the next one
        self.well()

    def well(self) -> None:
        """Nothing happens any more; the count begins anew."""
        with self._lock:
            self.requests = 0
            self.refused = 0
            self._at = 0
            self._do: Callable[[], None] = lambda: None
            self._moody: random.Random | None = None
            self._share = 0.0
            self._unlisted = b""

    def at(self, request: int, do: Callable[[], None]) -> None:
        """Before the nth request from now is answered, `do` is called once."""
        with self._lock:
            self.requests, self._at, self._do = 0, request, do

    def call_off(self) -> None:
        """What was to be done at a request is not done any more; nor is it under way."""
        with self._lock:
            self._at = 0

    def refuse(self, seed: int, share: float) -> None:
        """Every request is refused with probability `share`; half of the refused ones are carried out all the same."""
        self._moody, self._share = random.Random(seed), share

    def never_list(self, folder: bytes) -> None:
        """Opening this folder, given as the end of its path, is refused."""
        self._unlisted = folder

    def answer(self, real: Callable[[], bytes], packet: bytes) -> bytes:
        """The answer to a packet that `real` would answer."""
        if packet[0] == words.INIT:
            return real()
        with self._lock:
            self.requests += 1
            do = self._do if self.requests == self._at else None
            refused = self._moody is not None and self._moody.random() < self._share
            status = self._moody.choice(STATUSES) if self._moody is not None and refused else 0
            carried_out = self._moody is None or self._moody.random() < 0.5
            if do is not None:
                do()
        if refused:
            self.refused += 1
            if carried_out:
                real()
            return words.framed_status(_number(packet), status)
        if self._unlisted and packet[0] == words.OPENDIR and packet.endswith(self._unlisted):
            self.refused += 1
            return words.framed_status(_number(packet), words.PERMISSION_DENIED)
        return real()

    @contextmanager
    def watched(self) -> Iterator[None]:
        """While inside, every stand-in of this process asks here first."""
        answer = SftpSession.answer

        def asked(session: SftpSession, packet: bytes) -> bytes:
            return self.answer(lambda: answer(session, packet), packet)

        with patch.object(SftpSession, "answer", asked):
            yield


def _number(packet: bytes) -> int:
    return int.from_bytes(packet[1:5], "big")


def killing(pid: int, signal: int) -> Callable[[], None]:
    """Ends a process, which may have ended by itself; its number must not have been let go."""
    return lambda: os.kill(pid, signal)
