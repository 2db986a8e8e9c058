"""What a far disk's readings say of its growth, and how far a first copy is said to be: no invented day."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.forecast.first_copy import NightsLeft
from otherroof.forecast.trend import FillDays
from otherroof.ledger import Ledger
from otherroof.watch.first_copy import FirstCopy, first_copy_brief, first_copy_text, still_text
from otherroof.watch.gather import WatchInputs, gather
from support.simulated import household
from support.watching import Night, write_run

NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
DAY = timedelta(days=1)
GB = 1_000_000_000


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(str(tmp_path / "ledger.db")) as made:
        yield made


def fill(ledger: Ledger) -> FillDays | None:
    settings = household({"photos": {}}, zone="UTC", far={"heron": {}})
    return gather(settings, ledger, SteppedClock(NOW), WatchInputs()).fars[0].fill


def note(ledger: Ledger, days_ago: range, used: list[int], total: int = 1000) -> None:
    """A reading a day, `used` and `total` in GB."""
    for day, taken in zip(days_ago, used, strict=True):
        ledger.spaces.note("heron", NOW - day * DAY, (total - taken) * GB, total * GB)


def test_a_larger_disk_with_others_data_on_it_is_no_growth(ledger: Ledger) -> None:
    note(ledger, range(20, 10, -1), [700] * 10)
    note(ledger, range(10, 0, -1), [1700] * 10, total=2000)
    assert fill(ledger) is None


def test_what_a_first_copy_took_is_no_growth_once_it_is_whole(ledger: Ledger) -> None:
    note(ledger, range(20, 10, -1), [500 + 20 * night for night in range(10)])
    note(ledger, range(10, 0, -1), [690] * 10)
    assert fill(ledger) is not None, "as long as no run says that a first copy was brought there"
    write_run(ledger, NOW - 10.5 * DAY)
    assert fill(ledger) is None


def test_a_disk_is_not_told_to_fill_while_a_first_copy_is_under_way(ledger: Ledger) -> None:
    note(ledger, range(20, 0, -1), [500 + 20 * night for night in range(20)])
    assert fill(ledger) is not None
    write_run(ledger, NOW - 2 * DAY, Night(outcome="cut", to_send=400 * GB))
    assert fill(ledger) is None


def test_who_made_room_is_told_of_growth_since_then_only(ledger: Ledger) -> None:
    note(ledger, range(30, 10, -1), [500 + 20 * night for night in range(20)])
    note(ledger, range(10, 0, -1), [780] * 10)
    assert fill(ledger) is None


def test_a_first_copy_is_never_said_to_be_all_there_and_one_without_end_gets_no_day() -> None:
    text = first_copy_text(FirstCopy(1000, 1000, 0, None), NOW, ZoneInfo("UTC"))
    assert "(99 %)" in text.replace("\u00a0", " ")
    slow = FirstCopy(GB, 10_000 * GB, 9, NightsLeft(1e6, 10_000_000, 9_000_000, None), 1e6)
    assert "in more than ten years" in first_copy_text(slow, NOW, ZoneInfo("UTC"))


def test_a_first_copy_has_a_day_only_if_it_is_sure_and_tells_since_when_it_stands_still() -> None:
    zone = ZoneInfo("UTC")

    def brief(fewest: int, most: int | None) -> str:
        return first_copy_brief(FirstCopy(500, 1000, 3, NightsLeft(10.0, 10, fewest, most)), NOW, zone)

    assert brief(10, 10) == "50 % there, whole about 16 March 2031"
    assert brief(8, 12) == "50 % there, whole between 14 and 18 March 2031"
    assert brief(8, None) == "50 % there, whole 14 March 2031 at the soonest"
    still = still_text(FirstCopy(500, 1000, 3, None), NOW - 3 * DAY, zone)
    assert still == "first copy stands still since 3 March 2031 (50 % there)"
