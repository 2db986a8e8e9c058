"""How long a copy takes over a line: what its bytes take, what its files take, and what passes before and after.

Arithmetic only. What a line carries is told to it, and why; it knows neither settings nor the ledger.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from otherroof.base.units import mbit_text, percent_text, size_text
from otherroof.forecast.planning.estimate import Likely
from otherroof.forecast.planning.packets import (
    LISTING_LINE,
    OnTheWire,
    PacketPath,
    copy_on_wire,
    goodput,
    loss_bound,
    restore_on_wire,
)
from otherroof.forecast.restore_time import Piece, costs_of

# What follows was measured with tests/bench/forecast.py on its emulated lines.
# Of what packets leave for content, what a copy reaches: it begins slowly, and stays out of others' way.
REACHED = Likely(0.8, 0.91, 1.0)
# A restore has no time to be polite.
REACHED_BACK = Likely(0.75, 0.92, 1.0)
# What a file takes besides its bytes, in seconds: the far disk, and both processors (a spinning disk: see disk.py).
FILE_S = Likely(0.0, 0.00005, 0.003)
# Of a night's files some take another's place: twice as many requests, and the old one is made durable aside first.
NIGHT_FILE_S = Likely(0.0, 0.0004, 0.003)
FILE_BACK_S = Likely(0.0, 0.0001, 0.004)
# Login, a look at what is there, the listing and its rename, one after the other: so many round trips, and seconds at
# home whatever the line is. The round trips are those that tests/unit/test_run_round_trips.py counts, and the login's.
TRIPS, AT_HOME_S = 42, 0.9
TRIPS_BACK, AT_HOME_BACK_S = 30, 0.6
AROUND = Likely(0.7, 1.0, 1.6)  # what of that was seen, from run to run
SCAN_S = 4e-6  # for each file that is looked at (DEVELOPERS.md, tests/bench/million.py)
CONNECTIONS = 4
# On the way back the far system's own control of congestion sends, mostly one that gives way at each lost packet; and
# what comes first comes over the connections that were opened first.
CONNECTIONS_BACK = 2
# Of what the bound says for one connection, what was still seen to come back with many small files and losses.
LEAST_UNDER_LOSS = 0.75
# Two nights of which one sent hardly anything say nothing of the line.
TELLING_BYTES = 5_000_000
MOST_NIGHTS = 14


@dataclass(frozen=True, slots=True)
class LineFacts:
    """What a line to a far box carries: Mbit/s of TCP payload that a copy (`up`) and a restore (`back`) reach, and the
    round trip in seconds; how each was had. `file_s` is what a file takes besides its bytes."""

    up: Likely
    back: Likely
    round_trip_s: float
    how_up: str
    how_back: str
    file_s: Likely = FILE_S
    file_back_s: Likely = FILE_BACK_S

    def at_night(self) -> LineFacts:
        """The same for what a night brings. What runs were seen to take for a file says it better, and stays."""
        return replace(self, file_s=NIGHT_FILE_S) if self.file_s == FILE_S else self


@dataclass(frozen=True, slots=True)
class AskedLine:
    """A line as a person names it: Mbit/s from home, Mbit/s from the far house (0: as fast as home's), the round trip,
    and the share of packets that is lost."""

    up_mbit: float
    far_up_mbit: float = 0.0
    round_trip_s: float = 0.03
    loss: float = 0.0


def asked_line(asked: AskedLine, path: PacketPath) -> LineFacts:
    """What a line of these figures carries, by the sizes of packets and by TCP's bound under loss."""
    packet, share = path.mtu + path.around, path.shares.value
    room = f"a full packet of {packet:,} bytes carries {path.payload:,} of content ({percent_text(share, 1)})"
    far_up = asked.far_up_mbit or asked.up_mbit
    known = f"{mbit_text(far_up)} up there" + ("" if asked.far_up_mbit else ", as here (--far-up says better)")
    return LineFacts(
        up=_reached(asked.up_mbit, asked, path, REACHED),
        back=_reached_back(far_up, asked, path),
        round_trip_s=asked.round_trip_s,
        how_up=f"{mbit_text(asked.up_mbit)} up: {room}, and a polite copy reaches {_percents(REACHED)} of that",
        how_back=f"{known}: {room}, and a restore reaches {_percents(REACHED_BACK)} of that",
    )


def _percents(share: Likely) -> str:
    return f"{share.low * 100:.0f} to {share.high * 100:.0f} %"


def _reached_back(line_mbit: float, asked: AskedLine, path: PacketPath) -> Likely:
    found = _reached(line_mbit, asked, path, REACHED_BACK, CONNECTIONS_BACK)
    least = loss_bound(path, asked.round_trip_s, asked.loss).low * LEAST_UNDER_LOSS
    return Likely(min(found.low, least), found.value, found.high)


def _reached(
    line_mbit: float, asked: AskedLine, path: PacketPath, share: Likely, connections: int = CONNECTIONS
) -> Likely:
    most = goodput(line_mbit, path)
    bound = loss_bound(path, asked.round_trip_s, asked.loss, connections)
    return Likely(
        min(most.low * share.low, bound.low),
        min(most.value * share.value, bound.value),
        min(most.high * share.high, bound.high * CONNECTIONS / connections),
    )


@dataclass(frozen=True, slots=True)
class SentNight:
    """What one run was seen to do: seconds that it sent, seconds in all, files, and bytes on the wire."""

    send_s: float
    total_s: float
    files: int
    wire_up: int
    wire_down: int


def seen_up(nights: Sequence[SentNight]) -> tuple[Likely, Likely, str] | None:
    """What the line carried by the last runs: Mbit/s, seconds a file, and how; None if fewer than three sent enough."""
    telling = [night for night in nights if night.wire_up >= TELLING_BYTES and night.send_s > 0][-MOST_NIGHTS:]
    if len(telling) < 3:
        return None
    rates = [night.wire_up * 8e-6 / night.send_s for night in telling]
    seen = f"{mbit_text(min(rates))} to {mbit_text(max(rates))}"
    how = f"the last {len(telling)} runs that sent {size_text(TELLING_BYTES)} or more: {seen}"
    costs = costs_of([Piece(night.send_s, night.files, night.wire_up) for night in telling])
    if costs is None or costs.byte_s <= 0:
        return Likely(min(rates), median(rates), max(rates)), Likely(0.0, 0.0, FILE_S.value), how
    rate = 8e-6 / costs.byte_s
    around = max(1.1, (max(rates) / min(rates)) ** 0.5)
    file_s = Likely(0.0, costs.file_s, max(costs.file_s * 2, FILE_S.value))
    return Likely(rate / around, rate, rate * around), file_s, how


@dataclass(frozen=True, slots=True)
class Work:
    """So many files with so many bytes of content; `seen` are the files that the folder holds in all. A run that
    changes nothing writes a listing without lines."""

    size: float
    files: float
    seen: float = 0.0
    changes: bool = True


def before_s(work: Work, line: LineFacts) -> float:
    """Seconds of a run in which next to nothing crosses: login and looks, home's folder, the listing's rename."""
    return AT_HOME_S + TRIPS * line.round_trip_s + SCAN_S * max(work.seen, work.files)


def sending_s(work: Work, line: LineFacts) -> Likely:
    """Seconds in which `work` crosses."""
    return line.up.under(copy_on_wire(work.size, work.files).up * 8e-6) + line.file_s.times(work.files)


def listing_s(work: Work, line: LineFacts) -> float:
    """Seconds that the listing takes besides the lines of what was sent: after a change it names every file.

    It crosses alone, over a connection that has learnt its share of the line and no more.
    """
    lines = CONNECTIONS * max(work.seen, work.files) - work.files if work.changes else 0.0
    return lines * LISTING_LINE * 8e-6 / line.up.value if line.up.value > 0 else 0.0


def around_s(work: Work, line: LineFacts) -> float:
    """Seconds of a whole run besides its content."""
    return before_s(work, line) + listing_s(work, line)


def copy_s(work: Work, line: LineFacts) -> Likely:
    """Seconds that a run takes which sends `work`, on a line that is open all the time."""
    return sending_s(work, line) + AROUND.times(around_s(work, line))


def back_s(work: Work, line: LineFacts) -> Likely:
    """Seconds that a restore of `work` takes."""
    wire = restore_on_wire(work.size, work.files)
    before = AT_HOME_BACK_S + TRIPS_BACK * line.round_trip_s
    return line.back.under(wire.down * 8e-6) + line.file_back_s.times(work.files) + before


def wire_of(work: Work) -> OnTheWire:
    """What `work` puts on the wire, the login of four connections and the lines of all other files too."""
    lines = LISTING_LINE * max(0.0, work.seen - work.files) if work.changes else 0.0
    return copy_on_wire(work.size, work.files) + OnTheWire(CONNECTIONS * 4_000 + lines, CONNECTIONS * 6_000)
