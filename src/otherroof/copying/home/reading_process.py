"""Has large files read, digested and cut in a process of its own, one after the other.

A run's connections need the interpreter for every packet, and a reader in the same process holds it for a third of its
time. What comes out is what was digested: the process leaves the very bytes in memory that both share. If it cannot be
started, or ends, files are read here: slower, and just as right.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator

from otherroof.copying.home import reading_child as child
from otherroof.copying.home.chunks import ChunkList
from otherroof.copying.home.measured import Measured, MeasuredHere, TaggedChunks
from otherroof.copying.home.read import ChangedWhileRead

WORTH_IT = 64 * 1024 * 1024  # bytes; the process takes a tenth of a second to start
LOOK_S = 0.5
END_S = 5.0


class ReadingProcess:
    """The process, started with the first file that is worth it."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._link: socket.socket | None = None
        self._memory: mmap.mmap | None = None
        # With one processor there is nothing to be won.
        self._usable = len(os.sched_getaffinity(0)) > 1

    def measure(
        self, handle: int, size: int, most: int, average: int, key: bytes, unwanted: Callable[[], bool]
    ) -> Measured:
        """A reading of this file, by the process if that is worth it; given up once it is `unwanted`."""
        if size >= WORTH_IT and self._usable and self._started(most):
            return _MeasuredThere(self, handle, child.ORDER.pack(size, most, average, key), unwanted)
        return MeasuredHere(handle, size, most, average, key)

    def _started(self, most: int) -> bool:
        if self._memory is not None and len(self._memory) == most * child.SLOTS:
            return True
        self.close()
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        memory = os.memfd_create("otherroof-blocks")
        try:
            os.ftruncate(memory, most * child.SLOTS)
            handles = (theirs.fileno(), memory)
            # `-P`: nothing is imported from the folder that somebody happens to stand in.
            argv = [sys.executable, "-P", "-m", child.__name__, *map(str, handles)]
            # What it says if it ends by a mistake is for nobody: the file is read again here.
            self._process = subprocess.Popen(
                argv, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, pass_fds=handles
            )
            self._memory = mmap.mmap(memory, 0)
        except OSError:
            ours.close()
            self._usable = False  # not tried again: see above
            return False
        finally:
            theirs.close()
            os.close(memory)
        ours.settimeout(LOOK_S)
        self._link = ours
        return True

    def give_up(self) -> None:
        """It ended, or hangs: from now on files are read here."""
        self._usable = False

    def close(self) -> None:
        """End the process."""
        if self._link is not None:
            self._link.close()
        if self._process is not None:
            # It may be stuck in a read that never ends; what it is at is not wanted any more.
            self._process.kill()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(END_S)
        if self._memory is not None:
            self._memory.close()
        self._process = self._link = self._memory = None

    # -- for one reading --

    def order(self, order: bytes, handle: int) -> None:
        """Have a file read. Raises OSError if the process has ended."""
        assert self._link is not None
        socket.send_fds(self._link, [order], [handle])

    def answer(self, unwanted: Callable[[], bool]) -> tuple[bytes, int, int, bytes]:
        """Its next answer; nothing if the process has ended, or if it is `unwanted` before one came."""
        assert self._link is not None
        while not unwanted():
            try:
                told = self._link.recv(child.ANSWER.size)
            except TimeoutError:
                continue
            except ConnectionError:
                break
            if not told:
                break
            return child.ANSWER.unpack(told)
        return b"", 0, 0, b""

    def take(self, slot: int, size: int) -> bytes:
        """What lies in this slot, which may be filled again then."""
        assert self._memory is not None
        assert self._link is not None
        start = slot * (len(self._memory) // child.SLOTS)
        data = self._memory[start : start + size]
        with contextlib.suppress(ConnectionError):  # it has ended: so says its next answer
            self._link.send(child.FREE)
        return data


class _MeasuredThere:
    """See Measured. Its chunks are known at the end."""

    def __init__(self, process: ReadingProcess, handle: int, order: bytes, unwanted: Callable[[], bool]) -> None:
        self._process, self._handle, self._order, self._unwanted = process, handle, order, unwanted
        self.digest = b""
        self.chunks = ChunkList(0)
        self.last_chunks: TaggedChunks = []

    def blocks(self) -> Iterator[tuple[int, bytes, TaggedChunks]]:
        """See Measured. Raises ChangedWhileRead if the process ended: to be tried again."""
        whole = False
        try:
            yield from self._blocks()
            whole = True
        finally:
            # What is half read would come with the next file's answers.
            if not whole:
                self._process.close()

    def _blocks(self) -> Iterator[tuple[int, bytes, TaggedChunks]]:
        packed = b""
        offset = 0
        with contextlib.suppress(ConnectionError):  # it has ended: so says its first answer
            self._process.order(self._order, self._handle)
        while True:
            kind, slot, size, digest = self._process.answer(self._unwanted)
            if kind == child.BLOCK:
                yield offset, self._process.take(slot, size), []
                offset += size
            elif kind == child.LIST:
                packed += self._process.take(slot, size)
            elif kind == child.END:
                self.digest, self.chunks = digest, ChunkList.unpack(packed)
                return
            elif kind == child.FAILED:
                raise OSError(size, os.strerror(size))
            else:
                self._process.give_up()
                raise ChangedWhileRead("the process that reads large files ended")
