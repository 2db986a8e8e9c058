"""A run's notes of what it plans and does: what each question finds, and what is not believed after a cut."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.clock import in_ns
from otherroof.base.sqlite_file import DamagedDatabase
from otherroof.copying.compare.catalogue import AsideContent
from otherroof.copying.compare.change import BEGUN, DONE, LARGE, PlannedChange, Rows
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.half_sent import SafePart
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.compare.plan_file import COUNT_END
from otherroof.copying.send.known_content import NotYetThere, find_content
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.numbers import CTIME, FOLDER, HARD, INODE, LINK, Numbers
from otherroof.far_copy.writer import ContentLocation

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
NOW_NS = in_ns(NOW)
OLD_NS = NOW_NS - 3600 * 10**9
FILE_MODE, FOLDER_MODE, LINK_MODE = 0o100644, 0o040755, 0o120777
ONE, OTHER = b"\1" * 32, b"\2" * 32
PART = SafePart(500, OTHER)


@pytest.fixture
def plan(tmp_path: Path) -> Iterator[RunPlan]:
    made = RunPlan(str(tmp_path / "notes.db"))
    yield made
    made.close()


def numbers(
    size: int = 10, *, mode: int = FILE_MODE, ino: int = 1, mtime: int = OLD_NS, ctime: int = OLD_NS
) -> Numbers:
    return (ino, size, mtime, ctime, mode)


def line(path: bytes, digest: bytes = ONE, size: int = 10, kind: str = "file") -> bytes:
    entry = Entry(path, kind, size, OLD_NS, 0o644, 0, 0, digest=digest)  # type: ignore[arg-type]
    return entry.line().encode()


def new(path: bytes, found: Numbers | None = None, device: int = 0) -> Difference:
    return Difference(path, found or numbers(), None, None, device)


def changed(path: bytes, found: Numbers | None = None, old: bytes = ONE, device: int = 0) -> Difference:
    return Difference(path, found or numbers(11), numbers(), line(path, old), device)


def gone(path: bytes, old: bytes = ONE, known: Numbers | None = None, kind: str = "file") -> Difference:
    return Difference(path, None, known or numbers(), line(path, old, kind=kind))


def get(plan: RunPlan, path: bytes) -> PlannedChange:
    found = plan.get(path)
    assert found is not None
    return found


def brought(plan: RunPlan, path: bytes, digest: bytes = ONE, landed: int = 0) -> None:
    change = get(plan, path)
    change.digest, change.line = digest, line(path, digest)
    plan.begin(change)
    plan.done(change, landed)


# -- what is durable --


def test_what_landed_after_the_last_durable_batch_is_not_durable(plan: RunPlan) -> None:
    plan.add([new(b"%d" % batch) for batch in range(5)])
    for batch in range(5):
        brought(plan, b"%d" % batch, landed=batch)
    assert [change.path for change in plan.not_durable()] == [b"1", b"2", b"3", b"4"], "batch 0 was durable at once"
    plan.note_durable(2)
    assert [change.path for change in plan.not_durable()] == [b"3", b"4"]


# -- what the next run looks at again --


def outcome(plan: RunPlan, path: bytes) -> PlannedChange:
    return next(change for change in plan.outcome(NOW) if change.path == path)


@pytest.mark.parametrize("which", ["mtime", "ctime"])
@pytest.mark.parametrize(("seconds", "again"), [(-61, False), (-59, True), (0, True), (3600, True), (25 * 3600, False)])
def test_what_changed_within_a_minute_before_or_since_loses_its_ctime(
    plan: RunPlan, which: str, seconds: int, again: bool
) -> None:
    plan.note_beginning("run", "base", NOW)
    plan.add([new(b"a", numbers(**{which: NOW_NS + seconds * 10**9}))])
    brought(plan, b"a")
    found = outcome(plan, b"a").numbers
    assert found is not None
    assert (found[CTIME] == 0) is again


def test_names_of_a_file_that_were_copied_apart_are_found_together_next_time(plan: RunPlan) -> None:
    plan.note_beginning("run", "base", NOW)
    hard = numbers(ino=7, mode=FILE_MODE | HARD)
    plan.add([new(b"a", hard, device=3), new(b"b", hard, device=3), new(b"c", hard, device=4)])
    brought(plan, b"a")
    brought(plan, b"c")
    told = {change.path: change.numbers and change.numbers[INODE] for change in plan.outcome(NOW)}
    assert told == {b"a": 0, b"b": 7, b"c": 7}, "c is another disk's"


# -- names --


def test_below_a_folder_is_what_has_its_slash(plan: RunPlan) -> None:
    plan.add([gone(path) for path in (b"f", b"f.txt", b"f-", b"f/a", b"f/g/b", b"f0", b"fa/c")])
    plan.gone_below(b"f")
    assert [change.path for change in plan.pages(Rows.MOVED)] == []
    done = [path for path in (b"f", b"f.txt", b"f-", b"f/a", b"f/g/b", b"f0", b"fa/c") if get(plan, path).state == DONE]
    assert done == [b"f/a", b"f/g/b"]


def test_the_first_name_of_a_file_is_the_least_and_never_its_own(plan: RunPlan) -> None:
    hard = numbers(ino=7, mode=FILE_MODE | HARD)
    plan.add([new(path, hard, device=3) for path in (b"b", b"a", b"c")])
    assert [plan.hard_links.first_name_of(get(plan, path)) for path in (b"a", b"b", b"c")] == [b"", b"a", b"a"]


# -- figures for the guard --


def test_links_that_go_or_change_count_as_files_do(plan: RunPlan) -> None:
    link = numbers(5, mode=LINK_MODE)
    plan.add(
        [
            gone(b"link", known=link, kind="link"),
            gone(b"file"),
            gone(b"folder", known=numbers(0, mode=FOLDER_MODE), kind="folder"),
        ]
    )
    plan.add([Difference(b"became a link", link, numbers(), line(b"became a link")), changed(b"changed"), new(b"new")])
    totals = plan.totals()
    assert (totals.removed, totals.changed, totals.new) == (2, 2, 1)


def test_a_run_with_a_trouble_has_changed_a_line(plan: RunPlan) -> None:
    assert plan.changes_no_line()
    plan.add([Difference(b"a", numbers(10), numbers(), line(b"a"))])
    assert not plan.changes_no_line(), "it is not done yet"
    brought(plan, b"a")
    assert plan.changes_no_line()
    plan.trouble(get(plan, b"a"), "refused")
    assert not plan.changes_no_line()


# -- what a cut run moved aside --


def test_what_was_only_moved_aside_lies_there_too(plan: RunPlan) -> None:
    plan.add(
        [changed(b"replaced"), changed(b"same content"), changed(b"only moved"), changed(b"planned"), gone(b"gone")]
    )
    brought(plan, b"replaced", OTHER)
    brought(plan, b"same content", ONE)
    change = get(plan, b"only moved")
    change.had = 0
    plan.take_back_begin(change)
    plan.done(get(plan, b"gone"))
    told = {one.path for one in plan.moved_aside_by("run")}
    assert told == {b"replaced", b"only moved", b"gone"}


# -- half-sent files --


@pytest.mark.parametrize("number", range(4))
def test_half_of_a_file_is_gone_on_with_only_if_it_is_the_very_file(plan: RunPlan, number: int) -> None:
    """By inode, size, time and ctime."""
    plan.half_sent.take_over(b"film", numbers(), PART)
    now = numbers(mode=0o100600)
    assert plan.half_sent.known(b"film", now) == (now, PART)
    other = list(numbers())
    other[number] += 1
    assert plan.half_sent.known(b"film", tuple(other)) is None  # type: ignore[arg-type]


def test_a_file_that_changed_since_the_scan_is_gone_on_with_as_this_run_opened_it(plan: RunPlan) -> None:
    """Else each connection that breaks would begin it anew."""
    scanned, opened = numbers(mtime=OLD_NS - 1), numbers()
    plan.half_sent.note(b"film", opened, PART)
    assert plan.half_sent.known(b"film", scanned) == (opened, PART)
    plan.half_sent.forget(b"film")
    plan.half_sent.take_over(b"film", opened, PART)
    assert plan.half_sent.known(b"film", scanned) is None


def test_what_is_there_already_counts_only_for_what_is_to_be_sent(plan: RunPlan) -> None:
    """So that what a run says it has to send is what it sends."""
    size = LARGE + 1
    plan.add([new(path, numbers(size)) for path in (b"film", b"moved", b"in doubt", b"changed")])
    plan.add([gone(b"gone")])
    plan._file.do("UPDATE change SET source=? WHERE path=?", (b"elsewhere", b"moved"))
    plan._file.do("UPDATE change SET doubt=1 WHERE path=?", (b"in doubt",))
    for path in (b"film", b"moved", b"in doubt", b"gone", b"not planned"):
        plan.half_sent.take_over(path, numbers(size), PART)
    plan.half_sent.take_over(b"changed", numbers(size, ino=2), PART)
    assert plan.safe_bytes() == PART.upto
    assert plan.totals().fresh_bytes - plan.safe_bytes() == 2 * size - PART.upto


def test_a_large_file_that_is_done_is_half_sent_no_more(plan: RunPlan) -> None:
    plan.add([new(b"film", numbers(LARGE + 1)), new(b"small")])
    for path in (b"film", b"small"):
        plan.half_sent.note(path, numbers(LARGE + 1), PART)
        brought(plan, path)
    assert [path for path, _, _ in plan.half_sent.all()] == [b"small"]


# -- notes that are damaged, or lost their end --


def cut_with_notes(where: Path) -> str:
    path = str(where / "notes.db")
    plan = RunPlan(path)
    plan.note_beginning("run", "base", NOW)
    plan.add([new(b"a"), new(b"b")])
    plan.commit()
    brought(plan, b"a", landed=3)
    plan.commit()
    plan.close()
    return path


def test_notes_that_are_whole_are_believed(tmp_path: Path) -> None:
    plan = RunPlan.of_earlier_run(cut_with_notes(tmp_path))
    assert (plan.fact("run"), plan.fact("base"), get(plan, b"a").landed) == ("run", "base", 3)
    plan.discard()
    assert list(tmp_path.iterdir()) == [], "nor is the count of commits left, which would damn the next notes"


def test_each_commit_of_notes_waits_for_this_disk(plan: RunPlan) -> None:
    """Else a power cut at home loses what the far box was asked meanwhile. SQLite syncs each commit at FULL (2)."""
    assert plan._file.db.execute("PRAGMA synchronous").fetchone() == (2,)


@pytest.mark.parametrize("spoilt", ["landed = 2", "state = 2", "digest = x'00'", "line = x'00'", "size = 9"])
def test_a_changed_note_is_not_believed(tmp_path: Path, spoilt: str) -> None:
    path = cut_with_notes(tmp_path)
    plan = RunPlan(path)
    where = "a" if not spoilt.startswith("state") else "b"
    plan._file.do(f"UPDATE change SET {spoilt} WHERE path = CAST(? AS BLOB)", (where,))
    plan.close()
    with pytest.raises(DamagedDatabase):
        RunPlan.of_earlier_run(path)


def test_notes_that_lost_their_last_commits_are_not_believed(tmp_path: Path) -> None:
    """SQLite drops a damaged tail in silence: the file beside the notes says how many commits there were."""
    path = cut_with_notes(tmp_path)
    count = Path(path + COUNT_END)
    assert int(count.read_text()) == 2
    count.write_text(f"{3:020d}")
    with pytest.raises(DamagedDatabase):
        RunPlan.of_earlier_run(path)


# -- where content is taken from --


def found(plan: RunPlan, path: bytes, digest: bytes, *, stuck: bool = False) -> ContentLocation | NotYetThere | None:
    return find_content(plan, get(plan, path), digest, stuck=stuck)


def with_held(plan: RunPlan, *paths: bytes, run: str = "") -> None:
    plan.held_content.note(AsideContent(ONE, path, 10, run) for path in paths)


def test_content_that_this_run_leaves_alone_is_there(plan: RunPlan) -> None:
    plan.add([new(b"wanted")])
    with_held(plan, b"elsewhere", b"wanted")
    assert found(plan, b"wanted", ONE) == ContentLocation(b"elsewhere")
    assert found(plan, b"wanted", OTHER) is None


def test_a_file_does_not_wait_for_itself(plan: RunPlan) -> None:
    plan.add([changed(b"wanted")])
    with_held(plan, b"wanted")
    assert found(plan, b"wanted", ONE) is None


def test_what_a_cut_run_moved_aside_is_the_surest_place(plan: RunPlan) -> None:
    plan.add([new(b"wanted")])
    with_held(plan, b"elsewhere")
    with_held(plan, b"was there", run="2031-cut")
    assert found(plan, b"wanted", ONE) == ContentLocation(b"was there", run="2031-cut")


def test_a_files_own_content_is_there_only_if_a_cut_run_moved_it_aside(plan: RunPlan) -> None:
    plan.add([new(b"wanted")])
    own = get(plan, b"wanted")
    with_held(plan, b"wanted")
    assert not plan.held_content.may_be_there(own), "what is about to be replaced is not where its content comes from"
    with_held(plan, b"wanted", run="2031-cut")
    assert plan.held_content.may_be_there(own)


def test_content_of_a_file_that_is_still_to_be_replaced_is_waited_for(plan: RunPlan) -> None:
    """By then it stands aside for good. Only if all wait for each other is it taken from where it stands."""
    plan.add([new(b"wanted"), changed(b"other")])
    with_held(plan, b"other")
    assert found(plan, b"wanted", ONE) is NotYetThere.LATER
    assert found(plan, b"wanted", ONE, stuck=True) == ContentLocation(b"other")
    brought(plan, b"other", OTHER)
    assert found(plan, b"wanted", ONE) == ContentLocation(b"other", aside=True)


def test_content_that_comes_with_another_file_is_waited_for_until_it_stands(plan: RunPlan) -> None:
    plan.add([new(b"a"), new(b"wanted"), new(b"z")])
    for path in (b"a", b"z"):
        change = get(plan, path)
        change.digest = ONE
        plan.note_digest(change)
    assert found(plan, b"wanted", ONE) is NotYetThere.LATER, "a comes first"
    assert found(plan, b"a", ONE) is None, "and a itself is sent: else the two would wait for each other"
    brought(plan, b"a")
    assert found(plan, b"wanted", ONE) == ContentLocation(b"a")


def test_what_was_refused_is_not_waited_for(plan: RunPlan) -> None:
    plan.add([new(b"wanted"), new(b"a")])
    change = get(plan, b"a")
    change.digest = ONE
    plan.begin(change)
    assert found(plan, b"wanted", ONE) is NotYetThere.LATER
    plan.note_refusal(change, "refused")
    assert found(plan, b"wanted", ONE) is None


def test_content_is_not_taken_from_where_a_link_stands_now(plan: RunPlan) -> None:
    plan.add([new(b"wanted"), Difference(b"other", numbers(5, mode=LINK_MODE), numbers(), line(b"other"))])
    with_held(plan, b"other")
    change = get(plan, b"other")
    assert change.want == LINK
    change.had = 0
    plan.take_back_begin(change)
    assert found(plan, b"wanted", ONE) == ContentLocation(b"other", aside=True), "a folder or link takes its place"


def test_what_is_begun_is_asked_for_and_not_guessed(plan: RunPlan) -> None:
    plan.add([new(b"a"), new(b"b"), new(b"f", numbers(0, mode=FOLDER_MODE))])
    plan.begin(get(plan, b"a"))
    assert [change.path for change in plan.pages(Rows.UNFINISHED)] == [b"a"]
    assert get(plan, b"a").state == BEGUN
    assert get(plan, b"f").want == FOLDER
