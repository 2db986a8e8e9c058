"""One file over FUSE that takes as long as a household's spinning disk, and writes down what reached it and when.

Run as a program by `slow_disk`, as root: `python -I -S slow_disk_process.py FOLDER RECORD`. It speaks the kernel's own
FUSE protocol (linux/fuse.h, version 7.31) on /dev/fuse, serves one request after the other, as a single head does, and
knows nothing of what the file is used for. Standard library only.
"""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import stat
import struct
import sys
import time
from collections.abc import Callable

KNOBS = struct.Struct("<3d4Q")  # seconds a move, seconds a flush, bytes a second (0: no delay); the four counts
COUNTS_AT, COUNTS = 24, struct.Struct("<4Q")  # moves of the head, flushes, bytes written, bytes read
RECORD = struct.Struct("<BQI")  # kind, offset, length; then, for a write, its bytes
WRITTEN, FLUSHED = 1, 2

LONGEST = 1 << 20  # bytes in one request
IN_HEADER, OUT_HEADER = struct.Struct("<IIQQIIIHH"), struct.Struct("<IiQ")
INIT_IN, INIT_OUT = struct.Struct("<IIII"), struct.Struct("<IIIIHHIIHHI28x")
IO_IN = struct.Struct("<QQIIQII")  # fh, offset, size, flags, lock owner, flags, padding: of reads and writes alike
ATTR_OUT = struct.Struct("<QII6Q10I")
OPEN_OUT, WRITE_OUT = struct.Struct("<QIi"), struct.Struct("<II")
STATFS_OUT = struct.Struct("<5Q4I24x")
ASYNC_READ, BIG_WRITES, ASYNC_DIRECT, MAX_PAGES = 1 << 0, 1 << 5, 1 << 15, 1 << 22
LASTS_S = 3600  # how long the kernel may believe the file's size, which never changes
MS_NOSUID, MS_NODEV, PR_SET_IO_FLUSHER = 2, 4, 57


class SlowFile:
    """The served file, its times and its log."""

    def __init__(self, folder: str, record: bool) -> None:
        self.door = os.path.join(folder, "door")
        self._disk = os.open(os.path.join(folder, "disk.img"), os.O_RDWR)
        self._size = os.fstat(self._disk).st_size
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT
        self._log = os.open(os.path.join(folder, "log"), flags, 0o600) if record else -1
        with open(os.path.join(folder, "knobs"), "r+b") as file:
            self._knobs = mmap.mmap(file.fileno(), KNOBS.size)
        self._head = 0
        self._free_at = 0.0
        self._counts = [0, 0, 0, 0]

    def read(self, body: memoryview) -> bytes:
        _, offset, size, *_ = IO_IN.unpack_from(body)
        self._take_time(offset, size)
        self._count(3, size)
        return os.pread(self._disk, size, offset)

    def write(self, body: memoryview) -> bytes:
        _, offset, size, *_ = IO_IN.unpack_from(body)
        data = body[IO_IN.size : IO_IN.size + size]
        self._take_time(offset, size)
        os.pwrite(self._disk, data, offset)
        self._note(WRITTEN, offset, data)  # before it is acknowledged: what is in the log may be lost, or be there
        self._count(2, size)
        return WRITE_OUT.pack(size, 0)

    def flush(self, _body: memoryview) -> bytes:
        self._wait(KNOBS.unpack_from(self._knobs)[1])
        self._note(FLUSHED, 0, b"")
        self._count(1, 1)
        return b""

    def attributes(self, _body: memoryview) -> bytes:
        mode = stat.S_IFREG | 0o600
        times = (0, 0, 0)
        return ATTR_OUT.pack(LASTS_S, 0, 0, 1, self._size, self._size // 512, *times, *times, mode, 1, 0, 0, 0, 4096, 0)

    def _take_time(self, offset: int, size: int) -> None:
        move_s, _, rate, *_ = KNOBS.unpack_from(self._knobs)
        if offset != self._head:
            self._count(0, 1)
        self._wait((move_s if offset != self._head else 0.0) + (size / rate if rate else 0.0))
        self._head = offset + size

    def _wait(self, seconds: float) -> None:
        # From when the disk was free, not from now: what this program itself takes is no part of the disk's time.
        now = time.monotonic()
        self._free_at = max(now - 0.001, self._free_at) + seconds
        if self._free_at > now:
            time.sleep(self._free_at - now)

    def _note(self, kind: int, offset: int, data: memoryview | bytes) -> None:
        if self._log >= 0:
            os.writev(self._log, [RECORD.pack(kind, offset, len(data)), data])

    def _count(self, which: int, more: int) -> None:
        self._counts[which] += more
        COUNTS.pack_into(self._knobs, COUNTS_AT, *self._counts)


def greet(body: memoryview) -> bytes:
    """The answer to FUSE_INIT."""
    _, minor, ahead, offered = INIT_IN.unpack_from(body)
    flags = offered & (ASYNC_READ | BIG_WRITES | ASYNC_DIRECT | MAX_PAGES)
    return INIT_OUT.pack(7, min(minor, 31), ahead, flags, 64, 48, LONGEST, 1, LONGEST // 4096, 0, 0)


def serve(file: SlowFile, channel: int) -> None:
    """Answer requests until the file system is unmounted."""
    answers: dict[int, Callable[[memoryview], bytes]] = {
        3: file.attributes,  # GETATTR
        4: file.attributes,  # SETATTR: times are taken as set; the size is never asked to change
        14: lambda _: OPEN_OUT.pack(1, 0, 0),
        15: file.read,
        16: file.write,
        17: lambda _: STATFS_OUT.pack(0, 0, 0, 1, 0, 4096, 255, 4096, 0),
        18: lambda _: b"",  # RELEASE
        20: file.flush,  # FSYNC: what a loop device makes of its own flush
        25: lambda _: b"",  # FLUSH: only that a descriptor was closed
        26: greet,
        34: lambda _: b"",  # ACCESS
    }
    room = bytearray(LONGEST + 65536)
    while True:
        try:
            length = os.readv(channel, [room])
        except OSError as problem:
            if problem.errno == errno.ENODEV:  # unmounted
                return
            if problem.errno in (errno.ENOENT, errno.EINTR):  # a request was taken back
                continue
            raise
        _, opcode, unique, *_ = IN_HEADER.unpack_from(room)
        if opcode in (2, 36, 42):  # FORGET, INTERRUPT, BATCH_FORGET want no answer
            continue
        answer = answers.get(opcode)
        body, code = b"", -errno.ENOSYS
        if answer is not None:
            body, code = answer(memoryview(room)[IN_HEADER.size : length]), 0
        os.writev(channel, [OUT_HEADER.pack(OUT_HEADER.size + len(body), code, unique), body])
        if opcode == 38:  # DESTROY
            return


def main(folder: str, record: str) -> None:
    """Mount the file at `door`, say so, and serve it."""
    libc = ctypes.CDLL(None, use_errno=True)
    # What this process does must never wait for the very disk that it is.
    libc.prctl(PR_SET_IO_FLUSHER, 1, 0, 0, 0)
    file = SlowFile(folder, record == "record")
    channel = os.open("/dev/fuse", os.O_RDWR)
    options = f"fd={channel},rootmode=100000,user_id=0,group_id=0,max_read={LONGEST}"
    arguments = (b"otherroof-lab", os.fsencode(file.door), b"fuse", MS_NOSUID | MS_NODEV, options.encode())
    if libc.mount(*arguments):
        raise OSError(ctypes.get_errno(), f"cannot mount {file.door}")
    print("mounted", flush=True)
    serve(file, channel)


if __name__ == "__main__":
    main(*sys.argv[1:])
