"""Two home servers that go to one far folder at the same moment: whatever the order of their requests, never do both
change it unaware of each other, and neither is told of anything but the other."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.quick import examples
from support.two_servers import Server, both

OTHERS = ("another server is copying", "another server copied", "is another home's folder")


def held(where: Path, switches: list[int], *, one_home: bool) -> list[Server]:
    servers, at_once = both(where, switches, one_home=one_home)
    assert not at_once, "both changed files at the same time"
    first, second = servers
    if first.counts and second.counts:
        assert first.base == second.run or second.base == first.run, "one began from what the other left"
    for server in servers:
        assert server.counts or any(why in str(server.refused) for why in OTHERS), str(server.refused)
    note = (where / "far/papers/READ-ME-FIRST.txt").read_bytes()
    owners = [one for one in servers if f"home mark: {one.keeper.home_id}\n".encode() in note]
    assert owners, "it says whose it is, whole"
    assert all(one in owners for one in servers if one.counts)
    return servers


@given(st.lists(st.integers(0, 8), min_size=2, max_size=16), st.booleans())
@examples(40)
def test_of_two_that_begin_at_once_no_two_change_files_at_once(switches: list[int], one_home: bool) -> None:
    with tempfile.TemporaryDirectory() as where:
        held(Path(where), switches, one_home=one_home)


@pytest.mark.parametrize("one_home", [True, False], ids=["the same home", "two homes"])
def test_a_note_of_one_that_begins_at_the_same_moment_is_not_taken_for_ones_own(tmp_path: Path, one_home: bool) -> None:
    """Both have seen that there is none, and both have begun theirs before either has any text."""
    first, second = held(tmp_path, [6, 8, 3, 8, 7, 3, 8, 0, 6, 5, 6, 0], one_home=one_home)
    assert first.base == second.base == ""


@pytest.mark.slow
def test_wherever_one_is_held_up_the_other_goes_by(tmp_path: Path) -> None:
    alone = held(tmp_path / "alone", [], one_home=True)[0]
    for at in range(1, alone.place.asked):
        held(tmp_path / f"{at}", [at], one_home=at % 2 == 0)
