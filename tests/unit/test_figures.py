"""Counts, shares and lines: each is written in one way, and a number stays with its unit where lines break."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.text.words import fold
from otherroof.base.units import count_text, percent_text, size_text, span_text, unbroken
from support.one_way import broken_words, departures


@pytest.mark.parametrize(
    ("count", "text"),
    [(0, "0 files"), (1, "1 file"), (2, "2 files"), (412_507, "412,507 files"), (1.0, "1 file"), (2.5, "2.5 files")],
)
def test_a_count_has_commas_and_its_plural(count: float, text: str) -> None:
    assert count_text(count, "file") == text


def test_a_plural_that_does_not_just_add_an_s_is_given() -> None:
    assert count_text(1, "entry is", "entries are") == "1 entry is"
    assert count_text(2, "entry is", "entries are") == "2 entries are"


@pytest.mark.parametrize(
    ("share", "digits", "text"),
    [
        *((0.0, 0, "0 %"), (1.0, 0, "100 %"), (0.583, 0, "58 %"), (0.005, 1, "0.5 %")),
        # What is not all never reads as all, and some never as none.
        *((0.9999, 0, "99 %"), (0.0001, 0, "1 %"), (0.99999, 1, "99.9 %"), (1.5, 0, "150 %")),
    ],
)
def test_a_share_says_neither_all_nor_nothing_unless_it_is(share: float, digits: int, text: str) -> None:
    assert percent_text(share, digits) == text


_FIGURES = st.one_of(
    st.floats(0, 1e15).map(size_text),
    st.floats(0, 1e8).map(span_text),
    st.floats(0, 1).map(percent_text),
    st.integers(0, 10**7).map(lambda count: count_text(count, "night")),
    st.sampled_from(["the", "disk", "will", "be", "full", "in", "a-long-word-with-hyphens", "(about"]),
)


@given(st.lists(_FIGURES, min_size=1, max_size=40), st.integers(30, 100))
def test_lines_break_between_words_and_never_before_a_unit(parts: list[str], columns: int) -> None:
    text = " ".join(parts)
    folded = fold(text, columns, later="  ")
    assert broken_words(folded, text) == []
    assert departures(folded, columns) == []


def test_a_time_of_two_units_stays_whole() -> None:
    assert unbroken("7 h 30 min old").split(" ") == [
        "7\N{NO-BREAK SPACE}h\N{NO-BREAK SPACE}30\N{NO-BREAK SPACE}min",
        "old",
    ]
    assert fold("about 7 h 30 min", 12) == "about\n7 h 30 min"
