"""The process that reads large files beside a run, so that digests and chunks do not hold up its connections.

It is given open files, never names, and leaves what it read in memory that it shares with the run. It ends when the run
does. `reading_process` starts it and says what it is to do.
"""

from __future__ import annotations

import mmap
import os
import signal
import socket
import struct
import sys

from otherroof.copying.home.chunks import Chunker
from otherroof.copying.home.read import new_digest

SLOTS = 4  # blocks that may lie in the shared memory; more would only wait there
# From the run: a file to read (its handle comes along): how much of it, in blocks of what size, chunks of what average
# size, and the key of their tags. Afterwards one FREE for each slot that may be filled again, in their order.
ORDER = struct.Struct(">QII32s")
FREE = b"free"
# To the run: what there is, in which slot, and how many bytes of the file, or of its packed list of chunks; then its
# digest, or what went wrong as an error number.
ANSWER = struct.Struct(">cII32s")
BLOCK, LIST, END, FAILED = b"b", b"l", b"e", b"x"


class Slots:
    """The shared memory, filled slot by slot; waits if the run has not taken out what lies in the next one."""

    def __init__(self, run: socket.socket, memory: mmap.mmap) -> None:
        self._run = run
        self._view = memoryview(memory)
        self._size = len(memory) // SLOTS
        self._filled = 0
        self._free = SLOTS

    def next(self) -> memoryview:
        """The next slot, once it is free. Raises EOFError if the run has ended."""
        while not self._free:
            if self._run.recv(len(FREE)) != FREE:
                raise EOFError
            self._free += 1
        start = self._filled % SLOTS * self._size
        return self._view[start : start + self._size]

    def hand_on(self, kind: bytes, size: int) -> None:
        """Tell the run that the slot that was given last is filled."""
        self._run.send(ANSWER.pack(kind, self._filled % SLOTS, size, b""))
        self._filled += 1
        self._free -= 1

    def take_back(self) -> None:
        """Wait until all slots are free. Raises EOFError if the run has ended."""
        while self._free < SLOTS:
            if self._run.recv(len(FREE)) != FREE:
                raise EOFError
            self._free += 1


def main() -> None:
    """Read one file after the other until the run ends."""
    # Ctrl-C in a terminal and a service's stop reach every process; the run decides then, and this one ends with it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    with socket.socket(fileno=int(sys.argv[1])) as run:
        slots = Slots(run, mmap.mmap(int(sys.argv[2]), 0))
        try:
            while True:
                order, handles, _, _ = socket.recv_fds(run, ORDER.size, 1)
                if not order:
                    return
                try:
                    run.send(_answer(slots, handles[0], *ORDER.unpack(order)))
                finally:
                    os.close(handles[0])
        except (EOFError, ConnectionError):
            return  # the run has ended


def _answer(slots: Slots, handle: int, size: int, most: int, average: int, key: bytes) -> bytes:
    digest, chunker = new_digest(), Chunker(average, key)
    offset = 0
    try:
        while offset < size:
            slot = slots.next()[: min(most, size - offset)]
            count = os.preadv(handle, [slot], offset)
            if not count:
                break
            offset += count
            # Handed on before it is digested: the run sends it meanwhile, and nobody but this loop fills it anew.
            slots.hand_on(BLOCK, count)
            digest.update(slot[:count])
            chunker.feed(slot[:count])
    except OSError as problem:
        slots.take_back()
        return ANSWER.pack(FAILED, 0, problem.errno or 0, b"")
    chunker.finish()
    _hand_on_list(slots, chunker.list.packed())
    slots.take_back()
    return ANSWER.pack(END, 0, 0, digest.digest())


def _hand_on_list(slots: Slots, packed: bytes) -> None:
    at = 0
    while at < len(packed):
        slot = slots.next()
        part = packed[at : at + len(slot)]
        slot[: len(part)] = part
        slots.hand_on(LIST, len(part))
        at += len(part)


if __name__ == "__main__":
    main()
