"""When a file that did not come back is asked for again, and when it is called damaged."""

from __future__ import annotations

from otherroof.far_copy.entry import Entry
from otherroof.restore.missed_files import LOOK_AFTER, MOST_TRIES, MissedFiles


def entry(name: str) -> Entry:
    return Entry(name.encode(), "file", size=1, mtime_ns=0, mode=0o644, uid=0, gid=0)


def test_without_anything_newer_it_is_damaged() -> None:
    missed = MissedFiles()
    assert not missed
    missed.note(entry("a"), "gone", large=False)
    assert missed
    again, damaged = missed.settle(found_newer=False)
    assert (again, [(one.path, why) for one, why in damaged]) == ([], [(b"a", "gone")])
    assert not missed


def test_with_something_newer_it_is_asked_for_again_but_not_for_ever() -> None:
    """A far box that shows something new at each look cannot keep a restore from its end."""
    missed = MissedFiles()
    for _ in range(MOST_TRIES - 1):
        missed.note(entry("a"), "gone", large=False)
        again, damaged = missed.settle(found_newer=True)
        assert ([one.path for one in again], damaged) == ([b"a"], [])
    missed.note(entry("a"), "gone", large=False)
    missed.note(entry("b"), "wrong", large=False)
    again, damaged = missed.settle(found_newer=True)
    assert ([one.path for one in again], [one.path for one, _ in damaged]) == ([b"b"], [b"a"])


def test_a_large_file_asks_for_a_look_at_once_and_small_ones_when_they_are_many() -> None:
    missed = MissedFiles()
    for number in range(LOOK_AFTER - 1):
        missed.note(entry(str(number)), "gone", large=False)
        assert not missed.look_is_due
    missed.note(entry("last"), "gone", large=False)
    assert missed.look_is_due
    missed.settle(found_newer=False)
    assert not missed.look_is_due
    missed.note(entry("big"), "gone", large=True)
    assert missed.look_is_due
