"""How files are brought, each rule by itself: where content is taken from, what waits, and what counts as landed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock, in_ns
from otherroof.base.errors import LinkLost, OtherroofError, Refused, RunCut
from otherroof.copying.compare.catalogue import AsideContent
from otherroof.copying.compare.change import BEGUN, DONE, LARGE, PLANNED, TROUBLE, PlannedChange
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.half_sent import NOTHING_SAFE, SafePart
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.home.chunks import ChunkList
from otherroof.copying.home.read import READ_TRIES, ChangedWhileRead
from otherroof.copying.send.far_syncs import FarSyncs
from otherroof.copying.send.files import FileSender
from otherroof.copying.send.landed import AGE_S, LandedFiles
from otherroof.copying.send.sync_pace import FIRST, SyncPace
from otherroof.copying.send.under_way import FileUnderWay
from otherroof.far.place import Task, TaskResult
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.numbers import FILE, Numbers
from otherroof.far_copy.writer import ArrivedPart, NotDurable

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
OLD_NS = in_ns(NOW) - 3600 * 10**9
ONE, OTHER = b"\1" * 32, b"\2" * 32
PART = SafePart(LARGE, ONE)
NUMBERS: Numbers = (1, 10, OLD_NS, OLD_NS, 0o100644)
BEGINS = ("put", "put durable", "put part", "finish part", "take place", "from far")
STEPS = (*BEGINS, "adopt", "prepare", "upload", "forget")


def line(path: bytes, digest: bytes) -> bytes:
    return Entry(path, "file", 10, OLD_NS, 0o644, 0, 0, digest=digest).line().encode()


def new(path: bytes) -> Difference:
    return Difference(path, NUMBERS, None, None)


def changed(path: bytes, old: bytes) -> Difference:
    return Difference(path, NUMBERS, NUMBERS, line(path, old))


class Brought:
    """A sender with a real plan; `said` is what was noted and what went out, in order."""

    def __init__(self, where: Path, *, makes_from_far: bool = True, waits_for_commit: bool = False) -> None:
        self.plan = RunPlan(str(where / "notes.db"))
        self.clock = SteppedClock(NOW)
        self.commits = 0
        self.found_numbers = NUMBERS
        commit = self.plan.commit

        def counted() -> None:
            self.commits += 1
            commit()

        self.plan.commit = counted  # type: ignore[method-assign]
        self.kept: list[tuple[bytes, bytes, Any]] = []
        offers = SimpleNamespace(sync=True, max_write=1000, copy_range=True)
        place = SimpleNamespace(offers=offers, carry_out=lambda *_: iter(()), connections=1)
        scripts = [
            "put",
            "put_durable",
            "put_part",
            "take_place",
            "make_from",
            "adopt",
            "make_durable",
            "keep_mark_fresh",
        ]
        scripts += ["prepare", "upload", "finish_part", "forget_part"]
        writer = SimpleNamespace(
            place=place,
            can_make_from_far=makes_from_far,
            waits_for_commit=waits_for_commit,
            **{name: lambda *_, **__: iter(()) for name in scripts},
        )
        source = SimpleNamespace(describe_file=lambda path: (Entry(path, "file", 10, 5, 0, 0, 0), self.found_numbers))
        run = SimpleNamespace(
            clock=self.clock,
            stop=SimpleNamespace(asked=lambda: ""),
            tick=lambda: None,
            progress=SimpleNamespace(path=b"", put=0, files=0),
        )
        context: Any = SimpleNamespace(
            plan=self.plan,
            writer=writer,
            reader=SimpleNamespace(under_way=[], begin=lambda _stream: None, forget=lambda _stream: None),
            chunks=SimpleNamespace(
                key=bytes(32),
                get=lambda *_: ChunkList(1024),
                put=lambda *kept: self.kept.append(kept),
            ),
            landed=LandedFiles(self.clock),
            run=run,
            source=source,
            totals=SimpleNamespace(bytes=0, sampler=SimpleNamespace(look=lambda _head: None)),
            unsure=False,
        )
        self.context = context
        self.sender = FileSender(context, FarSyncs(context.landed, self.plan, context.writer, self.clock))
        self.state, self.queue = self.sender._state, self.sender._queue

    def change(self, path: bytes, digest: bytes | None = ONE) -> PlannedChange:
        found = self.plan.get(path)
        assert found is not None
        found.digest = digest
        return found

    def under_way(self, path: bytes, step: Any, data: bytes = b"") -> FileUnderWay:
        return FileUnderWay(self.change(path), step, data)

    def tasks(self) -> list[Any]:
        return [*self.queue.follow_ups(), *self.queue.release()]

    def going_out(self) -> list[tuple[bytes, str]]:
        return [(task.key.change.path, task.key.step) for task in self.tasks()]


@pytest.fixture
def brought(tmp_path: Path) -> Iterator[Brought]:
    made = Brought(tmp_path)
    yield made
    made.plan.close()


# -- the same content --


def test_only_a_file_that_stands_there_can_be_the_same(brought: Brought) -> None:
    """Its old one may have been moved aside already, by this run or one that was cut."""
    brought.plan.add([changed(b"a", ONE), changed(b"b", ONE)])
    moved = brought.change(b"a")
    moved.had = 0
    assert not brought.sender._is_same(moved)
    assert brought.plan.get(b"a").state == PLANNED  # type: ignore[union-attr]
    assert brought.sender._is_same(brought.change(b"b"))


def test_a_noted_digest_holds_only_for_the_very_file(brought: Brought) -> None:
    brought.plan.add([new(b"a")])
    brought.found_numbers = (1, 10, OLD_NS + 1, OLD_NS, 0o100644)
    assert not brought.sender._is_as_noted(brought.change(b"a"))
    assert brought.change(b"a").line is None
    brought.found_numbers = NUMBERS
    assert brought.sender._is_as_noted(brought.change(b"a"))


# -- content of the far copy --


def with_other(brought: Brought, *, replaced: bool) -> PlannedChange:
    """A new file whose content `other` has, which is to be replaced or not."""
    brought.plan.add([new(b"wanted"), *([changed(b"other", ONE)] if replaced else [])])
    brought.plan.held_content.note([AsideContent(ONE, b"other", 10, "")])
    return brought.change(b"wanted")


def test_content_is_made_from_a_file_that_stays(brought: Brought) -> None:
    assert brought.sender._found(with_other(brought, replaced=False))
    assert brought.going_out() == [(b"wanted", "from far")]
    assert (brought.state.lent, brought.state.taken) == (set(), set())


def test_content_of_a_file_that_is_to_be_replaced_is_waited_for(brought: Brought) -> None:
    assert brought.sender._found(with_other(brought, replaced=True))
    assert (brought.going_out(), brought.state.deferred) == ([], 1)


def test_if_all_wait_for_each_other_it_is_taken_and_that_file_left_alone_meanwhile(brought: Brought) -> None:
    wanted = with_other(brought, replaced=True)
    brought.state.stuck = 1
    assert brought.sender._found(wanted)
    assert brought.going_out() == [(b"wanted", "from far")]
    assert (brought.state.lent, brought.state.taken) == ({b"other"}, {b"wanted"})
    brought.sender._consider(brought.change(b"other"))
    assert (brought.going_out(), brought.state.deferred) == ([], 1), "it is not replaced in this round"


def test_content_is_not_taken_from_a_file_that_is_just_being_replaced(brought: Brought) -> None:
    wanted = with_other(brought, replaced=True)
    brought.state.stuck = 1
    brought.state.taken.add(b"other")
    assert brought.sender._found(wanted)
    assert (brought.going_out(), brought.state.deferred) == ([], 1)


@pytest.mark.parametrize("why", ["it was tried in vain", "nothing else breaks the circle", "the far box makes nothing"])
def test_content_is_sent_although_it_may_be_there(tmp_path: Path, why: str) -> None:
    brought = Brought(tmp_path, makes_from_far=why != "the far box makes nothing")
    wanted = with_other(brought, replaced=True)
    if why == "it was tried in vain":
        brought.state.plain.add(b"wanted")
    elif why == "nothing else breaks the circle":
        brought.state.stuck = 2
    assert not brought.sender._found(wanted)
    assert brought.state.deferred == 0
    brought.plan.close()


# -- steps and their ends --


@pytest.mark.parametrize("step", STEPS)
def test_what_changes_the_newest_copy_is_noted_before_it_goes_out(brought: Brought, step: str) -> None:
    brought.plan.add([new(b"a"), new(b"b")])
    for path, now in ((b"a", False), (b"b", True)):
        file = brought.under_way(path, step)
        brought.queue.add(file, Task(file, iter(())), now=now)  # type: ignore[arg-type]
        assert (brought.plan.get(path).state == BEGUN) is (step in BEGINS)  # type: ignore[union-attr]
    before = brought.commits
    next(iter(brought.queue.follow_ups()))
    assert brought.commits == before + 1
    next(iter(brought.queue.release()))
    assert brought.commits == before + 2


@pytest.mark.parametrize("step", ["put", "take place", "from far", "adopt"])
def test_what_has_landed_is_in_a_batch_until_it_is_durable(brought: Brought, step: str) -> None:
    brought.plan.add([new(b"a")])
    file = brought.under_way(b"a", step)
    brought.plan.begin(file.change)
    brought.queue.under_way = 1
    brought.sender._ended(file, TaskResult(file, value=True))
    assert [(change.path, change.state, change.landed) for change in brought.plan.not_durable()] == [(b"a", DONE, 1)]


# -- a disk that syncs in no time --


@pytest.mark.parametrize("waits", [False, True])
def test_on_such_a_disk_nothing_waits_for_it_unless_it_commits_together(tmp_path: Path, waits: bool) -> None:
    """On btrfs a sync of one file brings names to the disk out of their order."""
    brought = Brought(tmp_path, waits_for_commit=waits)
    brought.context.landed.pace = known_as_instant(brought.clock)
    brought.plan.add([new(b"a"), changed(b"b", OTHER), changed(b"c", OTHER)])
    for path in (b"a", b"b"):
        brought.sender._put(brought.under_way(path, "put", b"content"))
    brought.sender._take_place(brought.under_way(b"c", "put part"))
    found = {task.key.change.path: (task.key.step, task.waits_for_disk) for task in brought.tasks()}
    first, second = ("put", "put part") if waits else ("put durable", "put durable")
    assert found == {b"a": (first, False), b"b": (second, False), b"c": ("take place", waits)}
    brought.plan.close()


def test_what_was_synced_as_it_came_is_durable(brought: Brought) -> None:
    brought.plan.add([new(b"a")])
    file = brought.under_way(b"a", "put durable", b"content")
    brought.plan.begin(file.change)
    brought.sender._ended(file, TaskResult(file))
    assert brought.plan.get(b"a").state == DONE  # type: ignore[union-attr]
    assert list(brought.plan.not_durable()) == []
    assert (brought.context.landed.waiting, brought.context.totals.bytes) == (0, 7)


def test_if_its_sync_fails_the_run_ends_and_the_next_one_brings_it_anew(brought: Brought) -> None:
    """It stands there, and a kernel tells of a failure once: a second sync that goes well would prove nothing."""
    brought.plan.add([new(b"a")])
    file = brought.under_way(b"a", "put durable", b"content")
    brought.plan.begin(file.change)
    brought.sender._ended(file, TaskResult(file, error=NotDurable("input/output error")))
    assert (brought.plan.get(b"a").state, brought.plan.get(b"a").had) == (PLANNED, 0)  # type: ignore[union-attr]
    with pytest.raises(NotDurable, match="input/output"):
        brought.sender._round()
    assert list(brought.sender._syncs.due_tasks(at_once=True)) == []


def known_as_instant(clock: SteppedClock) -> SyncPace:
    pace = SyncPace()
    pace.begun(clock.monotonic())
    for left in range(FIRST - 1, -1, -1):
        pace.ended(1, clock.monotonic(), more=left > 0)
    return pace


def test_what_stands_aside_under_its_own_name_takes_its_place_next(brought: Brought) -> None:
    brought.plan.add([changed(b"a", OTHER), changed(b"film", OTHER)])
    for path, step in ((b"a", "put part"), (b"film", "finish part")):
        file = brought.under_way(path, step)
        brought.queue.under_way = 1
        brought.sender._ended(file, TaskResult(file))
        assert brought.going_out() == [(path, "take place")]


def test_where_all_commits_together_a_large_file_waits_for_it(tmp_path: Path) -> None:
    brought = Brought(tmp_path, waits_for_commit=True)
    brought.plan.add([new(b"film")])
    file = brought.under_way(b"film", "finish part")
    brought.sender._ended(file, TaskResult(file))
    assert brought.going_out() == []
    assert list(brought.queue.take_due(brought.clock.monotonic() + AGE_S - 1)) == []
    assert list(brought.queue.take_due(brought.clock.monotonic() + AGE_S)) == [file]
    brought.plan.close()


def test_what_is_not_there_after_all_is_sent(brought: Brought) -> None:
    brought.plan.add([new(b"a")])
    file = brought.under_way(b"a", "adopt", b"content")
    brought.sender._ended(file, TaskResult(file, value=False))
    assert brought.going_out() == [(b"a", "put")]


def test_a_refusal_is_asked_after_if_anything_was_begun_and_told_if_not(brought: Brought) -> None:
    brought.plan.add([new(b"a"), new(b"b")])
    begun, not_begun = brought.under_way(b"a", "put"), brought.under_way(b"b", "prepare")
    brought.plan.begin(begun.change)
    for file in (begun, not_begun):
        brought.sender._ended(file, TaskResult(file, error=Refused("is forbidden")))
    states = [brought.plan.get(path).state for path in (b"a", b"b")]  # type: ignore[union-attr]
    assert states == [BEGUN, TROUBLE]
    assert brought.state.refusals == 2


def test_what_cannot_be_made_from_far_is_sent_in_the_next_round(brought: Brought) -> None:
    brought.plan.add([new(b"a")])
    file = brought.under_way(b"a", "from far")
    brought.plan.begin(file.change)
    brought.sender._ended(file, TaskResult(file, error=Refused("no such file")))
    assert (brought.state.plain, brought.state.deferred, brought.state.refusals) == ({b"a"}, 1, 0)
    change = brought.plan.get(b"a")
    assert change is not None
    assert (change.state, change.want) == (PLANNED, FILE)


def test_after_a_refused_sync_nothing_more_is_begun(brought: Brought) -> None:
    brought.plan.add([new(b"a")])
    brought.sender._syncs.refused(Refused("input/output error"))
    assert list(brought.sender._tasks()) == []


def test_a_refused_sync_is_told_though_the_line_breaks_then(brought: Brought) -> None:
    """Over the next connection the far kernel would answer the same sync as if all were well."""

    def carry_out(*_: object) -> Iterator[Any]:
        brought.sender._syncs.refused(Refused("input/output error"))
        raise LinkLost("broke")
        yield

    brought.context.writer.place.carry_out = carry_out
    with pytest.raises(Refused, match="input/output"):
        brought.sender._round()


def test_a_disk_that_refused_to_sync_ends_the_round(brought: Brought) -> None:
    brought.sender._syncs._refusal = Refused("input/output error")
    with pytest.raises(Refused, match="input/output"):
        brought.sender._round()


# -- large files --

FILM: Numbers = (1, 3 * LARGE, OLD_NS, OLD_NS, 0o100644)


class Stream(SimpleNamespace):
    """A file that is being read for sending."""

    def abandon(self) -> None:
        self.abandoned = True


def film(brought: Brought, *, old: bytes = b"", uploads: int = 1, distrusted: bool = False) -> FileUnderWay:
    difference = Difference(b"film", FILM, FILM if old else None, line(b"film", old) if old else None)
    brought.plan.add([difference])
    file = FileUnderWay(brought.change(b"film", None), "upload", uploads=uploads)
    content = SimpleNamespace(
        numbers=FILM,
        entry=Entry(b"film", "file", FILM[1], OLD_NS, 0o644, 0, 0, digest=ONE),
        head=b"",
        chunks="its chunks",
    )
    request = SimpleNamespace(path=b"film", old=None)
    file.stream = Stream(abandoned=False, numbers=FILM, sent=5, safe_part=PART, request=request, result=content)  # type: ignore[assignment]
    file.stream.is_distrusted = distrusted  # type: ignore[union-attr, misc]
    brought.state.uploading.append(file)
    return file


def test_ranges_are_copied_only_out_of_a_file_that_stands_there_whole(brought: Brought) -> None:
    file = film(brought, old=OTHER)
    brought.state.uploading.clear()
    asked: list[int | None] = []
    brought.sender._writer.upload = lambda _path, _stream, old_size: asked.append(old_size) or iter(())
    for had, plain in ((FILE, False), (FILE, True), (0, False)):
        file.change.had = had
        brought.state.plain = {b"film"} if plain else set()
        brought.sender._large.upload(file, ArrivedPart(0))
        brought.state.uploading.clear()
    assert asked == [FILM[1], None, None]


def test_a_part_is_known_on_this_disk_before_anything_is_sent(brought: Brought) -> None:
    file = film(brought)
    before = brought.commits
    brought.sender._large.upload(file, ArrivedPart(0))
    assert brought.commits == before + 1
    assert [(path, part) for path, _, part in brought.plan.half_sent.all()] == [(b"film", NOTHING_SAFE)]


@pytest.mark.parametrize(("arrived", "noted"), [(ArrivedPart(LARGE), PART), (ArrivedPart(0), NOTHING_SAFE)])
def test_a_part_that_the_far_box_has_no_more_is_not_noted_again(
    brought: Brought, arrived: ArrivedPart, noted: SafePart
) -> None:
    file = film(brought)
    brought.plan.half_sent.note(b"film", FILM, PART)
    brought.sender._large.upload(file, arrived)
    assert [(path, part) for path, _, part in brought.plan.half_sent.all()] == [(b"film", noted)]
    assert file.stream is not None
    assert file.stream.request.part == noted


def test_the_last_upload_of_a_file_decides(brought: Brought) -> None:
    file = film(brought, uploads=2)
    assert brought.sender._large.uploaded(file, None) is None
    assert brought.going_out() == [], "another connection still writes to it"
    assert brought.sender._large.uploaded(file, None) is None
    assert brought.going_out() == [(b"film", "finish part")]
    assert brought.kept == [(b"film", ONE, "its chunks")]


def test_a_failed_upload_lets_the_reader_go_and_a_stop_is_no_fault(brought: Brought) -> None:
    file = film(brought)
    assert brought.sender._large.uploaded(file, RunCut("its window has closed")) is None
    assert file.stream.abandoned  # type: ignore[union-attr]
    assert [(path, part) for path, _, part in brought.plan.half_sent.all()] == [(b"film", PART)]
    refused = Refused("no room")
    file = film(brought)
    assert brought.sender._large.uploaded(file, refused) is refused
    assert [(path, part) for path, _, part in brought.plan.half_sent.all()] == [(b"film", PART)]


@pytest.mark.parametrize("failure", [Refused("input/output error"), RunCut("its window has closed")])
def test_nothing_of_a_file_is_gone_on_with_after_a_refused_sync(brought: Brought, failure: OtherroofError) -> None:
    brought.plan.half_sent.note(b"film", FILM, PART)
    brought.sender._large.uploaded(film(brought, distrusted=True), failure)
    assert brought.plan.half_sent.all() == []


def test_an_old_version_that_fails_is_not_used_again_and_nothing_is_tried_for_ever(brought: Brought) -> None:
    file = film(brought, old=OTHER)
    file.stream.request.old = "its older chunks"  # type: ignore[union-attr, assignment]
    assert brought.sender._large.uploaded(file, Refused("no such file")) is None
    assert (brought.state.plain, brought.going_out()) == ({b"film"}, [(b"film", "prepare")])
    file = film(brought)
    changed_again = ChangedWhileRead("changed while it was read")
    outcomes = []
    for _ in range(READ_TRIES):
        file.uploads, brought.state.uploading = 1, [file]
        brought.sender._large._state.uploading = brought.state.uploading
        outcomes.append(brought.sender._large.uploaded(file, changed_again))
        brought.going_out()
    assert outcomes == [None] * (READ_TRIES - 1) + [changed_again]


@pytest.mark.parametrize(("had", "step"), [(FILE, "forget"), (0, "finish part")])
def test_what_turns_out_the_same_is_forgotten_only_if_it_stands_there(brought: Brought, had: int, step: str) -> None:
    file = film(brought, old=ONE)
    file.change.had = had
    brought.sender._large.uploaded(file, None)
    assert brought.going_out() == [(b"film", step)]


# -- what is noted, and what is read anew --


@pytest.mark.parametrize("distrusted", [False, True])
def test_what_has_arrived_of_a_large_file_is_noted_however_sending_ends(brought: Brought, distrusted: bool) -> None:
    """But for one of which a sync was refused: the line may break before its script hears of that."""
    file = film(brought, distrusted=distrusted)
    brought.plan.half_sent.note(b"film", FILM, NOTHING_SAFE)
    brought.state.uploading.clear()
    brought.plan.trouble(file.change, "not in this round")
    brought.sender._reader.under_way.append(file.stream)  # type: ignore[arg-type]
    brought.sender._syncs._refusal = Refused("input/output error")
    with pytest.raises(Refused):
        brought.sender.send()
    noted = [(path, part) for path, _, part in brought.plan.half_sent.all()]
    assert noted == ([] if distrusted else [(b"film", PART)])


def test_a_file_that_changed_since_its_digest_was_taken_is_read_anew(brought: Brought) -> None:
    class ReadAnew(Exception):
        """As far as this test goes."""

    def read_small(*_: object) -> None:
        raise ReadAnew

    brought.plan.add([changed(b"a", ONE)])
    brought.sender._context.source.read_small = read_small  # type: ignore[assignment, method-assign]
    brought.found_numbers = (1, 10, OLD_NS + 1, OLD_NS, 0o100644)
    with pytest.raises(ReadAnew):
        brought.sender._consider_small(brought.change(b"a"))
