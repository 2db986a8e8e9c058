"""How fast all connections to one far box may send together: owns that rate, and has the kernel keep it.

Two may ask for less than the line gives: a limit, which may change with the time of day, and courtesy towards others on
the line; the lesser holds. The pacing itself is the kernel's (SO_MAX_PACING_RATE), which spreads packets evenly and
counts what is sent twice too; sleeping between sends would put them on the line in bursts. What comes in is paced only
where that is asked for, by asking for it more slowly (`allowance`).
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from otherroof.far.allowance import LineFigures, ReadAllowance
from otherroof.far.courtesy import Courtesy, Sample
from otherroof.far.round_trips import Trip, least_of, may_be_held_back_s

LOOK_EVERY_S = 0.1
# Bytes a second that this socket may send. TCP spreads its packets by a timer of its own (since Linux 4.13), or the
# `fq` queueing discipline does so for it. 32 bits with all bits set stand for no limit.
SO_MAX_PACING_RATE = 47  # asm-generic/socket.h; Python has no name for it
NO_LIMIT = 0xFFFFFFFF
# Under a limit the kernel holds little that has not gone out: what waits there counts as sent already, delays every
# request behind it, and would have to go out before a stop. In seconds of the rate, and in bytes at least.
UNSENT_S = 0.2
LEAST_UNSENT = 32_768
# linux/tcp.h, struct tcp_info: options, snd_mss, unacked, rtt and rcv_rtt in µs, bytes_acked, bytes_received,
# notsent_bytes; they have not moved since Linux 4.9.
_OPTIONS, _SEGMENT, _UNACKED, _RTT, _RECEIVE_RTT = 5, 16, 24, 68, 92
_ACKED, _RECEIVED, _UNSENT, _SIZE = 120, 128, 144, 152
TIMESTAMPS = 1  # TCPI_OPT_TIMESTAMPS: both ends put times into their packets (RFC 7323)
FLOW_S = 0.5  # over so many seconds is counted what comes in: packets that were lost hold up what came behind them


@dataclass(frozen=True, slots=True)
class TcpReading:
    """What the kernel knows of one connection: packets in flight, bytes that have arrived there, that wait here, and
    that came in; and how much content one packet has.

    `receive_trip_s` is the round trip that data on its way in shows, by the times in its packets; 0 if they have none.
    """

    round_trip_s: float
    acked: int
    in_flight: int
    unsent: int = 0
    received: int = 0
    receive_trip_s: float = 0.0
    segment: int = 0


def read_tcp_info(sock: socket.socket) -> TcpReading | None:
    """The connection's figures, or None if the kernel does not tell."""
    # The kernel fills in as much as the caller has room for, and less if it is an old one.
    try:
        info = sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _SIZE)
    except OSError:
        return None
    if len(info) < _SIZE:
        return None
    (segment,) = struct.unpack_from("=I", info, _SEGMENT)
    (in_flight,) = struct.unpack_from("=I", info, _UNACKED)
    (rtt_us,) = struct.unpack_from("=I", info, _RTT)
    (acked,) = struct.unpack_from("=Q", info, _ACKED)
    (received,) = struct.unpack_from("=Q", info, _RECEIVED)
    (unsent,) = struct.unpack_from("=I", info, _UNSENT)
    (receive_us,) = struct.unpack_from("=I", info, _RECEIVE_RTT)
    # Without times in the packets it is the time that a window's worth of data takes, which is something else.
    receive_s = receive_us / 1e6 if info[_OPTIONS] & TIMESTAMPS else 0.0
    return TcpReading(rtt_us / 1e6, acked, in_flight, unsent, received, receive_s, segment)


@dataclass(slots=True, eq=False)
class _Line:
    """One connection: what had arrived at either end at the last look, whether it had something to send, and how much
    may wait here."""

    sock: socket.socket
    acked: int | None = None
    received: int | None = None
    busy: bool = False
    most_unsent: int = 0


class Pacing:
    """The rate for the connections that are added, from their first byte on and until `close`.

    `courtesy_s` is the delay that they may add on the line, in seconds; 0: nobody looks. `limit` answers bytes a second
    at this moment, 0 for none; it is asked ten times a second. `both_ways`: what is read keeps to the same rate.
    """

    def __init__(
        self, courtesy_s: float = 0.0, limit: Callable[[], float] | None = None, *, both_ways: bool = False
    ) -> None:
        self.reads = ReadAllowance() if both_ways and (limit is not None or courtesy_s) else None
        self._limit = limit
        self._courtesy = Courtesy(courtesy_s) if courtesy_s else None
        self._lock = threading.Lock()  # over what follows
        self._lines: list[_Line] = []
        self._arrivals: deque[tuple[float, int]] = deque()  # of FLOW_S: when, and bytes since the look before
        self._looked_at = time.monotonic()
        self._thread: threading.Thread | None = None
        self._ended = threading.Event()

    def add(self, sock: socket.socket) -> None:
        """A new connection, which shares the rate from now on."""
        if self._limit is None and self._courtesy is None:
            return
        with self._lock:
            self._lines.append(_Line(sock))
            self._spread(*self._rates())
            if self._thread is None and not self._ended.is_set():
                self._thread = threading.Thread(target=self._watch, name="otherroof-pacing", daemon=True)
                self._thread.start()

    def close(self) -> None:
        """Look no more; what was set last stays."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join(LOOK_EVERY_S * 20)

    def _watch(self) -> None:
        while not self._ended.wait(LOOK_EVERY_S):
            with self._lock:
                # A closed socket has the file number -1. Nobody needs to take a connection out.
                self._lines = [line for line in self._lines if line.sock.fileno() >= 0]
                self._look()
                limit, courteous = self._rates()
                self._spread(limit, courteous)
                if self.reads is not None:
                    self.reads.set_rate(limit, courteous, self._line_figures())

    def _look(self) -> None:
        """See which connections have something to send, and tell courtesy how they fare."""
        now = time.monotonic()
        passed, self._looked_at = now - self._looked_at, now
        delivered = came = 0
        waits = self._reads_wait()
        trips: list[Trip] = []
        for line in self._lines:
            reading = read_tcp_info(line.sock)
            if reading is None or reading.round_trip_s <= 0:
                line.busy = False
                continue
            # At the first look at a connection nothing counts as delivered: what went before was not under this rate.
            arrived = reading.acked - (reading.acked if line.acked is None else line.acked)
            got = reading.received - (reading.received if line.received is None else line.received)
            line.acked, line.received = reading.acked, reading.received
            delivered += arrived
            came += got
            moves = arrived > 0 or reading.in_flight > 0
            # At a low rate nothing may be under way at this very moment, though much waits for its turn.
            line.busy = moves or reading.unsent > 0
            waits |= reading.unsent > 0
            if self.reads is not None and got and reading.receive_trip_s:
                # Few requests go out while much comes in, so what their answers took tells of a queue too late.
                trips.append(Trip(got, reading.receive_trip_s))
            elif moves:
                held_s = may_be_held_back_s(passed, arrived, reading.segment)
                trips.append(Trip(arrived, reading.round_trip_s, held_s))
        if self.reads is not None:
            self._arrivals.append((now, came))
            while self._arrivals[0][0] < now - FLOW_S:
                self._arrivals.popleft()
            delivered, came = delivered + came, 0  # all of it keeps to the rate
        if trips and self._courtesy is not None:
            seen_s, sure_s = least_of(trips)
            self._courtesy.look(Sample(now, seen_s, delivered, came, sure_s, waits))

    def _reads_wait(self) -> bool:
        """Whether more would be asked for, were it not for the rate; without one there is nothing else to wait for."""
        if self.reads is None or self._courtesy is None:
            return False
        return self._courtesy.rate == 0 or self.reads.held_by_rate

    def _line_figures(self) -> LineFigures:
        """What came in of late, and the round trip without what we add."""
        if self._courtesy is None:
            return LineFigures()
        flow = sum(came for _, came in self._arrivals) / FLOW_S
        return LineFigures(flow, self._courtesy.own_trip_s(), self._courtesy.aim_s)

    def _spread(self, limit: float, courteous: float) -> None:
        """Share the rate out evenly among the busy connections: the lesser of the two, as `_rates` answers them.

        One that is idle may begin with its part of a limit among all: the sum is above the limit by that at most, until
        the next look.
        """
        rate = min((wanted for wanted in (limit, courteous) if wanted > 0), default=0.0)
        busy = sum(line.busy for line in self._lines)
        for line in self._lines:
            # With a limit the idle get a part as well, so that what begins now does not begin unlimited. Under courtesy
            # alone they keep what they had: the next look, a tenth of a second later, sees them.
            if line.busy:
                _pace(line, rate / busy, limit / busy)
            elif limit:
                _pace(line, rate / len(self._lines), limit / len(self._lines))

    def _rates(self) -> tuple[float, float]:
        """The limit and what courtesy asks for, in bytes a second; 0 for none."""
        limit = self._limit() if self._limit is not None else 0.0
        return limit, self._courtesy.rate if self._courtesy is not None else 0.0


def _pace(line: _Line, rate: float, limit: float) -> None:
    """Let the kernel send at most `rate` bytes a second on this connection, and let little wait there under a `limit`.

    0 for either: none.
    """
    most = min(max(1, int(rate)), NO_LIMIT) if rate else NO_LIMIT
    unsent = min(max(LEAST_UNSENT, int(limit * UNSENT_S)), 0x7FFFFFFF) if limit else 0  # 0: as the system has it
    try:
        line.sock.setsockopt(socket.SOL_SOCKET, SO_MAX_PACING_RATE, struct.pack("=I", most))
        # TCP_NOTSENT_LOWAT: above this much that has not gone out the socket takes no more, and the library's send
        # waits.
        if unsent != line.most_unsent:
            line.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NOTSENT_LOWAT, unsent)
            line.most_unsent = unsent
    except OSError:
        return  # closed meanwhile, or a kernel without pacing: then TCP's own control is all there is


def bytes_per_s(mbit_s: float) -> float:
    """A limit in Mbit/s (10⁶ bits) as bytes a second."""
    return mbit_s * 1e6 / 8
