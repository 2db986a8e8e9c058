"""Every older version has its turn in time, and one that a night cannot read to its end goes on the nights after."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from otherroof.restore.proving.turns import in_turn


class Versions:
    """Older versions, each with so many nights' worth of kept files; what is remembered of them."""

    def __init__(self, nights_worth: list[int]) -> None:
        self.left = {f"run {number}": worth for number, worth in enumerate(nights_worth)}
        self.whole = dict(self.left)
        self.opened = dict.fromkeys(self.left, 0)
        self.read = dict.fromkeys(self.left, 0)

    def night(self, day: int, nights: float) -> list[str]:
        """One night: all that are opened are noted, and one of them reads a night's worth."""
        tonight = in_turn(list(self.left), self.opened.__getitem__, self.read.__getitem__, nights)
        for run in tonight:
            self.opened[run] = day
            self.left[run] = max(0, self.left[run] - 1)
            if not self.left[run]:
                self.read[run] = day
                self.left[run] = self.whole[run]
        return tonight


@given(st.integers(0, 40), st.integers(1, 60))
def test_all_have_their_turn_within_the_nights(count: int, nights: int) -> None:
    versions = Versions([1] * count)
    for day in range(1, nights + 1):
        tonight = versions.night(day, nights)
        assert len(set(tonight)) == len(tonight)
    assert all(versions.read.values())


@given(st.integers(2, 30), st.integers(2, 9), st.data())
def test_one_that_needs_several_nights_has_them_all_at_once(count: int, worth: int, data: st.DataObject) -> None:
    versions = Versions([1] * count)
    large = f"run {data.draw(st.integers(0, count - 1))}"
    versions.left[large] = versions.whole[large] = worth
    began = done = 0
    for day in range(1, count + worth + 1):
        tonight = versions.night(day, 90.0)
        assert 1 <= len(tonight) <= 2, "its own turn, and one that goes on"
        began = began or (day if large in tonight else 0)
        if began and day < began + worth:
            assert large in tonight
        done = done or versions.read[large]
    assert done == began + worth - 1
    assert all(versions.read.values()), "and nobody waits for it"
