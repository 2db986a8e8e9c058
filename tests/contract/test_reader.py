"""The contract of a Reader, over every layout and kind of place: each version comes back as its run left it."""

from __future__ import annotations

import os
import random
from contextlib import closing
from pathlib import Path

import pytest

from otherroof.base.errors import Damaged, OtherroofError, PlaceError
from otherroof.far.place import Task
from otherroof.far.requests import BytesSink
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.listing import Header
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.reader import Reader
from otherroof.far_copy.view import FarCopyView
from support.far_history import Contents, FarHistory, contents_of, digest, entries_of, random_history
from support.far_layouts import NAMES, Far

BIG = random.Random(7).randbytes(2_000_000)


def opened(far: Far, run: str) -> Reader:
    """A reader that has looked."""
    keeper = far.keeper()
    reader = keeper.reader(run)
    reader.look(keeper.view())
    return reader


def entry(reader: Reader, path: bytes) -> Entry:
    return next(found for found in reader.entries() if found.path == path)


# -- what a version holds --


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_file_comes_back_as_it_was_from_wherever_it_lies_by_now(far: Far, name: bytes) -> None:
    history = FarHistory(far)
    history.run({name: b"first", b"other": b"stays"})
    history.run({name: b"second, longer", b"other": b"stays"})
    history.run({b"other": b"stays"})
    history.run({name: b"", b"other": b"stays"})
    history.check()


def test_version_is_that_of_its_run_with_every_entry_in_order(far: Far) -> None:
    history = FarHistory(far)
    contents = {name: b"content of " + name for name in NAMES}
    run = history.run(contents)
    history.run({})
    with closing(opened(far, run)) as reader:
        assert (reader.header.job, reader.header.run) == (far.name, run)
        assert list(reader.entries()) == entries_of(contents)
        assert list(reader.entries()) == entries_of(contents), "asked for again"


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (1, 2, 3))])
def test_every_version_of_a_random_history_comes_back(far: Far, seed: int) -> None:
    """Invariants 2 and 3, with runs that were cut, kinds that change, and runs that found nothing changed."""
    random_history(far, seed).check()


def test_first_of_the_later_runs_has_it_also_if_that_one_was_cut(far: Far) -> None:
    history = FarHistory(far)
    first = history.run({b"a": b"1", b"b": b"1"})
    history.run({b"a": b"2", b"b": b"2"}, cut_after=0)
    history.run({b"a": b"3", b"b": b"3"})
    history.run({b"a": b"4", b"b": b"4"})
    assert history.restorable(first) == {b"a": b"1", b"b": b"1"}
    history.check()


def test_run_that_changed_nothing_reads_as_the_one_whose_lines_hold(far: Far) -> None:
    history = FarHistory(far)
    first = history.run({b"a": b"1"})
    second = history.run_without_changes()
    history.run({b"a": b"2"})
    with closing(opened(far, second)) as reader:
        assert (reader.header.run, reader.header.same_as) == (second, first)
        assert contents_of(reader) == {b"a": b"1"}


# -- content --


@pytest.mark.parametrize("moved", [False, True])
def test_any_range_of_a_large_file_comes_in_order(far: Far, moved: bool) -> None:
    history = FarHistory(far)
    run = history.run({b"big": BIG, b"empty": b""})
    if moved:
        history.run({})
    ranges = [(0, len(BIG)), (0, 1), (len(BIG) - 1, 1), (999_999, 100_003), (32_768, 32_768), (5, 0)]
    with closing(opened(far, run)) as reader:
        sinks = {at: BytesSink() for at in ranges}
        big = entry(reader, b"big")
        for done in reader.place.carry_out(Task(at, reader.read_range(big, *at, sinks[at])) for at in ranges):
            assert done.error is None
        assert {at: sink.data == BIG[at[0] : sum(at)] for at, sink in sinks.items()} == dict.fromkeys(ranges, True)
        nothing = BytesSink()
        far.do(reader.read_range(entry(reader, b"empty"), 0, 0, nothing))
        assert nothing.data == b""


@pytest.mark.parametrize("spoilt", [None, b"", b"shorter", b"longer than it was, by some bytes"])
@pytest.mark.parametrize("moved", [False, True])
def test_content_of_another_size_or_none_is_refused(far: Far, spoilt: bytes | None, moved: bool) -> None:
    history = FarHistory(far)
    run = history.run({b"a": b"what it was"})
    path = far.path("latest", b"a")
    if moved:
        path = far.path(f"earlier/{history.run({})}", b"a")
    assert path.read_bytes() != spoilt
    path.unlink() if spoilt is None else path.write_bytes(spoilt)
    with closing(opened(far, run)) as reader:
        found = entry(reader, b"a")
        sink = BytesSink()
        with pytest.raises(PlaceError):
            far.do(reader.read_whole(found))
        with pytest.raises(PlaceError):
            far.do(reader.read_range(found, 0, 3, sink))
        assert sink.data == b"", "nothing came"


def test_wrong_content_of_the_right_size_is_for_the_digest_to_find(far: Far) -> None:
    """Invariant 3 is the reader's users' to keep: what comes is what lies there."""
    history = FarHistory(far)
    run = history.run({b"a": b"right"})
    far.path("latest", b"a").write_bytes(b"wrong")
    with closing(opened(far, run)) as reader:
        found = entry(reader, b"a")
        assert digest(far.do(reader.read_whole(found))) != found.digest


# -- while a run goes on --


def test_what_a_run_moved_meanwhile_is_found_by_looking_again(far: Far) -> None:
    history = FarHistory(far)
    run = history.run({b"a": b"1", b"b": b"1", b"c": b"1"})
    with closing(opened(far, run)) as reader:
        assert not reader.look_again()
        history.run({b"a": b"2", b"c": b"1"})
        with pytest.raises(PlaceError):
            far.do(reader.read_whole(entry(reader, b"b")))
        assert reader.look_again()
        assert contents_of(reader) == {b"a": b"1", b"b": b"1", b"c": b"1"}
        history.run({b"c": b"3"})
        assert reader.look_again()
        assert contents_of(reader) == {b"a": b"1", b"b": b"1", b"c": b"1"}
        assert not reader.look_again(), "nothing is otherwise: what does not come now is damaged"


def test_while_a_run_is_under_way_a_look_never_says_that_nothing_moves(far: Far) -> None:
    """A file may be moved aside and back between two looks that show the same."""
    history = FarHistory(far)
    run = history.run({b"a": b"1", b"b": b"1"})
    with closing(opened(far, run)) as reader:
        history.run({}, cut_after=0)
        assert reader.look_again()
        assert contents_of(reader) == {b"a": b"1", b"b": b"1"}
        assert reader.look_again(), "the run is under way, as far as anybody can see"
        history.run({b"a": b"2"})
        assert reader.look_again()
        assert contents_of(reader) == {b"a": b"1", b"b": b"1"}


def test_what_a_run_under_way_moves_back_is_found_where_it_was(far: Far) -> None:
    history = FarHistory(far)
    run = history.run({b"a": b"1"})
    keeper = far.keeper()
    with closing(opened(far, run)) as reader:
        under_way = history.run({}, cut_after=0)
        assert reader.look_again()
        far.path(f"earlier/{under_way}", b"a").rename(far.path("latest", b"a"))
        assert reader.look(keeper.view())
        assert contents_of(reader) == {b"a": b"1"}


def test_first_later_run_has_it_in_whatever_order_they_are_met(far: Far) -> None:
    history = FarHistory(far)
    run = history.run({b"a": b"1"})
    later = [history.run({b"a": b"%d" % number}) for number in (2, 3, 4)]
    with closing(far.keeper().reader(run)) as reader:
        for known in (1, 2, 3):
            assert reader.look(FarCopyView(runs=later, earlier=later[:known]))
            assert contents_of(reader) == {b"a": b"1"}
        assert not reader.look(FarCopyView(runs=later, earlier=later))


def test_what_is_handed_on_meanwhile_is_found_there(far: Far) -> None:
    """A version between is taken out, step by step, and somebody reads after each."""
    history = FarHistory(far)
    was = {b"a": b"1", b"b": b"1", b"deep/c": b"1"}
    first = history.run({**was, b"d": b"1"})
    second, third = history.run({b"d": b"1"}), history.run({b"d": b"2"})
    history.run({})
    remover = far.keeper().remover()
    with closing(opened(far, first)) as reader:
        far.do(remover.drop_listing(second))
        for path in was:
            far.do(remover.hand_on(remover.name_of(path), second, third))
            assert reader.look_again()
            assert contents_of(reader) == {**was, b"d": b"1"}
        remover.drop_empty_folders(second)
        assert reader.look_again()
        assert contents_of(reader) == {**was, b"d": b"1"}
        assert not reader.look_again()


# -- whom it believes --


def test_two_readers_side_by_side_leave_nothing_behind(far: Far) -> None:
    history = FarHistory(far)
    first, second = history.run({b"a": b"1"}), history.run({b"a": b"2"})
    with (
        closing(opened(far, first)) as one,
        closing(opened(far, first)) as other,
        closing(opened(far, second)) as newer,
    ):
        assert [contents_of(reader)[b"a"] for reader in (one, other, newer)] == [b"1", b"1", b"2"]
        assert len(os.listdir(far.scratch)) > 0
    assert os.listdir(far.scratch) == []


def spoil(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


@pytest.mark.parametrize("how", ["gone", "changed", "another run's", "another key"])
def test_listing_that_is_not_proved_gives_no_reader(far: Far, how: str) -> None:
    """Invariant 5."""
    history = FarHistory(far)
    first, second = history.run({b"a": b"1"}), history.run({b"a": b"2"})
    key = ListingKey(bytes(32))
    if how == "gone":
        far.listing(second).unlink()
    elif how == "changed":
        spoil(far.listing(second))
    elif how == "another run's":
        far.listing(second).write_bytes(far.listing(first).read_bytes())
    with pytest.raises(Damaged):
        (far.keeper(key) if how == "another key" else far.keeper()).reader(second)
    assert os.listdir(far.scratch) == []
    assert history.restorable(first) == {b"a": b"1"}


def test_headers_tell_of_each_version_and_what_is_wrong_with_one(far: Far) -> None:
    history = FarHistory(far)
    first, second = history.run({b"a": b"12345"}), history.run_without_changes()
    third, fourth = history.run({b"a": b"1", b"b": b"23"}), history.run({})
    far.listing(third).write_bytes(b"no listing at all")
    far.listing(fourth).unlink()
    found = far.keeper().headers([first, second, third, fourth])
    assert sorted(found) == [first, second, third, fourth]

    def told(run: str) -> tuple[str, int, int, str]:
        header = found[run]
        assert isinstance(header, Header)
        return header.run, header.files, header.size, header.same_as

    assert [told(run) for run in (first, second)] == [(first, 1, 5, ""), (second, 1, 5, first)]
    assert isinstance(found[third], Damaged)
    assert isinstance(found[fourth], OtherroofError)
    assert far.keeper().headers([]) == {}


def test_name_that_is_now_a_file_and_now_a_folder_comes_back_as_each(far: Far) -> None:
    history = FarHistory(far)
    steps: list[Contents] = [{b"a": b"file"}, {b"a/b": b"below"}, {b"a/b/c": b"deeper"}, {b"a": b"file again"}, {}]
    for contents in steps:
        history.run(contents)
    history.check()
