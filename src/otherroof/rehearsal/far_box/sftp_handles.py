"""The open files and folders of one SFTP session, by the small numbers that OpenSSH hands out as handles."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from dataclasses import dataclass

from otherroof.rehearsal.far_box.sftp_words import FAILURE, NO_SUCH_FILE

# What OpenSSH leaves of the usual 1024 open files of a process, each session having a process of its own there.
MAX_HANDLES = 1019


class RefusedError(Exception):
    """The request is answered with this status and nothing else."""

    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


@dataclass(slots=True)
class OpenHandle:
    """An open file, or an open folder with the names in it that were not told yet."""

    handle: int
    path: bytes
    names: Iterator[bytes] | None = None


class Handles:
    """Numbers in use and what they stand for. One session, one thread."""

    def __init__(self) -> None:
        self._open: dict[bytes, OpenHandle] = {}
        # Backwards, so that the smallest number is taken first.
        self._free: list[int] = list(range(MAX_HANDLES - 1, -1, -1))

    def add(self, opened: OpenHandle) -> bytes:
        """The text that stands for `opened` from now on; closes it again if no number is left."""
        if not self._free:
            os.close(opened.handle)
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))
        text = self._free.pop().to_bytes(4, "big")
        self._open[text] = opened
        return text

    def file(self, text: bytes) -> OpenHandle:
        """The open file called `text`; RefusedError if there is none."""
        found = self._open.get(text)
        if found is None or found.names is not None:
            raise RefusedError(FAILURE)
        return found

    def folder(self, text: bytes) -> tuple[int, Iterator[bytes]]:
        """Handle and untold names of the open folder called `text`; RefusedError if there is none."""
        found = self._open.get(text)
        if found is None or found.names is None:
            raise RefusedError(FAILURE)
        return found.handle, found.names

    def either(self, text: bytes) -> OpenHandle | None:
        """File or folder called `text`."""
        return self._open.get(text)

    def close(self, text: bytes) -> None:
        """Close one and free its number; RefusedError if there is none."""
        found = self._open.pop(text, None)
        if found is None:
            raise RefusedError(NO_SUCH_FILE)
        self._free.append(int.from_bytes(text, "big"))
        os.close(found.handle)

    def close_all(self) -> None:
        """Close what the client left open."""
        for text in list(self._open):
            self.close(text)
