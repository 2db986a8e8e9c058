"""Figures for people: the right unit at every border, nothing that rounds up to a thousand of the smaller one."""

from __future__ import annotations

import pytest

from otherroof.base.units import mbit_s, rate_text, size_text, span_text


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0 B"),
        (1, "1 B"),
        (999, "999 B"),
        (1000, "1.00 kB"),
        (1024, "1.02 kB"),
        (9_994, "9.99 kB"),
        (9_996, "10.0 kB"),
        (99_949, "99.9 kB"),
        (99_951, "100 kB"),
        (999_499, "999 kB"),
        (999_500, "1.00 MB"),
        (4_000_000_000_000, "4.00 TB"),
        (10**15, "1.00 PB"),
        (5 * 10**18, "5,000 PB"),
        (-2_500_000, "-2.50 MB"),
    ],
)
def test_sizes_are_in_powers_of_ten_with_three_figures(count: int, text: str) -> None:
    assert size_text(count) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0.0 s"),
        (9.94, "9.9 s"),
        (9.96, "10 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (61, "1 min 1 s"),
        (3599.6, "1 h"),
        (3_629, "1 h"),
        (3_631, "1 h 1 min"),
        (40_000, "11 h 7 min"),
        (40_020, "11 h 7 min"),
        (86_369, "23 h 59 min"),
        (86_371, "1 d"),
        (86_399.7, "1 d"),
        (90_000, "1 d 1 h"),
        (91_799, "1 d 1 h"),
        (91_801, "1 d 2 h"),
        (-90, "–1 min 30 s"),
    ],
)
def test_spans_show_their_two_largest_units(seconds: float, text: str) -> None:
    assert span_text(seconds) == text


def test_rate_without_time_is_no_number() -> None:
    assert rate_text(1000, 0) == "–"
    assert mbit_s(1000, 0) == 0
    assert rate_text(2_500_000, 1) == "20.00 Mbit/s"
    assert mbit_s(1_250_000, 0.5) == 20
