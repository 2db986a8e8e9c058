"""A far box that refuses requests at random, before or after it has done what was asked.

Whatever it answers, a run ends with an outcome and one line, nothing that a version needs is lost, and once the box is
well again every version that counted comes back and the next run is as if nothing had been.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.errors import OtherroofError
from otherroof.copying.compare.change import LARGE
from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.sftp_session import SftpSession
from support.faulty_box import Offers
from support.main_job import OneJob, one_job

STATUSES = (words.FAILURE, words.PERMISSION_DENIED, words.NO_SUCH_FILE, words.OP_UNSUPPORTED, words.EOF)


@contextmanager
def moody(seed: int, share: float) -> Iterator[None]:
    """Every request is refused with probability `share`; half of the refused ones are carried out all the same."""
    dice = random.Random(seed)
    real = SftpSession.answer

    def answer(session: SftpSession, packet: bytes) -> bytes:
        if packet[0] == words.INIT or dice.random() >= share:
            return real(session, packet)
        if dice.random() < 0.5:
            real(session, packet)
        return words.framed_status(int.from_bytes(packet[1:5], "big"), dice.choice(STATUSES))

    with patch.object(SftpSession, "answer", answer):
        yield


def a_day(job: OneJob, day: int) -> None:
    """Something of every kind changes."""
    dice = random.Random(day)
    for number in range(6):
        job.put(f"day {day}/{number}", dice.randbytes(200))
    job.put("diary", f"day {day}")
    film = bytearray(random.Random(7).randbytes(LARGE + 200_000))
    film[day * 1000 : day * 1000 + 5] = b"%5d" % day
    job.put("film", bytes(film))
    if day:
        job.path(f"day {day - 1}/0").rename(job.path(f"moved on day {day}"))
        job.path(f"day {day - 1}/1").unlink()
        job.path(f"twin {day}").hardlink_to(job.path(f"day {day}/2"))
        job.put(f"copy {day}", job.path(f"day {day}/3").read_bytes())
        job.path(f"link {day}").symlink_to("diary")
    if day > 1:
        job.path(f"twin {day - 1}").unlink()
        job.path(f"twin {day - 1}").mkdir()
        job.put(f"twin {day - 1}/now a folder", b"x")


@pytest.mark.parametrize(
    "offers", [Offers(), replace(Offers(), hardlink=False), Offers.none()], ids=["all", "no links", "old"]
)
@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.slow)])
def test_box_that_refuses_at_random_loses_nothing(tmp_path: Path, seed: int, offers: Offers) -> None:
    """Invariants 1, 2, 3 and 8."""
    with one_job(tmp_path, offers=offers, far_more={"tries": 1}) as job:
        a_day(job, 0)
        job.done()
        outcomes = []
        for day in range(1, 5):
            a_day(job, day)
            with moody(100 * seed + day, 0.05):
                ran = job.run()
                outcomes.append(ran.report.outcome)
                if ran.error is not None:
                    assert "\n" not in str(ran.error)
                try:
                    job.restore(ran.report.run if ran.error is None else "")
                except OtherroofError as error:
                    assert "\n" not in str(error)
            problems = {one.path for one in ran.report.problems}
            if ran.error is None and problems:
                job.trees.pop(ran.report.run)  # what was refused is not in it, and was named
            job.all_come_back()
        assert set(outcomes) != {"done"}, "the box refused nothing that mattered"
        job.done()
        job.all_come_back()
