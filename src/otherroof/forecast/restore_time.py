"""How long a whole folder would take to come back over the line, from a measured part of it.

Arithmetic only: seconds, files and bytes go in. What a file costs and what a byte is found from pieces of the part that
differ in their mix of both. The range is what was seen of the line while it was measured, not what it may do another
day.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from otherroof.base.units import count_text, mbit_s, mbit_text, size_text, span_text

# However even the pieces were, another day is not the same (common practice, no source).
LEAST_SPAN = 0.1
# With less than this measured, the answer may be out by so much either way (common practice, no source).
SHORT_S, SHORT_SPAN = 2.0, 2.0
# The range is told from so many stretches of what was measured, each of several pieces.
STRETCHES = 4
# Student's t, 95 % on both sides, for 1, 2, 3 … degrees of freedom.
STUDENT_95 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201)
# What a disk that turns reads in a row, in bytes a second (common practice, no source).
DISK_RATE = 100e6


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of a restore: how long it was, and how many files and bytes came in it."""

    seconds: float
    files: int
    size: int


@dataclass(frozen=True, slots=True)
class RestoreCosts:
    """Seconds that a file takes, whatever is in it, and that a byte takes."""

    file_s: float
    byte_s: float

    def seconds(self, files: float, size: float) -> float:
        """What so many files with so many bytes take."""
        return self.file_s * files + self.byte_s * size


@dataclass(frozen=True, slots=True)
class TimeBack:
    """Seconds until all has come back: likely, and from `soonest` to `latest`; and what it was calculated from.

    `before_s` passes before the first file: login, listing, where files lie. `measured_s` is how long was measured.
    """

    seconds: float
    soonest: float
    latest: float
    costs: RestoreCosts
    before_s: float
    measured_s: float
    files: int
    size: int

    def text(self) -> str:
        """`about 5 d 3 h (between 4 d and 7 d)`."""
        return f"about {span_text(self.seconds)} (between {span_text(self.soonest)} and {span_text(self.latest)})"

    def how(self) -> str:
        """How it came about, in one sentence."""
        files = count_text(self.files, "file")
        parts = [f"{span_text(self.before_s)} until the first file"]
        if self.costs.file_s > 0:
            parts.append(f"{files} at {self.costs.file_s * 1000:.3g} ms each")
        if self.costs.byte_s > 0:
            parts.append(f"{size_text(self.size)} at {mbit_text(mbit_s(1, self.costs.byte_s))}")
        if self.measured_s < SHORT_S:
            return f"{', '.join(parts)}; measured for {span_text(self.measured_s)} only, so it may be far out"
        return (
            f"{', '.join(parts)}; measured for {span_text(self.measured_s)}: the range is how uneven the line was in "
            "that time, and another hour may differ"
        )


def costs_of(pieces: Sequence[Piece]) -> RestoreCosts | None:
    """What a file and a byte cost; neither is less than nothing. None if the pieces do not tell the two apart.

    Least squares, each piece weighted by its length; then scaled so that it gives the whole measured time.
    """
    used = [piece for piece in pieces if piece.seconds > 0]
    if not used:
        return None
    # The normal equations of (a·files + b·size - seconds)² / seconds. Sizes are scaled to the size of a mean file,
    # since a byte costs a millionth of what a file costs.
    scale = max(1.0, sum(piece.size for piece in used) / max(1, sum(piece.files for piece in used)))
    rows = [(piece.files, piece.size / scale, piece.seconds) for piece in used]
    ff = math.fsum(f * f / t for f, _, t in rows)
    fs = math.fsum(f * s / t for f, s, t in rows)
    ss = math.fsum(s * s / t for _, s, t in rows)
    f_all, s_all = sum(f for f, _, _ in rows), math.fsum(s for _, s, _ in rows)
    apart = ff * ss - fs * fs
    if apart <= 1e-3 * ff * ss:
        return None
    file_s, byte_s = (ss * f_all - fs * s_all) / apart, (ff * s_all - fs * f_all) / apart
    if file_s < 0:
        file_s, byte_s = 0.0, s_all / ss
    elif byte_s < 0:
        file_s, byte_s = f_all / ff, 0.0
    found = RestoreCosts(file_s, byte_s / scale)
    predicted = sum(found.seconds(piece.files, piece.size) for piece in used)
    if predicted <= 0:
        return None
    fit = sum(piece.seconds for piece in used) / predicted
    return RestoreCosts(found.file_s * fit, found.byte_s * fit)


def time_back(pieces: Sequence[Piece], files: int, size: int, before_s: float = 0.0) -> TimeBack | None:
    """How long `files` files with `size` bytes would take, `before_s` seconds before the first among them.

    None if nothing was measured.
    """
    measured_s = sum(piece.seconds for piece in pieces)
    came, came_size = sum(piece.files for piece in pieces), sum(piece.size for piece in pieces)
    if measured_s <= 0 or not (came or came_size):
        return None
    costs = costs_of(pieces)
    if costs is None:
        likely, guesses, costs = _either(measured_s, (came, came_size), (files, size))
    else:
        likely = costs.seconds(files, size)
        guesses = [likely * ratio for ratio in _ratios(pieces, costs)]
        error = 1 + LEAST_SPAN + _error(pieces, files, size, likely)
        guesses += [likely * error, likely / error]
    span = SHORT_SPAN if measured_s < SHORT_S else 1 + LEAST_SPAN
    soonest, latest = min(*guesses, likely / span), max(*guesses, likely * span)
    return TimeBack(likely + before_s, soonest + before_s, latest + before_s, costs, before_s, measured_s, files, size)


def disk_seconds(size: int) -> float:
    """How long `size` bytes take to be read from a disk that was carried home."""
    return size / DISK_RATE


def _either(
    measured_s: float, came: tuple[int, int], wanted: tuple[int, int]
) -> tuple[float, list[float], RestoreCosts]:
    """If it is not to be told what was slow, files or bytes: the slower answer is taken for likely."""
    all_by_files = RestoreCosts(measured_s / came[0], 0.0) if came[0] else None
    all_by_bytes = RestoreCosts(0.0, measured_s / came[1]) if came[1] else None
    ways = [way for way in (all_by_files, all_by_bytes) if way is not None]
    slower = max(ways, key=lambda way: way.seconds(*wanted))
    return slower.seconds(*wanted), [way.seconds(*wanted) for way in ways], slower


def _ratios(pieces: Sequence[Piece], costs: RestoreCosts) -> list[float]:
    """How much slower than calculated each stretch was. A piece by itself is no measure: one lost packet holds up half
    a second, and hardly shows in a whole restore."""
    each = -(-len(pieces) // STRETCHES)
    stretches = [_joined(pieces[at : at + each]) for at in range(0, len(pieces), each)]
    # A stretch in which next to nothing came is a pause and no pace: taken for one it would make days of a minute.
    # The pause counts in the sum all the same.
    paced = [(one.seconds, costs.seconds(one.files, one.size)) for one in stretches]
    return [min(seconds / calculated, STRETCHES) for seconds, calculated in paced if calculated > 0]


def _error(pieces: Sequence[Piece], files: int, size: int, likely: float) -> float:
    """By what part of it `likely` may be out, with 95 % confidence: how much it hangs by any one of the pieces.

    The jackknife's standard error (Efron and Stein 1981, from memory), times Student's t.
    """
    left = [costs_of([*pieces[:place], *pieces[place + 1 :]]) for place in range(len(pieces))]
    without = [costs.seconds(files, size) for costs in left if costs is not None]
    free = len(without) - 2
    if free < 1 or likely <= 0:
        return 0.0
    mean = math.fsum(without) / len(without)
    spread = math.fsum((one - mean) ** 2 for one in without) * (len(without) - 1) / len(without)
    return STUDENT_95[min(free, len(STUDENT_95)) - 1] * math.sqrt(spread) / likely


def _joined(pieces: Sequence[Piece]) -> Piece:
    files, size = sum(piece.files for piece in pieces), sum(piece.size for piece in pieces)
    return Piece(math.fsum(piece.seconds for piece in pieces), files, size)
