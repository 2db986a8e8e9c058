"""The index of versions, held against a plain model: a dictionary of each version's entries."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.errors import Damaged
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.listing_key import ListingKey
from otherroof.restore.finding.changes import FoundChange
from otherroof.restore.finding.history import held_states
from otherroof.restore.finding.index_builder import IndexBuilder
from otherroof.restore.finding.index_db import IndexDb
from otherroof.restore.finding.index_file import IndexFile
from otherroof.restore.finding.index_store import IndexStore
from otherroof.restore.finding.states import marked, number_of
from support.quick import examples

KEY = ListingKey(bytes(range(32)))
Plain = dict[bytes, Entry]

NAMES = (b"a", b"a-b", b"a/b", b"a/b/c", b"b", b'q"uo\\te', b"\xff\xfe", b"\xc3\xa4", b"a\n", b"z")


def run_of(number: int) -> str:
    return f"{datetime(2031, 4, 1, tzinfo=UTC) + timedelta(hours=number):%Y-%m-%dT%H%M%SZ}-{number:04x}"


def file(path: bytes, content: bytes, mtime_ns: int = 0, mode: int = 0o644) -> Entry:
    digest = hashlib.blake2b(content, digest_size=32).digest()
    return Entry(path, "file", len(content), mtime_ns, mode, 1, 1, digest=digest)


@st.composite
def entries(draw: st.DrawFn) -> Plain:
    found: Plain = {}
    for path in draw(st.sets(st.sampled_from(NAMES))):
        kind = draw(st.sampled_from(("file", "file", "folder", "link")))
        if kind == "file":
            content = draw(st.sampled_from((b"", b"1", b"22")))
            found[path] = file(path, content, draw(st.sampled_from((0, 7))), draw(st.sampled_from((0o600, 0o644))))
        elif kind == "folder":
            found[path] = Entry(path, "folder", 0, 0, 0o755, 1, 1)
        else:
            found[path] = Entry(path, "link", 0, 0, 0o777, 1, 1, target=draw(st.sampled_from((b"x", b"\xfe"))))
    return found


def lines(plain: Plain) -> list[bytes]:
    return [plain[path].line().encode() for path in sorted(plain)]


def take_in(builder: IndexBuilder, number: int, plain: Plain) -> None:
    taken = datetime(2031, 4, 1, tzinfo=UTC) + timedelta(hours=number)
    builder.take_in(run_of(number), taken, (len(plain), 0), marked(lines(plain)))


def built(where: Path, versions: dict[int, Plain], order: list[int]) -> IndexFile:
    path = where / "index"
    path.unlink(missing_ok=True)
    with closing(IndexBuilder(str(path))) as builder:
        for number in order:
            take_in(builder, number, versions[number])
    return IndexFile(str(path))


def shown(state: object) -> tuple[object, ...]:
    """What counts of an entry or a state."""
    names = ("path", "kind", "size", "mtime_ns", "mode", "digest", "target")
    return tuple(getattr(state, name) for name in names)


@st.composite
def histories(draw: st.DrawFn) -> tuple[dict[int, Plain], list[int]]:
    many = draw(st.lists(entries(), min_size=1, max_size=6))
    # Now and then a version goes back to what an earlier one held.
    versions = {n: many[draw(st.integers(0, n))] if draw(st.booleans()) else one for n, one in enumerate(many)}
    return versions, draw(st.permutations(list(versions)))


@pytest.fixture(scope="module")
def where(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("index")


@examples(300)
@given(histories())
def test_every_version_is_what_it_was_in_whichever_order_they_came(
    where: Path, history: tuple[dict[int, Plain], list[int]]
) -> None:
    versions, order = history
    with closing(built(where, versions, order)) as index:
        assert [one.run for one in index.versions()] == [run_of(number) for number in sorted(versions)]
        for number, plain in versions.items():
            at = number_of(run_of(number))
            expected = [shown(plain[path]) for path in sorted(plain)]
            assert [shown(state) for state in index.below(b"", at)] == expected
            below = [one for one in sorted(plain) if one.startswith(b"a/")]
            assert [state.path for state in index.below(b"a", at)] == below
            assert [state.path for state in index.children(b"a", at)] == [one for one in below if one.count(b"/") == 1]
            counted = [plain[one] for one in below if plain[one].kind != "folder"]
            assert index.totals(b"a", at) == (len(counted), sum(one.size for one in counted))


@examples(300)
@given(histories())
def test_states_of_a_path_never_stand_apart_if_they_could_be_one(
    where: Path, history: tuple[dict[int, Plain], list[int]]
) -> None:
    versions, order = history
    with closing(built(where, versions, order)) as index:
        for path in NAMES:
            row = [versions[number].get(path) for number in sorted(versions)]
            runs = [index_ for index_ in range(1, len(row)) if row[index_] != row[index_ - 1]]
            held = held_states(index.versions(), index.states_of(path))
            there = [entry for place, entry in enumerate(row) if entry and (place == 0 or place in runs)]
            assert [shown(one.state) for one in held if one.state] == [shown(entry) for entry in there]
            # Side by side and with nothing between them, in order, up to the newest version.
            assert not held or held[-1].last.run == run_of(max(versions))
            assert len(index.states_of(path)) == len(there)


def plain_changes(old: Plain, new: Plain) -> list[tuple[str, bytes, bytes]]:
    """What a person would call the change of each path; a move has its old path as well."""
    told: list[tuple[str, bytes, bytes]] = []
    went = {path: one for path, one in old.items() if path not in new}
    came = {path: one for path, one in new.items() if path not in old}
    moves: dict[bytes, bytes] = {}
    for digest in {one.digest for one in went.values() if one.kind == "file" and one.size}:
        froms = sorted(path for path, one in went.items() if one.digest == digest and one.kind == "file")
        tos = sorted(path for path, one in came.items() if one.digest == digest and one.kind == "file")
        moves |= dict(zip(tos, froms, strict=False))
    told += [("moved", path, source) for path, source in moves.items()]
    told += [("came", path, b"") for path in came if path not in moves]
    told += [("went", path, b"") for path in went if path not in moves.values()]
    for path in old.keys() & new.keys():
        before, after = old[path], new[path]
        if any(getattr(before, name) != getattr(after, name) for name in ("kind", "size", "digest", "target")):
            told.append(("changed", path, b""))
        elif before != after:
            told.append(("touched", path, b""))
    return sorted(told)


def as_told(change: FoundChange) -> tuple[str, bytes, bytes]:
    source = change.old.path if change.kind == "moved" and change.old else b""
    return (change.kind, change.path, source)


@examples(300)
@given(histories())
def test_changes_between_any_two_versions_are_those_of_the_plain_model(
    where: Path, history: tuple[dict[int, Plain], list[int]]
) -> None:
    versions, order = history
    with closing(built(where, versions, order)) as index:
        for old in (None, *versions):
            for new in versions:
                before = None if old is None else number_of(run_of(old))
                found = list(index.changes(before, number_of(run_of(new))))
                expected = plain_changes({} if old is None else versions[old], versions[new])
                assert sorted(map(as_told, found)) == expected
                assert [one.path for one in found] == sorted(one.path for one in found)


@pytest.mark.parametrize("old", [None, 0])
def test_changes_take_a_few_statements_however_many_files_came_moved_or_went(
    tmp_path: Path, old: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A statement a file took a quarter of a minute for a million."""
    was = {b"old/%d" % one: file(b"old/%d" % one, b"%d" % one) for one in range(90)}
    now = {b"new/%d" % one: file(b"new/%d" % one, b"%d" % one) for one in range(30, 120)}
    asked: list[str] = []
    for name in ("do", "do_all", "rows"):
        real = getattr(IndexDb, name)

        def counting(self: IndexDb, text: str, values: object = (), real: Any = real) -> Any:
            asked.append(text)
            return real(self, text, values)

        monkeypatch.setattr(IndexDb, name, counting)
    with closing(built(tmp_path, {0: was, 1: now}, [0, 1])) as index:
        asked.clear()
        holds = [number_of(run_of(number)) for number in (0, 1)]
        found = Counter(one.kind for one in index.changes(None if old is None else holds[old], holds[1]))
    assert found == ({"came": 90} if old is None else {"moved": 60, "went": 30, "came": 30})
    assert len(asked) < 12


def test_a_version_without_changes_costs_no_rows_and_is_known_all_the_same(tmp_path: Path) -> None:
    path = str(tmp_path / "index")
    with closing(IndexBuilder(path)) as builder:
        take_in(builder, 0, {b"a": file(b"a", b"1")})
        builder.take_in_unchanged(run_of(1), datetime(2031, 4, 2, tzinfo=UTC), (1, 1), number_of(run_of(0)))
        take_in(builder, 2, {b"a": file(b"a", b"2")})
    with closing(IndexFile(path)) as index:
        held = held_states(index.versions(), index.states_of(b"a"))
        assert [(one.first.run, one.last.run) for one in held] == [(run_of(0), run_of(1)), (run_of(2), run_of(2))]


def test_times_without_the_file_are_told_between_its_states_and_at_the_end_only(tmp_path: Path) -> None:
    one = {b"a": file(b"a", b"1")}
    with closing(built(tmp_path, {0: {}, 1: one, 2: {}, 3: one, 4: {}}, [0, 1, 2, 3, 4])) as index:
        held = held_states(index.versions(), index.states_of(b"a"))
    assert [one.state is not None for one in held] == [True, False, True, False]


HOSTILE = {
    "twice": [file(b"a", b""), file(b"a", b"")],
    "out of order": [file(b"b", b""), file(b"a", b"")],
    "too large": [Entry(b"a", "file", 1 << 70, 0, 0, 0, 0)],
    "a time that no number holds": [Entry(b"a", "file", 1, 1 << 80, 0, 0, 0)],
    "out of the folder": [file(b"../a", b"")],
    "no path": [file(b"", b"")],
}


@pytest.mark.parametrize("entries", HOSTILE.values(), ids=HOSTILE)
def test_lines_that_cannot_be_are_refused(tmp_path: Path, entries: list[Entry]) -> None:
    with closing(IndexBuilder(str(tmp_path / "index"))) as builder, pytest.raises(Damaged):
        builder.take_in(
            run_of(0), datetime(2031, 4, 1, tzinfo=UTC), (1, 1), marked(one.line().encode() for one in entries)
        )


# -- which index is believed --


@pytest.fixture
def store(tmp_path: Path) -> Iterator[IndexStore]:
    made = IndexStore(str(tmp_path / "found"), "papers", KEY)
    with made.anew("") as new:
        with closing(IndexBuilder(new)) as builder:
            take_in(builder, 0, {b"a": file(b"a", b"1")})
        made.publish(new)
    yield made


def test_an_index_is_found_by_its_key_and_job_alone(store: IndexStore, tmp_path: Path) -> None:
    assert store.found()
    folder = str(tmp_path / "found")
    assert IndexStore(folder, "papers", ListingKey(bytes(32))).found() == ""
    assert IndexStore(folder, "photos", KEY).found() == ""
    theirs = Path(store.found())
    theirs.rename(theirs.with_name(theirs.name.replace("papers", "photos")))
    assert IndexStore(folder, "photos", KEY).found() == ""


def test_a_single_bit_that_fell_over_makes_an_index_worthless(store: IndexStore) -> None:
    path = Path(store.found())
    data = bytearray(path.read_bytes())
    for place in (0, len(data) // 2, len(data) - 1):
        spoilt = data.copy()
        spoilt[place] ^= 4
        path.write_bytes(spoilt)
        assert store.found() == ""
    path.write_bytes(data)
    assert store.found()


def test_a_new_index_takes_the_place_of_the_old_one_and_what_is_broken_off_leaves_it(
    store: IndexStore, tmp_path: Path
) -> None:
    old = store.found()
    with pytest.raises(KeyboardInterrupt), store.anew(old):
        raise KeyboardInterrupt
    assert [path.name for path in (tmp_path / "found").iterdir()] == [Path(old).name]
    with store.anew(old) as new:
        with closing(IndexBuilder(new)) as builder:
            take_in(builder, 1, {})
        newer = store.publish(new)
    assert [str(path) for path in (tmp_path / "found").iterdir()] == [newer] == [store.found()]


def test_what_a_killed_maker_left_goes_after_a_day_and_nobody_elses_does(store: IndexStore, tmp_path: Path) -> None:
    folder = tmp_path / "found"
    left = [folder / f"papers.{name}" for name in ("0123abcd.new", "0123abcd.new-journal")]
    others = [folder / name for name in ("photos.0123abcd.new", "papers.notes.new", "papers.4567abcd.new")]
    for path in (*left, *others):
        path.write_bytes(b"begun")
        os.utime(path, (0, 0))
    os.utime(others[-1])  # somebody makes one just now
    before = store.found()
    with store.anew(before):
        assert store.found() == before
    assert [path.exists() for path in (*left, *others)] == [False, False, True, True, True]
