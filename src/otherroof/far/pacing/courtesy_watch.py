"""Reads the kernel's view of the connections and paces them as courtesy asks; a thread of its own.

The pacing itself is the kernel's (SO_MAX_PACING_RATE), which spreads packets evenly; sleeping between sends here
would put them on the line in bursts.
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from weakref import WeakKeyDictionary

from otherroof.far.pacing.courtesy import Courtesy, Sample

LOOK_EVERY_S = 0.1
SO_MAX_PACING_RATE = 47  # asm-generic/socket.h; Python has no name for it
NO_LIMIT = 0xFFFFFFFF
# linux/tcp.h, struct tcp_info: unacked, rtt in µs, bytes_acked; the offsets have not moved since Linux 4.9.
_UNACKED, _RTT, _ACKED, _SIZE = 24, 68, 120, 152


@dataclass(frozen=True, slots=True)
class TcpReading:
    """What the kernel knows of one connection."""

    round_trip_s: float
    acked: int
    in_flight: int


def read_tcp_info(sock: socket.socket) -> TcpReading | None:
    """The connection's figures, or None if the kernel does not tell."""
    try:
        info = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _SIZE)
    except OSError:
        return None
    if len(info) < _SIZE:
        return None
    (in_flight,) = struct.unpack_from("=I", info, _UNACKED)
    (rtt_us,) = struct.unpack_from("=I", info, _RTT)
    (acked,) = struct.unpack_from("=Q", info, _ACKED)
    return TcpReading(rtt_us / 1e6, acked, in_flight)


class CourtesyWatch:
    """Watches the sockets that `sockets` answers, until `close`."""

    def __init__(self, sockets: Callable[[], list[socket.socket]], allowed_s: float) -> None:
        self._sockets = sockets
        self._courtesy = Courtesy(allowed_s)
        # Keyed by the socket object: file numbers are reused by new connections, whose counters begin at 0.
        self._acked: WeakKeyDictionary[socket.socket, int] = WeakKeyDictionary()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="otherroof-courtesy", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the thread."""
        self._ended.set()
        self._thread.join(LOOK_EVERY_S * 20)

    def _watch(self) -> None:
        while not self._ended.wait(LOOK_EVERY_S):
            self._look()

    def _look(self) -> None:
        busy: list[socket.socket] = []
        delivered = 0
        trips = []
        for sock in self._sockets():
            pulse = read_tcp_info(sock)
            if pulse is None or pulse.round_trip_s <= 0:
                continue
            before = self._acked.get(sock, pulse.acked)
            self._acked[sock] = pulse.acked
            delivered += pulse.acked - before
            if pulse.acked > before or pulse.in_flight:
                busy.append(sock)
                trips.append(pulse.round_trip_s)
        if not trips:
            return
        rate = self._courtesy.look(Sample(time.monotonic(), min(trips), delivered))
        each = int(rate / len(busy)) if rate else NO_LIMIT
        for sock in busy:
            set_pacing_rate(sock, each)


def set_pacing_rate(sock: socket.socket, rate: int) -> None:
    """Let the kernel send at most `rate` bytes a second on this connection."""
    try:
        sock.setsockopt(socket.SOL_SOCKET, SO_MAX_PACING_RATE, struct.pack("=I", min(rate, NO_LIMIT)))
    except OSError:
        return  # closed meanwhile, or a kernel without pacing: then TCP's own control is all there is
