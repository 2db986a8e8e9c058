"""The relay's own process: two UDP sockets, two `Direction`s between them, and a control socket.

Started by `Relay` inside a namespace, with the control socket as an inherited file. One request is one JSON datagram,
and so is its answer; when the control socket closes, the process ends, so it never outlives its owner.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import select
import socket
import sys
import time
from typing import Any

from support.lab.shaping import Direction, Line

BUFFER_BYTES = 4 << 20
BATCH = 64
IDLE_S = 1.0
# Packets are handled in grains of this time, which halves the processor's share for half a millisecond a round trip.
GRAIN_S = 0.0005
# From <asm-generic/socket.h>; lets root go over net.core.rmem_max.
SO_RCVBUFFORCE, SO_SNDBUFFORCE = 33, 32


class RelayLoop:
    """Carries datagrams between whoever calls the near socket and one target, and obeys the control socket."""

    def __init__(self, control: socket.socket, settings: dict[str, Any]) -> None:
        self.control = control
        self.near = _bound(*settings["listen"])
        self.target: tuple[str, int] = tuple(settings["target"])
        self.outward = self._outward(settings["source"], 0)
        self.caller: tuple[str, int] | None = None
        seed = settings["seed"]
        self.ways = {name: Direction(Line(**settings[name]), _dice(seed, name)) for name in ("out", "back")}

    def run(self) -> None:
        """Until the control socket closes."""
        clock = time.monotonic
        while True:
            out, back, now = self.ways["out"], self.ways["back"], clock()
            for packet in out.due(now):
                self._send_out(packet)
            for packet in back.due(now):
                self._send_back(packet)
            ahead = [when for when in (out.next_at(), back.next_at()) if when is not None]
            if ahead:
                time.sleep(GRAIN_S)
            wait = max(0.0, min(ahead) - clock()) if ahead else IDLE_S
            readable, _, _ = select.select([self.near, self.outward, self.control], [], [], wait)
            if self.near in readable:
                self._take_from_near(clock())
            if self.outward in readable:
                self._take_from_target(clock())
            if self.control in readable and not self._obey():
                return

    def _take_from_near(self, now: float) -> None:
        take, receive = self.ways["out"].take, self.near.recvfrom
        with contextlib.suppress(BlockingIOError):
            for _ in range(BATCH):
                packet, self.caller = receive(65535)
                take(packet, now)

    def _take_from_target(self, now: float) -> None:
        take, receive = self.ways["back"].take, self.outward.recv
        try:
            for _ in range(BATCH):
                take(receive(65535), now)
        except BlockingIOError:
            pass
        except OSError:  # an ICMP word about an earlier packet; the caller learns nothing of it, as behind a router
            self.ways["back"].counts.refused += 1

    def _send_out(self, packet: bytes) -> None:
        counts = self.ways["out"].counts
        try:
            self.outward.send(packet)
        except OSError:
            counts.refused += 1
        else:
            counts.sent += 1
            counts.sent_bytes += len(packet) + 28

    def _send_back(self, packet: bytes) -> None:
        counts = self.ways["back"].counts
        try:
            if self.caller is not None:
                self.near.sendto(packet, self.caller)
        except OSError:
            counts.refused += 1
        else:
            counts.sent += 1
            counts.sent_bytes += len(packet) + 28

    def _obey(self) -> bool:
        text = self.control.recv(65535)
        if not text:
            return False
        request = json.loads(text)
        try:
            answer = getattr(self, "do_" + request.pop("do"))(**request)
        except (OSError, TypeError, ValueError) as problem:
            answer = {"error": str(problem)}
        self.control.send(json.dumps(answer or {}).encode())
        return True

    def do_ready(self) -> dict[str, Any]:
        """The addresses of both sockets, and who calls."""
        return {"near": self.near.getsockname(), "outward": self.outward.getsockname(), "caller": self.caller}

    def do_stats(self) -> dict[str, Any]:
        """What became of the packets, for each direction."""
        return {name: way.told() for name, way in self.ways.items()}

    def do_restart(self, seed: int) -> None:
        """The same line with new dice and counts, and nothing under way."""
        self.ways = {name: Direction(way.line, _dice(seed, name)) for name, way in self.ways.items()}

    def do_shape(self, way: str, **changes: float) -> None:
        """Another rate, delay, queue, loss or largest size from the next packet on."""
        direction = self.ways[way]
        direction.line = Line(**{**direction.line.__dict__, **changes})

    def do_cut(self, ways: list[str]) -> None:
        """Drop everything in these directions."""
        for way in ways:
            self.ways[way].cut()

    def do_mend(self, ways: list[str]) -> None:
        """Carry again in these directions."""
        for way in ways:
            self.ways[way].mend()

    def do_rebind(self, address: str, port: int) -> dict[str, Any]:
        """Call the target from another address or port; the old socket is gone, like a router's forgotten flow."""
        before = self.outward
        # The new socket is opened first, so that port 0 cannot give the old number again.
        self.outward = self._outward(address, port)
        before.close()
        return self.do_ready()

    def _outward(self, address: str, port: int) -> socket.socket:
        made = _bound(address, port)
        made.connect(self.target)
        return made


def _dice(seed: int, way: str) -> random.Random:
    return random.Random(f"{seed} {way}")


def _bound(address: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    for option in (SO_RCVBUFFORCE, SO_SNDBUFFORCE):
        made.setsockopt(socket.SOL_SOCKET, option, BUFFER_BYTES)
    made.bind((address, port))
    made.setblocking(False)
    return made


def main(control_file: int, settings: str) -> None:
    """Entry point: the number of the inherited control socket, and the settings as JSON."""
    # The line must not slow down because the machine is busy with what is measured on it.
    with contextlib.suppress(PermissionError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(5))
    control = socket.socket(fileno=control_file)
    RelayLoop(control, json.loads(settings)).run()


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
