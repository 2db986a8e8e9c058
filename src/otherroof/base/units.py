"""Figures as people read them: kB/MB/GB (powers of ten, IEC 80000-13), Mbit/s, minutes, counts of things, shares.

Memory is given in MiB (powers of two). Nothing here rounds a number that is later calculated with. What a person writes
as a size or a number is read here too: a kB is 1000 bytes, a KiB 1024. It is the one way: no screen, mail or page
writes a unit, a plural or a percent sign by itself.
"""

from __future__ import annotations

import math
import re

_STEPS = ("B", "kB", "MB", "GB", "TB", "PB")
# What a line must not begin with while its number ends the line above.
_UNIT = re.compile(r"(?<=\d) (?=(?:[kMGTP]?B|Mbit/s|m?s|min|h|d|%|(?:hour|day|night|week)s?)(?!\w))")
_NO_BREAK = "\N{NO-BREAK SPACE}"
# `7 h 30 min` is one figure.
_SECOND_UNIT = re.compile(rf"(\d{_NO_BREAK}(?:d|h|min)) (?=\d+{_NO_BREAK}(?:h|min|s)(?!\w))")


def count_text(count: int | float, singular: str, plural: str = "") -> str:
    """`1 file`, `2,000 files`; `plural` for one that does not just add an s."""
    number = f"{count:,}" if isinstance(count, int) else f"{count:,g}"
    return f"{number} {singular if count == 1 else plural or singular + 's'}"


def percent_text(share: float, digits: int = 0) -> str:
    """A share, 0 to 1, in percent: `58 %`. One that is not all never reads as all, and some never as none."""
    least = 10.0**-digits
    percent = round(100 * share, digits)
    if 0 < share < 1:
        percent = min(max(percent, least), 100 - least)
    return f"{percent:.{digits}f} %"


def unbroken(text: str) -> str:
    """`text` with each unit held to its number by a no-break space, for whatever breaks lines between words."""
    return _SECOND_UNIT.sub(rf"\1{_NO_BREAK}", _UNIT.sub(_NO_BREAK, text))


def size_text(count: int | float) -> str:
    """`count` bytes in decimal units with three figures: 1000 → `1.00 kB`."""
    value = float(count)
    for step in _STEPS:
        # 999.5 and more would be rounded to four figures; likewise 9.995 and 99.95 below.
        if abs(value) < 999.5 or step == _STEPS[-1]:
            break
        value /= 1000.0
    if step == "B":
        return f"{int(value)} B"
    digits = 2 if abs(value) < 9.995 else 1 if abs(value) < 99.95 else 0
    return f"{value:,.{digits}f} {step}"


def rate_text(count: int | float, seconds: float) -> str:
    """`count` bytes in `seconds` as Mbit/s; a dash if no time passed."""
    if seconds <= 0:
        return "–"
    return mbit_text(mbit_s(count, seconds))


def mbit_text(mbit: float) -> str:
    """A rate in Mbit/s: `5.79 Mbit/s`."""
    return f"{mbit:.2f} Mbit/s"


def mbit_s(count: int | float, seconds: float) -> float:
    """Megabits (10⁶ bits) a second; 0 if no time passed."""
    return count * 8 / 1e6 / seconds if seconds > 0 else 0.0


def span_text(seconds: float) -> str:
    """A duration in the two largest units that matter: `41 s`, `11 h 7 min`, `3 d 4 h`."""
    if seconds < 0:
        return "–" + span_text(-seconds)
    # 9.95 and more would be shown as `10.0 s`.
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    # Rounded before it is split, to the smaller of the two units: rounding the parts could give `1 min 60 s`.
    whole = _rounded(seconds, 1)
    if whole >= 3_600:
        whole = _rounded(seconds, 60)
    if whole >= 86_400:
        whole = _rounded(seconds, 3_600)
    days, rest = divmod(whole, 86_400)
    hours, rest = divmod(rest, 3_600)
    minutes, left = divmod(rest, 60)
    if days:
        return f"{days:,} d {hours} h" if hours else f"{days:,} d"
    if hours:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    if minutes:
        return f"{minutes} min {left} s" if left else f"{minutes} min"
    return f"{left} s"


def _rounded(seconds: float, unit: int) -> int:
    return int(seconds / unit + 0.5) * unit


_SPANS = (("s", 1, 100.0), ("min", 60, 100 * 60.0), ("h", 3_600, 48 * 3_600.0), ("d", 86_400, math.inf))


def span_range_text(least: float, most: float) -> str:
    """Two durations in seconds as one coarse range in the unit of the longer, rounded apart: `4 to 6 min`.

    An infinite `most` gives `more than 4 min`; two that lie close together give `about 4 min`.
    """
    name, unit = _span_unit(least if math.isinf(most) else most)
    low = math.floor(least / unit)
    if math.isinf(most):
        return f"more than {low} {name}"
    high = max(1, math.ceil(most / unit))
    # Half a unit more or less is no range that anybody would want to know.
    if high - low <= 1 or round(most / unit) == round(least / unit):
        return f"about {max(1, round((least + most) / 2 / unit))} {name}"
    return f"{low} to {high} {name}" if low else f"less than {high} {name}"


def _span_unit(seconds: float) -> tuple[str, int]:
    return next((name, unit) for name, unit, most in _SPANS if seconds < most)


_NUMBER = re.compile(r"\s*([0-9]+(?:[.,][0-9]+)?)\s*([A-Za-z]*)\s*\Z", re.ASCII)
_TENS = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9, "t": 1e12, "p": 1e15}
_TWOS = {f"{letter}ib": 1024.0**power for power, letter in enumerate("kmgtp", start=1)}
_SIZES = {f"{letter}b": factor for letter, factor in _TENS.items()} | _TWOS


def parse_size(text: str) -> float:
    """The bytes that `text` names, such as `1.8TB` or `500 GB`. Raises ValueError with what would be right."""
    number, unit = _parted(text, "a size with its unit, such as 1.8TB or 500GB, is wanted")
    # A bare number could be meant in any unit, and would be out by a million.
    if unit not in _SIZES:
        raise ValueError(f"{text!r} is not a size; one with its unit, such as 1.8TB or 500GB, is wanted")
    return number * _SIZES[unit]


def parse_count(text: str) -> float:
    """The number that `text` names, such as `400k` or `1.2M`. Raises ValueError with what would be right."""
    number, unit = _parted(text, "a number, such as 400k or 1200000, is wanted")
    if unit not in ("", "k", "m"):
        raise ValueError(f"{text!r} is not a number; such as 400k or 1200000 is wanted")
    return number * _TENS[unit]


def _parted(text: str, wanted: str) -> tuple[float, str]:
    match = _NUMBER.match(text)
    if match is None:
        raise ValueError(f"{text!r}: {wanted}")
    return float(match.group(1).replace(",", ".")), match.group(2).lower()
