"""Scan against catalogue, and notes into catalogue: both streams must do what a plain dictionary does."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from otherroof.copying.compare.catalogue import Block
from otherroof.copying.compare.change import BEGUN, DONE, PLANNED, TROUBLE, PlannedChange
from otherroof.copying.compare.compare import Difference, UnchangedBlock, compare
from otherroof.copying.compare.fold import fold
from otherroof.far_copy.numbers import FILE, FOLDER, join_path, kind_of
from support.trees import Tree, batches_of, blocks_of, line_of, trees


def seeing_all(_: bytes) -> bool:
    return False


def unfolded(blocks: list[Block]) -> Tree:
    """What blocks hold, as a dictionary; they must be in order and of one folder each."""
    found: Tree = {}
    for block in blocks:
        for name, numbers, line in block.items():
            path = join_path(block.folder, name)
            assert line == line_of(path, numbers)
            found[path] = numbers
        assert (block.count, block.first, block.last) == (
            len(block.items()),
            join_path(block.folder, block.items()[0][0]),
            join_path(block.folder, block.items()[-1][0]),
        )
    assert list(found) == sorted(found)
    return found


@given(trees, trees)
def test_compare_finds_what_a_dictionary_finds_in_byte_order(ours: Tree, theirs: Tree) -> None:
    found = list(compare(batches_of(ours), blocks_of(theirs), seeing_all))
    told = {one.path: (one.found, one.known) for one in found if isinstance(one, Difference)}
    wanted = {
        path: (ours.get(path), theirs.get(path))
        for path in sorted(ours.keys() | theirs.keys())
        if ours.get(path) != theirs.get(path)
    }
    assert list(told.items()) == list(wanted.items())
    same = [path for path in ours if ours[path] == theirs.get(path)]
    assert sum(one.files for one in found if isinstance(one, UnchangedBlock)) == sum(
        kind_of(ours[path]) != FOLDER for path in same
    )
    assert sum(one.size for one in found if isinstance(one, UnchangedBlock)) == sum(
        ours[path][1] for path in same if kind_of(ours[path]) == FILE
    )


@given(trees)
def test_compare_passes_what_is_the_same_as_whole_blocks(tree: Tree) -> None:
    found = list(compare(batches_of(tree), blocks_of(tree), seeing_all))
    assert all(isinstance(one, UnchangedBlock) for one in found)
    assert len(found) == len(blocks_of(tree))


@given(trees)
def test_rereading_passes_no_file_unseen(tree: Tree) -> None:
    found = compare(batches_of(tree), blocks_of(tree), seeing_all, reread=True)
    told = [one.path for one in found if isinstance(one, Difference)]
    assert told == [path for path in sorted(tree) if kind_of(tree[path]) == FILE]


@given(trees, trees, st.sets(st.sampled_from((b"a", b"ab", b"b", b"a/b", b"\n"))))
def test_what_cannot_be_seen_is_not_gone(ours: Tree, theirs: Tree, blind: set[bytes]) -> None:
    def is_blind(path: bytes) -> bool:
        parts = path.split(b"/")
        return any(b"/".join(parts[:count]) in blind for count in range(1, len(parts) + 1))

    seen = {path: numbers for path, numbers in ours.items() if not is_blind(path)}
    found = compare(batches_of(seen), blocks_of(theirs), is_blind)
    gone = {one.path for one in found if isinstance(one, Difference) and one.found is None}
    assert gone == {path for path in theirs if path not in seen and not is_blind(path)}


def planned(path: bytes, before: Tree, after: Tree, state: int, *, forgotten: bool = False) -> PlannedChange:
    new, old = after.get(path), before.get(path)
    return PlannedChange(
        path=path,
        had=0 if forgotten else kind_of(old),
        want=kind_of(new),
        doubt=False,
        numbers=new,
        device=0,
        old=line_of(path, old) if old else None,
        old_size=0,
        old_digest=None,
        first=None,
        source=None,
        digest=None,
        state=state,
        line=line_of(path, new) if new and state == DONE else None,
        why=None,
    )


states = st.sampled_from((DONE, DONE, DONE, PLANNED, BEGUN, TROUBLE))


@given(trees, trees, st.data())
def test_fold_is_a_plain_merge_cut_as_the_scan_cuts(before: Tree, after: Tree, data: st.DataObject) -> None:
    """What is done decides; what is not leaves what the far copy had, unless that was moved aside already."""
    paths = [path for path in sorted(before.keys() | after.keys()) if before.get(path) != after.get(path)]
    states_of = {path: data.draw(states) for path in paths}
    aside = {path for path in paths if states_of[path] != DONE and data.draw(st.booleans())}
    notes = [planned(path, before, after, states_of[path], forgotten=path in aside) for path in paths]
    wanted = dict(before)
    for path in paths:
        if states_of[path] == DONE and path in after:
            wanted[path] = after[path]
        elif states_of[path] == DONE or path in aside:
            wanted.pop(path, None)
    folded = list(fold(blocks_of(before), iter(notes)))
    assert unfolded(folded) == wanted
    assert [block.packed for block in folded] == [block.packed for block in blocks_of(wanted)]


@given(trees, trees)
def test_after_a_run_the_next_comparison_passes_everything_whole(before: Tree, after: Tree) -> None:
    found = compare(batches_of(after), blocks_of(before), seeing_all)
    notes = [planned(one.path, before, after, DONE) for one in found if isinstance(one, Difference)]
    folded = list(fold(blocks_of(before), iter(notes)))
    again = list(compare(batches_of(after), folded, seeing_all))
    assert all(isinstance(one, UnchangedBlock) for one in again)
    assert len(again) == len(batches_of(after))
