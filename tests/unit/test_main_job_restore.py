"""Getting it back from a far box that lost, spoiled or forged something: what is damaged is named, the rest comes back.

And whatever the far box says, nothing is written outside the folder that is restored into.
"""

from __future__ import annotations

import gzip
import os
import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.errors import Damaged, FarTrouble, LinkLost, OtherroofError
from otherroof.jobs.restore import list_versions
from otherroof.rehearsal.compare_trees import differences, read_tree
from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.sftp_session import SftpSession
from support.main_job import JOB, OneJob, one_job
from support.two_versions import BIG, RANGE, first, make_two_versions, newest, two_versions

pytestmark = pytest.mark.lasts(15)


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> OneJob:
    return make_two_versions(tmp_path_factory.mktemp("begun"))


@pytest.fixture
def job(tmp_path: Path, begun: OneJob) -> Iterator[OneJob]:
    with two_versions(tmp_path, begun) as made:
        yield made


def only_these_differ(job: OneJob, run: str, damaged: set[str]) -> None:
    """Exactly these paths are named as damaged and missing; everything else is as it was."""
    found, back = job.restore(run)
    assert {one.path for one in found.damaged} == damaged
    unlike = differences(job.trees[run], read_tree(str(back)))
    missing = {os.fsdecode(one.path) for one in unlike if one.what == "entry" and one.found == "absent"}
    assert missing == damaged
    others = [one for one in unlike if one.what not in ("entry", "names")]
    assert not others, [one.line() for one in others]
    assert not list(back.rglob(".otherroof-part-*")), "litter"


# -- what was lost or spoiled there --


def test_file_with_other_bytes_is_named_and_does_not_come_back(job: OneJob) -> None:
    """Invariant 3: a digest decides."""
    path = job.latest / "a"
    path.write_bytes(b"Second a")
    only_these_differ(job, newest(job), {"a"})
    assert job.unlike(first(job)) == []


def test_spoiled_earlier_file_is_named_in_the_version_that_needs_it(job: OneJob) -> None:
    next(job.far.glob("earlier/*/b/c")).write_bytes(b"firsT c")
    only_these_differ(job, first(job), {"b/c"})
    assert job.unlike(newest(job)) == []


@pytest.mark.parametrize("size", [0, 3, 2 * RANGE, len(BIG) + 1])
def test_large_file_of_another_length_is_named(job: OneJob, size: int) -> None:
    os.truncate(job.latest / "big", size)
    only_these_differ(job, newest(job), {"big"})


def test_one_bit_in_a_large_file_is_found(job: OneJob) -> None:
    with (job.latest / "big").open("r+b") as file:
        file.seek(RANGE + 7)
        file.write(bytes([BIG[RANGE + 7] ^ 1]))
    only_these_differ(job, newest(job), {"big"})


def test_file_that_is_gone_is_named(job: OneJob) -> None:
    (job.latest / "a").unlink()
    only_these_differ(job, newest(job), {"a"})


def test_first_of_two_names_that_is_gone_takes_the_second_with_it_and_says_so(job: OneJob) -> None:
    (job.latest / "b/d").unlink()
    only_these_differ(job, newest(job), {"b/d", "twin"})


def test_all_of_latest_is_gone_and_what_is_left_comes_back(job: OneJob) -> None:
    shutil.rmtree(job.latest)
    job.latest.mkdir()
    found, back = job.restore(first(job))
    assert {one.path for one in found.damaged} == {"b/d", "big", "twin"}
    assert ((back / "a").read_bytes(), (back / "b/c").read_bytes()) == (b"first a", b"first c")


def test_box_that_spoils_what_it_reads_out_is_found(job: OneJob) -> None:
    job.door.misbehave(spoiled=(b"/latest/a", b"/latest/big"))  # type: ignore[attr-defined]
    only_these_differ(job, newest(job), {"a", "big"})


def test_box_that_refuses_to_open_a_file_is_named_and_the_rest_comes_back(job: OneJob) -> None:
    job.door.misbehave(denied=(b"/latest/a",))  # type: ignore[attr-defined]
    only_these_differ(job, newest(job), {"a"})


def test_connection_that_breaks_leaves_no_litter_and_can_be_gone_on_with(job: OneJob) -> None:
    job.far_more = {"tries": 1}
    job.write_settings()
    into = job.where / "back"
    job.door.misbehave(cut_after=40, cut_times=100)  # type: ignore[attr-defined]
    with pytest.raises(LinkLost):
        job.restore(newest(job), into=into)
    job.door.misbehave()  # type: ignore[attr-defined]
    assert not list(into.rglob(".otherroof-part-*"))
    found, _ = job.restore(newest(job), into=into, existing="keep")
    assert (found.damaged, found.problems) == ([], [])
    assert [one.line() for one in differences(job.trees[newest(job)], read_tree(str(into))) if one.path != b"."] == []


# -- listings --


def listing(job: OneJob, run: str) -> Path:
    return job.listing(run)


def test_listing_cut_short_is_refused_and_the_version_before_comes_back(job: OneJob) -> None:
    path = listing(job, newest(job))
    data = path.read_bytes()
    for size in (0, 1, 30, len(data) // 2, len(data) - 1):
        path.write_bytes(data[:size])
        with pytest.raises(Damaged, match="listing") as caught:
            job.restore(newest(job))
        assert newest(job) in str(caught.value)
    assert job.unlike(first(job)) == []


def forge(path: Path, old: bytes, new: bytes) -> None:
    text = gzip.decompress(path.read_bytes())
    assert old in text
    path.write_bytes(gzip.compress(text.replace(old, new)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'"path":"a"', b'"path":"../../planted"'),
        (b'"path":"a"', b'"path":"/etc/planted"'),
        (b'"mode":"0644"', b'"mode":"4755"'),
        (b'"target":"a"', b'"target":"/etc/passwd"'),
        (b'"files":5', b'"files":6'),
    ],
)
def test_forged_listing_is_refused_before_anything_is_written(job: OneJob, old: bytes, new: bytes) -> None:
    """Invariant 5: the listing's keyed digest is checked first, so no forged name is ever looked at."""
    forge(listing(job, newest(job)), old, new)
    into = job.where / "back"
    with pytest.raises(Damaged, match="changed since it was written"):
        job.restore(newest(job), into=into)
    assert not into.exists()


def test_older_listing_under_a_newer_name_is_refused(job: OneJob) -> None:
    shutil.copyfile(listing(job, first(job)), listing(job, newest(job)))
    with pytest.raises(Damaged, match=f"belongs to {JOB}/{first(job)}"):
        job.restore(newest(job))


def test_listing_of_another_home_is_refused(job: OneJob) -> None:
    key = Path(job.settings.path(job.settings.home.listing_key))
    key.write_text("00" * 32 + "\n")
    with pytest.raises(FarTrouble, match="another home's folder"):
        job.restore()
    readme = job.far / "READ-ME-FIRST.txt"
    readme.unlink()  # as somebody might do who wants the listing to be read all the same
    with pytest.raises(Damaged, match="with another key"):
        job.restore()


def test_newest_version_that_the_box_hides_is_missed(job: OneJob) -> None:
    """Invariant 5: what is older is sound in itself, so only home's own memory can tell that something is kept back."""
    listing(job, newest(job)).unlink()
    hidden, shown = list_versions(job.settings, JOB)
    assert (hidden.run, hidden.flaw) == (newest(job), "the far box does not hold it any more")
    assert (shown.run, shown.flaw) == (first(job), "")
    found, _ = job.restore()
    assert found.header.run == first(job)
    assert [one.why for one in found.problems if newest(job) in one.why]
    found, _ = job.restore(first(job))
    assert found.problems == [], "who asks for an older one knows"
    job.forget_state()
    assert [one.run for one in list_versions(job.settings, JOB)] == [first(job)]


def test_versions_tell_which_listing_cannot_be_read(job: OneJob) -> None:
    listing(job, newest(job)).write_bytes(b"no gzip at all")
    broken, good = list_versions(job.settings, JOB)
    assert (broken.run, broken.files, bool(broken.flaw)) == (newest(job), 0, True)
    assert (good.run, good.files, good.flaw) == (first(job), 6, "")


def test_folder_with_long_attributes_is_listed_like_any_other(tmp_path: Path) -> None:
    with one_job(tmp_path) as job:
        job.put("a", b"a")
        os.setxattr(job.folder, "user.note", random.Random(1).randbytes(3900))
        job.done()
        assert job.listing(newest(job)).stat().st_size > 4096
        (one,) = list_versions(job.settings, JOB)
        assert (one.files, one.flaw) == (1, "")
        job.all_come_back()


HEADERS = {
    "a number": b"7",
    "a list": b"[]",
    "a text": b'"job run files size"',
    "nested without end": b"[" * 100_000,
    "another kind of file": b'{"otherroof":"key"}',
    "a size beyond all disks": b'{"job":"%s","run":"r","home":"h","home_id":"i","taken":"t","layout":"open","files":1,'
    b'"size":1%s,"otherroof":"listing"}' % (JOB.encode(), b"0" * 400),
    "a format that is a text": b'{"job":"j","run":"r","home":"h","home_id":"i","taken":"t","layout":"open","files":1,'
    b'"size":1,"otherroof":"listing","format":"x"}',
}


@pytest.mark.parametrize("header", HEADERS.values(), ids=HEADERS.keys())
def test_header_of_any_kind_is_told_as_a_flaw_and_nothing_else(job: OneJob, header: bytes) -> None:
    """Invariant 5: headers are shown before they are proved."""
    listing(job, newest(job)).write_bytes(gzip.compress(header + b'\n{"keyed_digest":"\xc3\xa4"}\n'))
    flawed, _ = list_versions(job.settings, JOB)
    assert flawed.flaw
    with pytest.raises(Damaged):
        job.restore(newest(job))


def test_listing_that_unpacks_without_end_is_refused(job: OneJob) -> None:
    listing(job, newest(job)).write_bytes(gzip.compress(b"x" * 30_000_000))
    with pytest.raises(Damaged, match="ends within a line"):
        job.restore(newest(job))


# -- names that cannot be --


PASSED_OVER = (b"../../../planted", b"/tmp/planted", b"a/b", b"..", b"", b"9999-12-31T235959Z-ffff",
               b"2031-99-99T999999Z-ffff", b"9999-12-31T235959Z-ffff.jsonl.gz",
               b"2031-99-99T999999Z-ffff.jsonl.gz")  # fmt: skip
TOO_LONG = b"x" * 5000


@pytest.mark.parametrize("name", [*PASSED_OVER, b"\0", TOO_LONG])
def test_names_that_cannot_be_are_never_written_to(job: OneJob, name: bytes) -> None:
    """Invariant 5: a box that lies about the names in every folder may end a restore or a run, never lead it astray."""
    before = read_tree(str(job.where.parent))
    job.door.misbehave(lying_names=(name,))  # type: ignore[attr-defined]
    if name == TOO_LONG:
        for deed in (job.restore, lambda: list_versions(job.settings, JOB)):
            with pytest.raises(LinkLost, match="a packet that makes no sense"):
                deed()
    else:
        found, back = job.restore()
        assert (found.damaged, found.problems, (back / "a").read_bytes()) == ([], [], b"second a")
        assert [(one.run, one.flaw) for one in list_versions(job.settings, JOB)] == [
            (newest(job), ""),
            (first(job), ""),
        ]
    job.put("a", b"third a")
    ran = job.run()
    if name in PASSED_OVER:
        assert (ran.error, ran.report.outcome, ran.report.problems) == (None, "done", [])
    else:
        assert isinstance(ran.error, LinkLost), "a name with NUL in it makes the stand-in hang up"
        assert "\n" not in str(ran.error)
    job.door.misbehave()  # type: ignore[attr-defined]
    ours = (b"restored", b"far-box", b"home", b"settings")
    now = read_tree(str(job.where.parent))
    strange = [
        one.path
        for one in differences(before, now)
        if one.what == "entry" and not any(part in one.path.split(b"/") for part in ours)
    ]
    assert strange == []
    job.trees.pop(ran.report.run, None)
    for run in job.trees:
        assert job.unlike(run) == []
    job.done()


@contextmanager
def answering(kind: int, mark: bytes, answer: Callable[[int], bytes]) -> Iterator[None]:
    """A box that answers requests of this `kind` with `mark` in them as it likes; the number is the request's own."""
    real = SftpSession.answer

    def lie(session: SftpSession, packet: bytes) -> bytes:
        if packet[0] == kind and mark in packet:
            return answer(int.from_bytes(packet[1:5], "big"))
        return real(session, packet)

    with patch.object(SftpSession, "answer", lie):
        yield


def names(count: int, name: bytes = b"deeper") -> Callable[[int], bytes]:
    row = words.counted(name) + words.counted(b"") + words.packed_stat(os.stat("/"))
    return lambda number: words.framed(words.NAME, number, count.to_bytes(4, "big") + row * count)


def test_folders_that_lead_deeper_without_end_are_left_and_told(job: OneJob) -> None:
    """Invariant 5: every folder of what was moved aside is said to hold one more."""
    handles = iter(range(10**6))
    asked: list[int] = []

    def one_folder(number: int) -> bytes:
        asked.append(number)
        # A long name, for as many levels as the longest path has would take their time.
        return names(1, b"deeper" * 40)(number) if len(asked) % 2 else words.framed_status(number, words.EOF)

    opened = answering(words.OPENDIR, b"/earlier/", lambda n: words.framed(
        words.HANDLE, n, words.counted(b"lie %d" % next(handles))))  # fmt: skip
    with (
        opened,
        answering(words.READDIR, b"lie ", one_folder),
        answering(words.CLOSE, b"lie ", lambda n: words.framed_status(n, words.OK)),
    ):
        found, _ = job.restore(first(job))
    assert [one.why for one in found.problems if "lists folders without end" in one.why]
    assert {one.path for one in found.damaged} == {"a", "b/c"}, "what the later run moved aside, and nothing else"


def test_names_without_end_end_the_restore(job: OneJob) -> None:
    """Invariant 5: before this machine's memory is full."""
    with (
        patch("otherroof.layouts.open.job_folder.MOST_PARTS", 1000),
        answering(words.READDIR, b"", names(100)),
        pytest.raises(OtherroofError, match="names without end"),
    ):
        job.restore(first(job))


def test_link_that_the_box_puts_in_place_of_a_file_is_not_followed_home(job: OneJob, tmp_path: Path) -> None:
    secret = job.where / "far-box" / "secret"
    secret.write_bytes(b"second a")  # even the very content
    (job.latest / "a").unlink()
    (job.latest / "a").symlink_to("/secret")
    found, back = job.restore(newest(job))
    assert (found.damaged, found.problems) == ([], []), "the box's own file, by whatever name, has the right content"
    assert not (back / "a").is_symlink()
    assert (back / "a").read_bytes() == b"second a"
    secret.write_bytes(b"something else")
    only_these_differ(job, newest(job), {"a"})
