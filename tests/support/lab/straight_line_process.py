"""The process between two routers of a `StraightLine`: takes packets from one's interface and gives them to the other's
later, or never. Ends with whoever started it."""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import json
import os
import random
import select
import struct
import sys
import time

from support.lab.shaping import Direction, Line

_CLONE_NEWNET = 0x40000000
TUNSETIFF, IFF_TUN, IFF_NO_PI = 0x400454CA, 0x0001, 0x1000  # linux/if_tun.h
BATCH = 64
GRAIN_S = 0.0003
IDLE_S = 1.0


def interface_in(space: str, name: str) -> int:
    """A new interface `name` in that namespace, as a file of its packets. The process is in there from then on."""
    inside = os.open(f"/run/netns/{space}", os.O_RDONLY)
    if ctypes.CDLL(None, use_errno=True).setns(inside, _CLONE_NEWNET) != 0:
        raise OSError(ctypes.get_errno(), "setns")
    os.close(inside)
    file = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
    fcntl.ioctl(file, TUNSETIFF, struct.pack("16sH", name.encode(), IFF_TUN | IFF_NO_PI))
    return file


def carry(out: int, back: int, line: Line) -> None:
    """Until the parent process has gone."""
    parent, ways = os.getppid(), ((out, back), (back, out))
    lines = [Direction(line, random.Random(f"1 {number}")) for number in range(2)]
    while os.getppid() == parent:
        now = time.monotonic()
        for (_, target), direction in zip(ways, lines, strict=True):
            for packet in direction.due(now):
                with contextlib.suppress(OSError):  # an interface that is not up yet, or has no room
                    os.write(target, packet)
        ahead = [when for direction in lines if (when := direction.next_at()) is not None]
        if ahead:
            time.sleep(GRAIN_S)
        wait = max(0.0, min(ahead) - time.monotonic()) if ahead else IDLE_S
        readable, _, _ = select.select([out, back], [], [], wait)
        now = time.monotonic()
        for (source, _), direction in zip(ways, lines, strict=True):
            with contextlib.suppress(BlockingIOError):
                for _ in range(BATCH if source in readable else 0):
                    direction.take(os.read(source, 65535), now)


def main(home: str, far: str, name: str, line: str, told: str) -> None:
    """Namespaces of the two routers, name of the interfaces, the line as JSON, and a file that is told "up"."""
    out, back = interface_in(home, name), interface_in(far, name)
    os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(5))
    os.write(int(told), b"up\n")
    os.close(int(told))
    carry(out, back, Line(**json.loads(line)))


if __name__ == "__main__":
    main(*sys.argv[1:])
