"""The contract of a Remover, over every layout and kind of place: versions go, and none that stays is ever harmed."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from otherroof.base.errors import NotThere, PlaceError, Refused
from otherroof.far.requests import Request, Script
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.remover import Remover
from otherroof.far_copy.writer import ContentLocation, FileProperties
from support.far_history import FarHistory, random_history
from support.far_layouts import NAMES, Far
from support.places import ask
from support.quick import slow_but_for

pytestmark = pytest.mark.slow

BIG = random.Random(8).randbytes(2_000_000)


def remover_of(far: Far) -> Remover:
    return far.keeper().remover()


def kept(far: Far, run: str) -> set[bytes]:
    names = list(remover_of(far).holds(run))
    assert len(names) == len(set(names))
    return set(names)


# -- what a run keeps --


def test_run_holds_what_it_replaced_or_removed_and_nothing_else(far: Far) -> None:
    history = FarHistory(far)
    first = history.run(dict.fromkeys(NAMES, b"1") | {b"stays": b"1"})
    second = history.run(dict.fromkeys(NAMES[:2], b"2") | {b"stays": b"1"})
    cut = history.run({b"stays": b"1"}, cut_after=0)
    remover = remover_of(far)
    assert kept(far, second) == {remover.name_of(name) for name in NAMES}
    assert len(kept(far, cut)) == 1
    assert kept(far, cut) < kept(far, second)
    assert kept(far, first) == set()


# -- what is to go, written down --

NOON = datetime(2031, 4, 9, 12, 0, 7, tzinfo=UTC)


def test_what_is_noted_of_versions_is_read_again_and_can_be_taken_back(far: Far) -> None:
    history = FarHistory(far)
    runs = [history.run({b"a": b"%d" % number}) for number in range(3)]
    remover = remover_of(far)
    assert far.do(remover.notes()) == []
    for at in (NOON, NOON, NOON + timedelta(days=1)):
        far.do(remover.note("goes", runs[1], at))
    far.do(remover.note("pinned", runs[0], NOON))
    notes = far.do(remover.notes())
    assert [(note.kind, note.run, note.at) for note in notes] == [
        ("pinned", runs[0], NOON),
        ("goes", runs[1], NOON),
    ], "the first word counts"
    assert all(abs(note.far_at - time.time()) < 600 for note in notes)
    history.check()
    for _ in range(2):
        far.do(remover.take_back(notes[0]))
        assert [note.run for note in far.do(remover.notes())] == [runs[1]]


def test_note_that_this_home_did_not_write_is_none(far: Far) -> None:
    """Invariant 5: nobody else can have a version go, or go sooner than home said."""
    history = FarHistory(far)
    runs = [history.run({b"a": b"%d" % number}) for number in range(3)]
    others = far.keeper(ListingKey(bytes(32))).remover()
    far.do(others.note("goes", runs[0], NOON))
    far.do(remover_of(far).note("goes", runs[1], NOON))
    (own,) = far.do(remover_of(far).notes())
    for path in list((far.here / "runs").iterdir()):
        for old, new in ((runs[1], runs[0]), ("20310409", "20310401"), (".goes", ".pinned")):
            (path.parent / path.name.replace(old, new)).write_bytes(path.read_bytes())
    assert far.do(remover_of(far).notes()) == [own]


# -- handing on --


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_what_is_handed_on_is_found_by_the_versions_before(far: Far, name: bytes) -> None:
    history = FarHistory(far)
    first = history.run({name: b"first"})
    second = history.run({name: b"second"})
    third = history.run({name: b"second", b"other": b""})
    remover = remover_of(far)
    far.do(remover.drop_listing(second))
    del history.versions[second]
    far.do(remover.hand_on(remover.name_of(name), second, third))
    assert (kept(far, second), kept(far, third)) == (set(), {remover.name_of(name)})
    assert history.restorable(first) == {name: b"first"}
    history.check()
    far.do(remover.hand_on(remover.name_of(name), second, third))
    assert kept(far, third) == {remover.name_of(name)}, "once more, as after a lost answer"
    history.check()


def test_what_is_kept_already_is_never_replaced(far: Far) -> None:
    """Invariant 2."""
    history = FarHistory(far)
    history.run({b"a": b"first", b"f": b"first"})
    second = history.run({b"a": b"second", b"f/below": b"second"})
    third = history.run({b"a": b"third"})
    remover = remover_of(far)
    for name in (b"a", b"f"):  # the same file; a folder of that name in which something is kept
        with pytest.raises(Refused):
            far.do(remover.hand_on(remover.name_of(name), second, third))
    history.check()


def test_what_neither_run_keeps_is_told(far: Far) -> None:
    history = FarHistory(far)
    history.run({b"a": b"1"})
    second, third = history.run({b"a": b"2"}), history.run({b"a": b"3"})
    remover = remover_of(far)
    with pytest.raises(NotThere):
        far.do(remover.hand_on(remover.name_of(b"deep/none"), second, third))
    history.check()


def test_large_content_is_handed_on_without_crossing_the_line(far: Far) -> None:
    history = FarHistory(far)
    history.run({b"big": BIG})
    second, third = history.run({}), history.run({b"other": b""})
    remover = remover_of(far)
    meter = far.base.place.meter
    before = meter.wire_up + meter.wire_down + meter.landed + meter.drawn
    far.do(remover.hand_on(remover.name_of(b"big"), second, third))
    assert meter.wire_up + meter.wire_down + meter.landed + meter.drawn - before < 20_000
    assert kept(far, third) == {remover.name_of(b"big")}
    history.check()


# -- removing --


def test_dropped_is_gone_for_good_and_once_more_is_no_trouble(far: Far) -> None:
    history = FarHistory(far)
    history.run({b"a": b"1", b"deep/b": b"1"})
    second = history.run({})
    remover = remover_of(far)
    for _ in range(2):
        far.do(remover.drop(remover.name_of(b"deep/b"), second))
        assert kept(far, second) == {remover.name_of(b"a")}


def test_content_that_has_another_name_stays_under_that_one(far: Far) -> None:
    """Invariant 2: a file that moved at home is one file with two names at the far end."""
    if not far.writer.can_make_from_far:
        return
    history = FarHistory(far)
    history.run({b"a": b"moves"})
    second = history.run({})
    properties = FileProperties(5, 0o644, 1_900_000_000)
    writer = far.keeper().writer(second)
    far.do(writer.make_from(b"b", ContentLocation(b"a", aside=True), properties, had=False))
    remover = remover_of(far)
    far.do(remover.drop(remover.name_of(b"a"), second))
    assert far.latest(b"b") == b"moves"


def test_version_without_its_listing_is_none_and_the_others_are(far: Far) -> None:
    history = FarHistory(far)
    runs = [history.run({b"a": b"%d" % number}) for number in range(3)]
    for _ in range(2):
        far.do(remover_of(far).drop_listing(runs[1]))
        assert far.keeper().view().runs == [runs[0], runs[2]]
    del history.versions[runs[1]]
    history.check()


def test_only_folders_that_hold_nothing_go(far: Far) -> None:
    history = FarHistory(far)
    history.run({b"a/b/c": b"1", b"deep/down/\xff\n": b"1", b"deep/other": b"1"})
    second = history.run({})
    remover = remover_of(far)
    remover.drop_empty_folders(second)
    assert len(kept(far, second)) == 3
    far.do(remover.drop(remover.name_of(b"a/b/c"), second))
    far.do(remover.drop(remover.name_of(b"deep/down/\xff\n"), second))
    remover.drop_empty_folders(second)
    assert kept(far, second) == {remover.name_of(b"deep/other")}
    assert not far.path(f"earlier/{second}", b"a").exists()
    assert not far.path(f"earlier/{second}", b"deep/down").exists()
    far.do(remover.drop(remover.name_of(b"deep/other"), second))
    for _ in range(2):
        remover.drop_empty_folders(second)
        assert far.keeper().view().earlier == []


def test_more_folders_than_go_in_one_message_all_go(far: Far) -> None:
    history = FarHistory(far)
    names = [b"%03d/%03d" % (number, number) for number in range(70)]
    history.run(dict.fromkeys(names, b""))
    second = history.run({})
    remover = remover_of(far)
    for name in names[1:-1]:
        far.do(remover.drop(remover.name_of(name), second))
    remover.drop_empty_folders(second)
    standing = [name for name in names if far.path(f"earlier/{second}", name).parent.exists()]
    assert standing == [names[0], names[-1]], "whichever is asked first or last stays, and holds no other one up"
    for name in names:
        far.do(remover.drop(remover.name_of(name), second))
    remover.drop_empty_folders(second)
    assert far.keeper().view().earlier == []


# -- a whole version goes, in the order that the port tells --


class Killed(Exception):
    """The process that removes ended here."""


def take_out(history: FarHistory, gone: str, after_each: Callable[[], None]) -> None:
    """Take a version out as the port says; `after_each` is called after every request that the far box answered."""
    far = history.far
    remover = remover_of(far)
    view = far.keeper().view()
    traces = sorted({gone, *view.runs, *view.earlier})
    following = traces[traces.index(gone) + 1]

    def do(script: Script[None]) -> None:
        by_request(far, script, after_each)

    history.versions.pop(gone, None)
    do(remover.drop_listing(gone))
    held = {run: kept(far, run) for run in traces if run <= following}
    needed = needed_of(history, held)
    for name in sorted(held[following] - needed[following]):
        do(remover.drop(name, following))
    remover.drop_empty_folders(following)
    after_each()
    for name in sorted(held[gone]):
        do(remover.hand_on(name, gone, following) if name in needed[gone] else remover.drop(name, gone))
    remover.drop_empty_folders(gone)
    after_each()


def needed_of(history: FarHistory, held: dict[str, set[bytes]]) -> dict[str, set[bytes]]:
    """Of what these runs hold, the names that a remaining version needs."""
    needed: dict[str, set[bytes]] = {run: set() for run in held}
    for version, contents in history.versions.items():
        for path in contents:
            name = remover_of(history.far).name_of(path)
            first = next((run for run in sorted(held) if run > version and name in held[run]), None)
            if first is not None:
                needed[first].add(name)
    return needed


def by_request(far: Far, script: Script[None], after_each: Callable[[], None]) -> None:
    """Carry a script out one request at a time."""
    answer: Any = None
    refusal: PlaceError | None = None
    while True:
        try:
            request: Request = script.throw(refusal) if refusal is not None else script.send(answer)
        except StopIteration:
            return
        assert not isinstance(request, tuple)
        answer = refusal = None
        try:
            answer = far.do(ask(request))  # type: ignore[arg-type]
        except PlaceError as problem:
            refusal = problem
        after_each()


def state_of(far: Far) -> dict[str, set[bytes]]:
    return {run: kept(far, run) for run in far.keeper().view().earlier}


# With more seeds over the taped folder alone: tests/unit/test_thinning_removal.py.
@pytest.mark.parametrize("seed", slow_but_for([0], range(2), most=1))
def test_after_every_single_request_every_remaining_version_is_whole(far: Far, seed: int) -> None:
    """Invariants 2 and 8: whenever whoever removes is killed, what stays can be restored."""
    history = random_history(far, seed)
    chance = random.Random(seed)
    newest = max(history.versions)
    cut = set(far.keeper().view().cut)
    going = [run for run in {*history.versions, *cut} - {newest} if not pointed_to(history, run)]
    for run in chance.sample(sorted(going), min(3, len(going))):
        take_out(history, run, history.check)
        view = far.keeper().view()
        assert run not in view.runs
        assert run not in view.earlier
    history.check()


def pointed_to(history: FarHistory, run: str) -> bool:
    """Whether another version's listing says that its lines are this one's."""
    headers = history.far.keeper().headers(history.versions)
    return any(getattr(header, "same_as", "") == run for header in headers.values())


@pytest.mark.parametrize("seed", slow_but_for([0], range(3), most=2))
def test_removing_that_was_killed_is_gone_on_with_and_ends_alike(far: Far, seed: int, request: Any) -> None:
    """Invariant 8."""
    history = random_history(far, seed)
    newest = max(history.versions)
    gone = next(run for run in sorted(history.versions)[1:] if run != newest and not pointed_to(history, run))
    requests = 0

    def kill_at(number: int) -> Callable[[], None]:
        left = iter(range(number))

        def after_each() -> None:
            nonlocal requests
            requests += 1
            if next(left, None) is None:
                raise Killed

        return after_each

    for number in (0, 1, 2, 3, 5, 8):
        try:
            take_out(history, gone, kill_at(number))
        except Killed:
            history.check()
        else:
            break
    take_out(history, gone, lambda: None)
    ended = state_of(far)
    assert gone not in ended
    history.check()
    take_out(history, gone, lambda: None)
    assert state_of(far) == ended, "once more changes nothing"
    assert requests > 0
