"""How many round trips one after the other a run takes besides its files: on a long line these are what a short run is
slow by. Counted, not timed.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.far import requests
from otherroof.forecast.planning.copy_time import TRIPS
from support.main_job import OneJob
from support.round_place import Line, far_away_job


@pytest.fixture
def away(tmp_path: Path) -> Iterator[tuple[OneJob, Line]]:
    with far_away_job(tmp_path) as found:
        yield found


def test_a_first_run_takes_few_round_trips_besides_its_files(away: tuple[OneJob, Line]) -> None:
    job, line = away
    for number in range(30):
        job.put(f"letters/{number}", b"%d" % number)
    job.done()
    # Before: the first look and the trial file 2, folders and the note for people 1, its own mark 2, whether another
    # server is there 3, the folders that files come into 2.
    assert line.first_about(b".part") == 10
    assert line.after_last_about(b"/latest/") == 1 + 6
    assert len(line.asked) == 10 + 3 + 2 * 2 + 6, "a small file takes three, its sync two: the first few are a trial"
    job.all_come_back()


def later_run(away: tuple[OneJob, Line], path: str, *, before: str) -> Line:
    """What a run asks for that has the file at `path` to bring, one after it brought that at `before`."""
    job, line = away
    job.put(before, b"first")
    job.done()
    line.asked.clear()
    job.put(path, b"second")
    job.done()
    return line


def test_a_later_run_takes_fewer_still(away: tuple[OneJob, Line]) -> None:
    job, _ = away
    line = later_run(away, "letters/b", before="letters/a")
    assert line.first_about(b".part") == 2 + 2 + 3 + 1
    assert line.after_last_about(b"/latest/") == 1 + 6
    job.all_come_back()


# TCP 1, SSH's greeting, lists and keys 3, its login 2 (RFC 4252 §5.1, §7), a channel, its subsystem, and one more that
# sshd waits between two small packets 3, SFTP's greeting and its limits 2: as seen on the wire.
LOGIN = 1 + 3 + 2 + 3 + 2


def test_the_forecast_reckons_with_as_many_as_a_night_of_one_change_takes(away: tuple[OneJob, Line]) -> None:
    line = later_run(away, "letters/a", before="letters/a")
    assert pytest.approx(LOGIN + len(line.asked), abs=5) == TRIPS


def test_what_gives_way_gets_its_folders_in_two_round_trips_however_deep_it_lay(away: tuple[OneJob, Line]) -> None:
    job, _ = away
    took = []
    for path in ("a/file", "a/b/c/d/e/f/g/file"):
        line = later_run(away, path, before=path)
        took.append(sum(any(isinstance(op, requests.MakeFolder) for op in ops) for ops in line.asked))
    assert took == [2, 2]
    job.all_come_back()


def test_the_marks_of_others_are_looked_at_only_once_its_own_stands_and_listings_after_them(
    away: tuple[OneJob, Line],
) -> None:
    """Else two servers that begin, or one that ends, might not see each other."""
    job, line = away
    job.put("letters/a", b"first")
    job.done()
    for stretch in (line.asked[: line.first_about(b".part")], line.asked[-6:]):
        ops = [(at, op) for at, found in enumerate(stretch) for op in found]
        folders = [(at, op.path.rpartition(b"/")[2]) for at, op in ops if isinstance(op, requests.OpenFolder)]
        (marks_at, marks), (listings_at, listings) = folders[-2:]
        assert (marks, listings) == (b"incoming", b"runs")
        looked = [at for at, op in ops if isinstance(op, requests.ReadFolder) and at > marks_at]
        assert marks_at < looked[0] == listings_at < looked[-1]
        in_one = [type(op) for at, op in ops if at == listings_at]
        assert in_one.index(requests.ReadFolder) < in_one.index(requests.OpenFolder), "carried out in this order"
    own = next(at for at, op in enumerate(line.asked) if _opens_mark(op))
    assert any(isinstance(op, requests.Sync) for op in line.asked[own + 1])
    later = [at for at, found in enumerate(line.asked) for op in found if isinstance(op, requests.OpenFolder)]
    assert next(at for at in later if at >= own) > own + 1, "its own mark is durable by then"


def _opens_mark(ops: list[requests.Op]) -> bool:
    return any(isinstance(op, requests.OpenFile) and op.path.endswith(b".under-way") for op in ops)
