"""Which version a person means: a run, the beginning of one, a moment, or a day of the household's own calendar."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.errors import WrongUse
from otherroof.far_copy.run_ids import time_of_run
from otherroof.layouts.open.paths import LISTING_END, run_in
from otherroof.restore.versions import Version, moment_of, named_run, newest_until

# At St John's it is 2 h 30 min earlier in April: the second run is of the evening of the 5th there.
ZONE = ZoneInfo("America/St_Johns")
RUNS = ["2031-04-05T043000Z-0001", "2031-04-06T013000Z-0002", "2031-04-07T043000Z-0003"]


def chosen(as_of: str, taken: dict[str, datetime]) -> str:
    """The run that `as_of` means, of these and what their listings say."""
    named = named_run(reversed(taken), as_of, "papers")
    if named:
        return named
    versions = [Version(run, at) for run, at in reversed(taken.items())]
    return newest_until(versions, moment_of(as_of, "papers", ZONE), as_of, "papers").run


def which(as_of: str) -> int:
    return RUNS.index(chosen(as_of, {run: time_of_run(run) for run in RUNS})) + 1


@pytest.mark.parametrize(
    ("as_of", "number"),
    [
        ("", 3),
        (RUNS[0], 1),
        ("2031-04-06T", 2),
        ("2031-04-07T04", 3),
        # a day means its end, in the household's zone
        ("2031-04-05", 2),
        ("2031-04-06", 2),
        ("2031-04-07", 3),
        ("2040-01-01", 3),
        # a moment
        ("2031-04-06T01:29:59Z", 1),
        ("2031-04-06T01:30:00Z", 2),
        ("2031-04-05T22:59:00-02:30", 1),
        ("2031-04-05T23:00:00-02:30", 2),
        # … and one without an offset, in the household's zone
        ("2031-04-05T22:59", 1),
        ("2031-04-05T23:00", 2),
        ("2031-04-05 23:00", 2),
    ],
)
def test_what_a_person_may_write(as_of: str, number: int) -> None:
    """Invariant 9: times are read in the household's zone."""
    assert which(as_of) == number


@pytest.mark.parametrize(
    "as_of",
    ["2031-04-04", "1999-01-01T00:00:00Z", "2031", "2031-04", "soon", "2031-13-01", "2031-04-31", "2031-04-05T25:00"],
)
def test_what_means_no_version_is_told_with_advice(as_of: str) -> None:
    with pytest.raises(WrongUse, match="otherroof versions papers"):
        which(as_of)


@pytest.mark.parametrize(
    ("as_of", "told"),
    [
        ("0001-01-01T00:00:00+14:00", "is neither a run nor a time"),
        ("9999-12-31T23:59:59-14:00", "is neither a run nor a time"),
        ("9999-12-31", "is neither a run nor a time"),
    ],
)
def test_moment_beyond_the_calendar_is_told_in_words(as_of: str, told: str) -> None:
    with pytest.raises(WrongUse, match=told) as caught:
        which(as_of)
    assert as_of in str(caught.value)
    assert "otherroof versions papers" in str(caught.value)


def test_moment_goes_by_what_the_listings_say_and_not_by_the_ids() -> None:
    """After a night with a clock that was ahead all later ids are of the future; invariant 9."""
    taken = {
        "2031-04-07T010000Z-0001": datetime(2031, 4, 7, 1, tzinfo=UTC),
        "2099-01-01T000000Z-0002": datetime(2099, 1, 1, tzinfo=UTC),
        "2099-01-01T000001Z-0003": datetime(2031, 4, 9, 1, tzinfo=UTC),
        "2099-01-01T000002Z-0004": datetime(2031, 4, 10, 1, tzinfo=UTC),
    }
    moments = ("2031-04-07", "2031-04-08", "2031-04-09", "2031-04-11", "2031-04-09T00:59:59Z")
    assert [chosen(moment, taken)[-1] for moment in moments] == ["1", "3", "4", "4", "1"]
    assert chosen("", taken)[-1] == "4", "the newest goes by the order of runs"


def test_the_version_of_that_very_moment_counts_and_a_wrong_clock_of_one_night_does_not() -> None:
    noon = datetime(2031, 4, 5, 12, tzinfo=UTC)
    wrong = Version("2041-01-01T000000Z-0000", noon.replace(day=1))  # that night's clock was ten years ahead
    right = Version("2041-01-01T000001Z-0000", noon)
    assert newest_until([wrong, right], noon, "", "photos") is right
    later = Version("2031-04-04T000000Z-0000", noon)
    assert newest_until([right, later, wrong], noon, "", "photos") is right, "of one moment the later id"
    older = Version("2031-04-05T120000Z-0000", noon)
    assert newest_until([wrong, older], noon, "", "photos") is older, "the listing's time, not the id's"


def test_no_versions_at_all_says_what_to_do() -> None:
    with pytest.raises(WrongUse, match="otherroof run papers"):
        named_run([], "", "papers")


def test_run_id_holds_its_moment() -> None:
    assert time_of_run(RUNS[1]) == datetime(2031, 4, 6, 1, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    "name", [b"", b".jsonl.gz", b"latest.jsonl.gz", b"2031-04-05T013000Z-7f3a", b"2031-04-05T013000Z-7F3A.jsonl.gz",
             b"2031-13-05T013000Z-7f3a.jsonl.gz", b"2031-02-30T013000Z-7f3a.jsonl.gz", b"x2031-04-05T013000Z-7f3a",
             b"2031-04-05T013000Z-7f3a\n.jsonl.gz", b"2031-04-05T246000Z-7f3a.jsonl.gz", b"\xff.jsonl.gz",
             b"9999-12-31T235959Z-ffff.jsonl.gz", b"../2031-04-05T013000Z-7f3a.jsonl.gz"]
)  # fmt: skip
def test_name_that_is_no_run_is_passed_over(name: bytes) -> None:
    """Invariant 5: names at the far end may be anything."""
    assert run_in(name, LISTING_END) is None


def test_name_of_a_listing_is_its_run() -> None:
    assert run_in(b"2031-04-05T013000Z-7f3a.jsonl.gz", LISTING_END) == "2031-04-05T013000Z-7f3a"
