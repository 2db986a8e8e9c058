"""Whole runs and restores against a far box, or files at home, that would spoil them: it is told, and all else goes."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.errors import LinkLost
from otherroof.layouts.open.keeper import OpenKeeper
from otherroof.ledger import Ledger
from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.sftp_session import SftpSession
from support.main_job import OneJob, one_job


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        yield made


@contextmanager
def refusing_to_list(folder: Path) -> Iterator[None]:
    """The far box lets nobody look into this folder, whose path is as this machine sees it."""
    real = SftpSession.answer
    mark = b"/".join(os.fsencode(part) for part in folder.parts[folder.parts.index("earlier") :])

    def refuse(session: SftpSession, packet: bytes) -> bytes:
        if packet[0] == words.OPENDIR and packet.endswith(mark):
            return words.framed_status(int.from_bytes(packet[1:5], "big"), words.PERMISSION_DENIED)
        return real(session, packet)

    with patch.object(SftpSession, "answer", refuse):
        yield


# -- a folder that cannot be listed --


def test_folder_of_one_night_that_cannot_be_listed_bars_only_what_lies_in_it(job: OneJob) -> None:
    for name in ("a", "b", "c/x", "c/y"):
        job.put(name, f"first {name}")
    first = job.done().run
    job.put("a", "second a")
    job.put("c/x", "second x")
    second = job.done().run
    job.put("b", "third b")
    third = job.done().run

    for folder, lost in ((job.earlier(third), {"b"}), (job.earlier(second) / "c", {"c/x"})):
        with refusing_to_list(folder):
            found, back = job.restore(first)
            assert {one.path for one in found.damaged} == lost
            told = [one.why for one in found.problems]
            assert len(told) == 1
            assert folder.name in told[0]
            assert "is forbidden" in told[0]
            there = {name for name in ("a", "b", "c/x", "c/y") if (back / name).exists()}
            assert there == {"a", "b", "c/x", "c/y"} - lost
            assert job.unlike(third) == [], "a version that needs none of it"
    assert job.unlike(first) == []


# -- attributes that are too large --


@contextmanager
def attributes(job: OneJob, count: int, size: int) -> Iterator[None]:
    """The job's file `fat` has so many attributes of so many bytes, as XFS and btrfs allow it."""
    fat = os.fspath(job.path("fat"))
    names, listed, read = [f"user.{number:03}" for number in range(count)], os.listxattr, os.getxattr

    def is_fat(thing: object) -> bool:
        return isinstance(thing, int) and os.readlink(f"/proc/self/fd/{thing}") == fat

    def listxattr(thing, *, follow_symlinks=True):  # type: ignore[no-untyped-def]
        return names if is_fat(thing) else listed(thing, follow_symlinks=follow_symlinks)

    def getxattr(thing, name, *, follow_symlinks=True):  # type: ignore[no-untyped-def]
        return os.urandom(size) if is_fat(thing) else read(thing, name, follow_symlinks=follow_symlinks)

    with (
        patch("otherroof.copying.home.read.os.listxattr", listxattr),
        patch("otherroof.copying.home.read.os.getxattr", getxattr),
    ):
        yield


@pytest.mark.parametrize("large", [False, True], ids=["small file", "streamed file"])
def test_attributes_of_one_file_do_not_make_a_version_unreadable(job: OneJob, large: bool) -> None:
    content = b"fat" * (600_000 if large else 1)
    job.put("fat", content)
    job.put("b", b"b")
    with attributes(job, 60, 65_000):
        ran = job.run()
    assert ran.error is None
    assert [(one.path, one.why.partition(";")[0]) for one in ran.report.problems] == [
        ("fat", "its extended attributes are too large for a listing")
    ]
    found, back = job.restore(ran.report.run)
    assert found.damaged == []
    assert (back / "fat").read_bytes() == content
    assert (back / "b").read_bytes() == b"b"
    assert [one.why for one in found.problems if "left out: user.002, user.003, user.004 and others" in one.why]


def test_listing_that_could_not_be_read_again_does_not_count(job: OneJob) -> None:
    """Invariant 1: whatever a mistake of ours may write, it is read back before it takes its name."""
    job.put("fat", b"first")
    first = job.done().run
    job.put("fat", b"second")
    with attributes(job, 60, 65_000), patch("otherroof.far_copy.entry.MOST_ATTRIBUTES", 1 << 30):
        ran = job.run()
    assert ran.error is not None
    assert "could not be read back (the listing ends within a line)" in str(ran.error)
    assert [one.name for one in (job.far / "runs").iterdir()] == [job.listing(first).name]
    assert job.unlike(first) == []
    job.done()
    job.all_come_back()


# -- what is said of the disk --


def test_file_system_of_sixteen_eib_ends_no_run(job: OneJob) -> None:
    job.put("a", b"a")
    job.door.misbehave(free_bytes=2**64 - 1)  # type: ignore[attr-defined]
    job.done()
    with Ledger(job.settings.ledger) as ledger:
        now = job.clock.now()
        (mark,) = ledger.spaces.daily("heron", now - timedelta(days=1), now + timedelta(days=1))
    assert mark.free == mark.total == 2**63 - 1


# -- home's own scratch and remarks --


def test_scratch_that_killed_runs_left_is_swept_by_the_next_and_nobody_elses(job: OneJob) -> None:
    job.put("a", b"a")
    job.done()
    scratch = job.state / "scratch" / "heron"
    ours = ["papers.0badcafe.listing", "papers.0badcafe.listing.aside.db", "papers.12345678.outgoing"]
    others = ["papers-old.0badcafe.listing", "papers.old.0badcafe.listing", "papers.txt", "photos.0badcafe.listing"]
    scratch.mkdir(parents=True, exist_ok=True)
    for name in (*ours, *others):
        (scratch / name).write_bytes(b"x")
    job.done()
    assert sorted(path.name for path in scratch.iterdir()) == sorted(others)


def test_damaged_catalogue_is_told_also_if_the_link_breaks_just_then(job: OneJob) -> None:
    job.put("a", b"a")
    job.done()
    catalogue = job.state / "catalogues" / "papers.db"
    catalogue.write_bytes(b"no database" * 1000)
    real, broke = OpenKeeper.lines, []

    def lines(keeper: OpenKeeper, run: str) -> Iterator[bytes]:
        if not broke:
            broke.append(run)
            raise LinkLost("the connection broke")
        return real(keeper, run)

    with patch.object(OpenKeeper, "lines", lines):
        ran = job.run()
    assert broke
    assert ran.error is None
    told = [one.why for one in ran.report.problems]
    assert len([why for why in told if "set aside as" in why]) == 1, told
