"""The order of the open layout's requests, which is its safety: what a power cut may do between any two of them.

Invariants 1 and 2, request by request; `test_power_cuts_in_model.py` plays whole households.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import Damaged, Denied, NotThere, PlaceError, Refused, RunCut
from otherroof.far import requests
from otherroof.far.local import place as local_place
from otherroof.far.place import run_script
from otherroof.far.requests import Attrs, DataPiece, Space
from otherroof.far_copy.writer import ChangeState, ContentLocation, FileProperties, NotDurable
from otherroof.layouts.open import aside, steps
from otherroof.layouts.open.aside import move_aside, replace_keeping_old
from otherroof.layouts.open.job_folder import OpenJobFolder
from otherroof.layouts.open.steps import DiskHabits
from otherroof.layouts.open.writer import OpenWriter
from support.twisted_place import JOB, NEXT, RUN, TRUE, Household

OLD, NEW = b"what was there", b"what comes now"
WHEN = FileProperties(len(NEW), 0o640, 1_234_567_890)


@pytest.fixture
def far(tmp_path: Path) -> Household:
    return Household(tmp_path)


# -- a file is written durably --


def test_a_durable_file_is_synced_after_its_last_byte_and_its_rights(far: Household) -> None:
    far.do(steps.write_all(b"papers/incoming/note", NEW * 3, 10, permissions=0o644))
    assert far.place.kinds() == ["OpenFile", *["Write"] * 5, "SetProperties", "Sync", "CloseFile"]


def test_what_landed_is_synced_by_its_own_name_for_reading_only(far: Household) -> None:
    far.put("latest/a", NEW)
    far.do(far.writer.make_durable([b"a"]))
    assert far.place.kinds(b"latest/a") == ["OpenFile", "Sync", "CloseFile"]
    assert far.place.asked[0].op.mode == requests.Mode.READ  # type: ignore[union-attr]
    without = Household(far.here / "box without sync", sync=False)
    without.do(without.writer.make_durable([b"a"]))
    assert without.place.asked == []


def test_several_are_synced_by_one_script_and_one_that_is_gone_is_told(far: Household) -> None:
    for name in ("a", "b"):
        far.put(f"latest/{name}", NEW)
    far.do(far.writer.make_durable([b"a", b"b"]))
    assert far.place.kinds() == ["OpenFile", "OpenFile", "Sync", "CloseFile", "Sync", "CloseFile"]
    assert far.place.kinds(b"latest/b") == ["OpenFile", "Sync", "CloseFile"]
    with pytest.raises(NotThere):
        far.do(far.writer.make_durable([b"a", b"gone", b"b"]))
    assert far.place.left_open == []


@pytest.mark.parametrize("early", [True, False])
def test_a_disk_that_writes_on_close_is_told_a_size_of_nothing_first(tmp_path: Path, early: bool) -> None:
    """ext4(5), `auto_da_alloc`: such a file is written when it is closed. Never after its content."""
    far = Household(tmp_path, DiskHabits(writes_on_close=early))
    far.do(far.writer.put_part(b"a", NEW, WHEN))
    told = [one.op.size for one in far.place.asked if isinstance(one.op, requests.SetProperties)]
    assert far.place.kinds() == ["OpenFile", *["SetProperties"] * early, "Write", "SetProperties", "CloseFile"]
    assert told == [0, len(NEW)] if early else [len(NEW)]
    assert far.do(far.writer.take_place(b"a", had=False)) is None
    assert far.latest == {"a": NEW}


# -- a disk that syncs in no time --


def test_a_file_is_synced_under_its_new_name_by_the_handle_it_was_written_by(far: Household) -> None:
    """As by `make_durable`: a sync before the rename would leave the name unsure on btrfs, and one more opening costs
    three requests."""
    far.do(far.writer.put_durable(b"a", NEW, WHEN, had=False))
    assert far.place.kinds() == ["OpenFile", "Write", "SetProperties", "Rename", "Sync", "CloseFile"]
    assert (far.latest, far.place.left_open) == ({"a": NEW}, [])


def test_so_what_it_replaces_is_durable_before_it_and_it_last_of_all(far: Household) -> None:
    far.put("latest/f/a", OLD)
    far.do(far.writer.put_durable(b"f/a", NEW, WHEN, had=True))
    before(far, ("Link", b"latest/f/a"), ("Sync", KEPT), ("Remove", b"latest/f/a"), ("Rename", b".part"))
    assert far.place.kinds(b".part") == ["OpenFile", "Write", "SetProperties", "Rename", "Sync", "CloseFile"]
    assert (far.latest, far.earlier, far.place.left_open) == ({"f/a": NEW}, {"f/a": OLD}, [])


@pytest.mark.parametrize("kind", [requests.Write, requests.SetProperties, requests.Rename])
def test_if_it_is_refused_before_it_has_its_name_nothing_has_changed(far: Household, kind: type) -> None:
    far.put("latest/a", OLD)

    def full(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, kind) and path.endswith(b".part"):
            raise Denied("is forbidden")
        return TRUE

    far.place.twist = full
    with pytest.raises(Denied):
        far.do(far.writer.put_durable(b"a", NEW, WHEN, had=True))
    assert (far.latest, far.earlier, far.place.left_open) == ({"a": OLD}, {}, [])


def test_if_only_its_sync_is_refused_that_is_told_apart(far: Household) -> None:
    def failing(op: requests.Op, _path: bytes) -> Any:
        if isinstance(op, requests.Sync):
            raise Refused("input/output error")
        return TRUE

    far.place.twist = failing
    with pytest.raises(NotDurable, match="input/output error"):
        far.do(far.writer.put_durable(b"a", NEW, WHEN, had=False))
    assert (far.latest, far.place.left_open) == ({"a": NEW}, [])


# -- a disk without permissions --


def told_permissions(far: Household) -> list[int | None]:
    return [one.op.permissions for one in far.place.asked if isinstance(one.op, requests.SetProperties)]


@pytest.mark.parametrize("refusal", [Denied("is forbidden"), steps.NotOffered("is not offered")])
def test_a_disk_that_refuses_permissions_is_found_out_and_the_file_is_whole(
    far: Household, refusal: PlaceError
) -> None:
    def no_permissions(op: requests.Op, _path: bytes) -> Any:
        if isinstance(op, requests.SetProperties) and op.permissions is not None:
            raise refusal
        return TRUE

    assert far.do(steps.write_all(b"papers/incoming/one", NEW, 1000)) is True
    far.place.twist = no_permissions
    assert far.do(steps.write_all(b"papers/incoming/two", NEW, 1000)) is False
    assert (far.here / "incoming/two").read_bytes() == NEW


@pytest.mark.parametrize("keeps", [True, False])
def test_only_a_disk_that_keeps_permissions_is_told_any(tmp_path: Path, keeps: bool) -> None:
    far = Household(tmp_path, DiskHabits(keeps_modes=keeps), link=False)
    far.put("latest/source", NEW)
    told = 0o640 if keeps else None
    for script in (
        far.writer.put_part(b"a", NEW, WHEN),
        far.writer.finish_part(b"a", WHEN),
        far.writer.make_from(b"b", ContentLocation(b"source"), WHEN, False),
        far.writer.put_durable(b"c", NEW, WHEN, False),
    ):
        far.do(script)
        assert told_permissions(far) == [told]


# -- what gives way --


def before(far: Household, *steps_in_order: tuple[str, bytes]) -> None:
    """Each of these requests comes, and in this order."""
    places = [far.place.place_of(kind, end) for kind, end in steps_in_order]
    assert places == sorted(places), far.place.asked


KEPT = f"earlier/{RUN}/f/a".encode()


def test_the_old_name_goes_only_after_the_kept_one_is_durable(far: Household) -> None:
    far.put(f"earlier/{RUN}/f/another", b"")
    far.put("latest/f/a", OLD)
    far.do(far.writer.aside(b"f/a"))
    before(far, ("Link", b"latest/f/a"), ("Sync", KEPT), ("Remove", b"latest/f/a"))
    assert far.earlier["f/a"] == OLD


def test_so_also_in_a_new_folder_of_what_is_kept(far: Household) -> None:
    far.put("latest/f/a", OLD)
    far.do(far.writer.aside(b"f/a"))
    before(far, ("MakeFolder", f"earlier/{RUN}/f".encode()), ("Sync", KEPT), ("Remove", b"latest/f/a"))


def test_so_also_when_this_run_has_kept_it_before(far: Household) -> None:
    """The first try was cut off before the sync, or before its answer came."""
    far.put("latest/f/a", b"half way")
    far.put(f"earlier/{RUN}/f/a", OLD)
    far.do(far.writer.aside(b"f/a"))
    before(far, ("Sync", KEPT), ("Remove", b"latest/f/a"))
    assert (far.latest, far.earlier) == ({}, {"f/a": OLD})


@pytest.mark.parametrize("folder_stands", [True, False])
def test_without_links_it_is_renamed_and_durable_before_the_new_one_comes(tmp_path: Path, folder_stands: bool) -> None:
    far = Household(tmp_path, link=False)
    if folder_stands:
        far.put(f"earlier/{RUN}/f/another", b"")
    far.put("latest/f/a", OLD)
    far.put("incoming/new", NEW)
    part, path = b"papers/incoming/new", b"papers/latest/f/a"
    far.do(replace_keeping_old(far.place.offers, part, path, b"papers/" + KEPT, True))
    before(far, ("Rename", b"latest/f/a"), ("Sync", KEPT), ("Rename", b"incoming/new"))


def test_a_disk_that_commits_together_is_not_asked_to_sync_what_moves_aside(tmp_path: Path) -> None:
    for together in (True, False):
        far = Household(tmp_path / str(together), DiskHabits(commits_together=together))
        far.put("latest/a", OLD)
        far.do(far.writer.aside(b"a"))
        assert far.place.kinds().count("Sync") == (not together)
        assert far.writer.waits_for_commit is together


def test_a_link_that_moves_aside_is_never_opened(far: Household) -> None:
    """A pipe at its other end would hold the run up for ever."""
    (far.here / "latest/link").symlink_to("/dev/null")
    far.do(far.writer.aside(b"link"))
    assert "OpenFile" not in far.place.kinds()


def test_a_new_file_that_is_refused_leaves_the_old_one_where_it_was(far: Household) -> None:
    far.put("latest/a", OLD)
    far.do(far.writer.put_part(b"a", NEW, WHEN))

    def no_new_one(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.Rename) and path.endswith(b".part"):
            raise Denied("is forbidden")
        return TRUE

    far.place.twist = no_new_one
    with pytest.raises(Denied):
        far.do(far.writer.take_place(b"a", had=True))
    assert (far.latest, far.earlier) == ({"a": OLD}, {})


def test_what_came_in_between_is_not_taken_for_the_kept_one(far: Household) -> None:
    """Something else takes the name just after the old file moved aside: the old one alone is the kept one."""
    far.put("latest/a", OLD)
    far.do(far.writer.put_part(b"a", NEW, WHEN))

    strangers = [b"a stranger's"]

    def meanwhile(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.Rename) and path.endswith(b".part") and strangers:
            far.put("latest/a", strangers.pop())
        return TRUE

    far.place.twist = meanwhile
    with pytest.raises(PlaceError):
        far.do(far.writer.take_place(b"a", had=True))
    assert far.earlier == {"a": OLD}
    assert far.latest == {"a": b"a stranger's"}


def test_what_is_known_to_stand_there_moves_aside_before_the_new_one_is_tried(far: Household) -> None:
    far.put("latest/a", OLD)
    far.do(far.writer.put_part(b"a", NEW, WHEN))
    far.do(far.writer.take_place(b"a", had=True))
    assert [one.kind for one in far.place.asked if one.path.endswith(b".part")] == ["Rename"]
    before(far, ("Link", b"latest/a"), ("Rename", b".part"))


@pytest.mark.parametrize("name", [b"in/another", b"", b"../../x"])
def test_names_that_lead_elsewhere_move_nothing(far: Household, name: bytes) -> None:
    """Invariant 5."""
    far.put("latest/in/another", OLD)
    far.put("latest/f/a", OLD)
    far.put(f"earlier/{RUN}/f", b"kept first")
    asked: list[bytes] = []

    def lying(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.ReadFolder):
            asked.append(path)
            return [(name, Attrs(1, 0o100644, 1))] if len(asked) % 2 else None
        return TRUE

    far.place.twist = lying
    with pytest.raises(Refused, match="names that no file can have"):
        far.do(move_aside(far.place.offers, b"papers/latest/f", f"papers/earlier/{RUN}/f".encode()))
    assert far.latest == {"in/another": OLD, "f/a": OLD}


@pytest.mark.parametrize("limit", ["LONGEST_PATH", "MOST_FOLDERS"])
def test_made_up_folders_come_to_an_end(far: Household, monkeypatch: pytest.MonkeyPatch, limit: str) -> None:
    """Invariant 5."""
    monkeypatch.setattr(aside, limit, 200 if limit == "LONGEST_PATH" else 20)
    folder = Attrs(0, 0o40755, 1)

    def lying(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.Link):
            raise Refused("was refused")
        if isinstance(op, requests.Stat):
            return folder
        if isinstance(op, requests.OpenFolder):
            return path
        if isinstance(op, requests.ReadFolder):
            return [(b"n", folder)] if limit == "LONGEST_PATH" else [(b"%d" % at, folder) for at in range(50)]
        return None if isinstance(op, requests.CloseFile) else TRUE

    ends = iter(range(10_000))
    real = lying

    def one_portion_each(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.ReadFolder) and next(ends) % 2:
            return None
        return real(op, path)

    far.place.twist = one_portion_each
    with pytest.raises(Refused, match="folders without end"):
        far.do(move_aside(far.place.offers, b"papers/latest/f", f"papers/earlier/{RUN}/f".encode()))


# -- sizes and kinds are looked at --


@pytest.mark.parametrize("more", [1, -1])
def test_what_was_copied_there_longer_or_shorter_takes_no_place(tmp_path: Path, more: int) -> None:
    """Invariant 5: `copy-data` ends without a word where its source does."""
    far = Household(tmp_path, link=False)
    far.put("latest/source", NEW)

    def another_size(op: requests.Op, path: bytes) -> Any:
        made = isinstance(op, requests.StatOpen) and path.endswith(b".made")
        return Attrs(len(NEW) + more, 0o100600, 1) if made else TRUE

    far.place.twist = another_size
    with pytest.raises(Refused, match="not copied whole"):
        far.do(far.writer.make_from(b"a", ContentLocation(b"source"), WHEN, False))
    assert (set(far.latest), far.place.left_open) == ({"source"}, [])


@pytest.mark.parametrize("content", [NEW + b"!", NEW[:-1]])
def test_a_source_of_another_size_is_not_copied(tmp_path: Path, content: bytes) -> None:
    far = Household(tmp_path, link=False)
    far.put("latest/source", content)
    with pytest.raises(Refused, match="another size"):
        far.do(far.writer.make_from(b"a", ContentLocation(b"source"), WHEN, False))
    assert (set(far.latest), far.place.left_open) == ({"source"}, [])
    assert "CopyRange" not in far.place.kinds()


def test_a_stranger_that_was_linked_keeps_no_further_name(far: Household) -> None:
    far.put("latest/source", NEW + b"!")
    with pytest.raises(Refused):
        far.do(far.writer.make_from(b"a", ContentLocation(b"source"), WHEN, False))
    assert list((far.here / "incoming").iterdir()) == []


@pytest.mark.parametrize("more", [1, 0, -1])
def test_a_large_file_takes_its_place_only_at_its_own_size_and_synced(far: Household, more: int) -> None:
    far.put("incoming/" + far.paths.part(b"a").decode().rpartition("/")[2], (NEW + b"!!")[: len(NEW) + more])
    if more:
        with pytest.raises(Refused, match="arrived with"):
            far.do(far.writer.finish_part(b"a", WHEN))
        return
    far.do(far.writer.finish_part(b"a", WHEN))
    assert far.place.kinds() == ["OpenFile", "StatOpen", "SetProperties", "Sync", "CloseFile"]


KINDS = {
    0o100644: "file",
    0o040755: "folder",
    0o060600: "device",
    0o120777: "link",
    0o010600: "pipe",
    0o140600: "socket",
}


@pytest.mark.parametrize("mode", KINDS)
def test_each_kind_is_taken_for_itself_alone(mode: int) -> None:
    attrs = Attrs(5, mode, 1)
    assert steps.is_folder(attrs) is (KINDS[mode] == "folder")
    assert steps.is_regular(attrs) is (KINDS[mode] == "file")
    assert steps.is_file(attrs, 5) is (KINDS[mode] == "file")
    assert not steps.is_file(attrs, 6)
    assert not steps.is_file(None, 5)


@pytest.mark.parametrize(
    ("now", "mtime", "state"),
    [
        (NEW, WHEN.mtime, ChangeState.IN_PLACE),
        (NEW, WHEN.mtime + 1, ChangeState.AS_BEFORE),  # a stranger's, that happens to be as long
        (NEW + b"!", WHEN.mtime, ChangeState.AS_BEFORE),
    ],
)
def test_where_nothing_was_only_size_and_time_together_tell_the_new_one(
    far: Household, now: bytes, mtime: int, state: ChangeState
) -> None:
    far.put("latest/a", now)

    def dated(op: requests.Op, path: bytes) -> Any:
        return Attrs(len(now), 0o100640, mtime) if isinstance(op, requests.Stat) and path.endswith(b"/a") else TRUE

    far.place.twist = dated
    assert far.do(far.writer.standing(b"a", WHEN, had=False)) is state


# -- a large file on its way --


class OnePiece:
    """A stream of one piece, then told to stop."""

    def __init__(self) -> None:
        self.pieces: list[DataPiece] = [DataPiece(0, NEW)]
        self.is_synced = self.is_refused = False

    def take(self, *, wait: bool) -> DataPiece:
        if not self.pieces:
            raise RunCut("asked to stop")
        return self.pieces.pop()

    def landed(self, piece: object) -> None: ...

    landed_upto = len(NEW)

    def synced(self, upto: int) -> None:
        self.is_synced = upto == len(NEW)

    def refused(self, piece: object) -> None:
        self.is_refused = piece == requests.SyncPiece(len(NEW))


@pytest.mark.parametrize("answer", [True, False, Refused("input/output error")])
def test_what_a_stopped_run_has_sent_counts_only_if_it_was_synced(far: Household, answer: Any) -> None:
    far.do(far.writer.prepare(b"a", None))

    def answers(op: requests.Op, _path: bytes) -> Any:
        if not isinstance(op, requests.Sync):
            return TRUE
        if isinstance(answer, Refused):
            raise answer
        return answer

    far.place.twist = answers
    stream = OnePiece()
    with pytest.raises(RunCut):
        far.do(far.writer.upload(b"a", stream, None))  # type: ignore[arg-type]
    assert (stream.is_synced, stream.is_refused) == (answer is True, isinstance(answer, Refused))
    assert far.place.kinds()[-2:] == ["Sync", "CloseFile"]
    assert far.place.left_open == []


def test_no_connection_empties_what_another_has_sent(far: Household) -> None:
    far.do(far.writer.prepare(b"a", None))
    with pytest.raises(RunCut):
        far.do(far.writer.upload(b"a", OnePiece(), None))  # type: ignore[arg-type]
    opened = next(one.op for one in far.place.asked if isinstance(one.op, requests.OpenFile))
    assert opened.mode == requests.Mode.WRITE


def test_a_run_that_goes_on_writes_its_mark_anew(far: Household) -> None:
    far.put(f"incoming/{RUN}.under-way", b"server1")
    far.do(far.writer.keep_mark_fresh())
    assert far.place.kinds() == ["OpenFile", "Write", "CloseFile"]


# -- the commit --


def commit(far: Household, listing: Path) -> None:
    folder = OpenJobFolder(far.place, far.paths)
    far.do(folder.send_listing(RUN, str(listing)))
    run_script(far.place, folder.commit(RUN, listing.stat().st_size))


def test_a_listing_is_durable_before_and_after_it_gets_its_name(far: Household, tmp_path: Path) -> None:
    """Invariant 1."""
    (tmp_path / "listing").write_bytes(b"lines" * 1000)
    commit(far, tmp_path / "listing")
    aside_name, final = f"incoming/{RUN}.jsonl.gz".encode(), f"runs/{RUN}.jsonl.gz".encode()
    before(far, ("Write", aside_name), ("Sync", aside_name), ("Rename", aside_name), ("Sync", final))
    assert far.place.left_open == []


def test_a_listing_whose_commit_was_cut_off_is_made_durable_under_its_name(far: Household) -> None:
    """Invariant 1."""
    final = f"runs/{RUN}.jsonl.gz".encode()
    far.put(final.decode(), b"lines")
    run_script(far.place, OpenJobFolder(far.place, far.paths).hold_listing(RUN))
    assert far.place.kinds(final) == ["OpenFile", "Sync", "CloseFile"]
    assert (far.here / final.decode()).read_bytes() == b"lines"


def test_so_is_a_listing_of_many_pieces(tmp_path: Path) -> None:
    """Invariant 1."""
    far = Household(tmp_path / "far", max_write=1000)
    (tmp_path / "listing").write_bytes(b"lines" * 1000)
    commit(far, tmp_path / "listing")
    kinds = far.place.kinds(f"incoming/{RUN}.jsonl.gz".encode())
    assert kinds == ["OpenFile", *["Write"] * 5, "Sync", "CloseFile", "Rename"]
    assert (far.here / f"runs/{RUN}.jsonl.gz").read_bytes() == b"lines" * 1000


@pytest.mark.parametrize("more", [1, -1])
def test_a_listing_that_is_longer_or_shorter_does_not_count(far: Household, tmp_path: Path, more: int) -> None:
    """Invariant 1."""
    (tmp_path / "listing").write_bytes(b"lines")
    far.place.twist = lambda op, _path: Attrs(5 + more, 0o100600, 1) if isinstance(op, requests.StatOpen) else TRUE
    with pytest.raises(Damaged, match="did not arrive whole"):
        commit(far, tmp_path / "listing")


# -- what a run sees of the disk when it begins --


@pytest.mark.parametrize(
    ("files", "folds", "habits"),
    [
        (1000, False, DiskHabits(writes_on_close=True)),  # ext4, XFS
        (0, False, DiskHabits(commits_together=True)),  # btrfs
        (0, True, DiskHabits(folds_case=True)),  # FAT, exFAT
        (1000, True, DiskHabits(writes_on_close=True, folds_case=True)),  # ext4 with casefold
    ],
)
def test_disks_are_told_apart_by_what_they_say_of_themselves(
    far: Household, files: int, folds: bool, habits: DiskHabits
) -> None:
    def disk(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.GetSpace):
            return Space(10, 5, files, files)
        if isinstance(op, requests.Stat) and folds and path.endswith(b".UNDER-WAY"):
            return Attrs(7, 0o100600, 1)
        return TRUE

    far.place.twist = disk
    assert far.do(OpenJobFolder(far.place, far.paths).begin(RUN, "server1")) == habits


def test_where_free_space_is_not_told_a_folding_disk_is_known_all_the_same(tmp_path: Path) -> None:
    far = Household(tmp_path, space=False)
    far.place.twist = lambda op, path: Attrs(7, 0o100600, 1) if isinstance(op, requests.Stat) else TRUE
    assert far.do(OpenJobFolder(far.place, far.paths).begin(RUN, "server1")) == DiskHabits(folds_case=True)


@pytest.mark.parametrize("text", [b"", b"\0\0\0", b"server1\xff", b"Server 1", b"s" * 65])
def test_half_a_mark_is_nobodys(far: Household, text: bytes) -> None:
    """A power cut over there may leave zeros, or nothing: such a mark must not bar this home's own runs."""
    far.put(f"incoming/{RUN}.under-way", b"server1")
    far.put(f"incoming/{NEXT}.under-way", text)
    marks = far.do(OpenJobFolder(far.place, far.paths).marks())
    assert {mark.run: mark.server for mark in marks} == {RUN: "server1", NEXT: "s" * 64 if len(text) > 64 else ""}
    assert far.place.left_open == []


# -- who else is there --


def look_around(far: Household) -> tuple[str, dict[str, str], str]:
    home, marks, newest = far.do(OpenJobFolder(far.place, far.paths).look_around(RUN, "server1"))
    assert far.place.left_open == []
    return home, {mark.run: mark.server for mark in marks}, newest


@pytest.fixture
def shared(far: Household) -> Household:
    """A far folder in which two servers' runs are under way, and two versions stand."""
    far.put("READ-ME-FIRST.txt", b"home mark: 0123456789abcdef\n")
    for run, server in ((RUN, b"server1"), (NEXT, b"other")):
        far.put(f"incoming/{run}.under-way", server)
    for listing in ("2031-04-03T013000Z-0001", "2031-04-04T013000Z-0001"):
        far.put(f"runs/{listing}.jsonl.gz", b"")
    return far


def test_a_look_around_reads_the_marks_of_others_alone(shared: Household) -> None:
    assert look_around(shared) == ("0123456789abcdef", {RUN: "server1", NEXT: "other"}, "2031-04-04T013000Z-0001")
    assert shared.place.kinds(f"{RUN}.under-way".encode()) == []


def test_its_own_mark_counts_only_if_it_is_whole(shared: Household) -> None:
    shared.put(f"incoming/{RUN}.under-way", b"")
    assert look_around(shared)[1] == {RUN: "", NEXT: "other"}


def test_listings_are_looked_for_after_the_last_mark_however_many_there_are(
    shared: Household, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that ends meanwhile takes its mark away after its listing has come: one of the two is seen."""
    monkeypatch.setattr(local_place, "NAMES_AT_ONCE", 1)
    shared.put("incoming/more", b"")
    assert look_around(shared)[2] == "2031-04-04T013000Z-0001"
    last_mark = max(at for at, one in enumerate(shared.place.asked) if repr(one) == "ReadFolder papers/incoming")
    opened = max(at for at, one in enumerate(shared.place.asked) if repr(one) == "OpenFolder papers/runs")
    assert opened > last_mark


def test_a_run_that_ends_between_two_looks_at_its_mark_is_none(shared: Household) -> None:
    def ended(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.OpenFile) and path.endswith(f"{NEXT}.under-way".encode()):
            raise NotThere("it has ended")
        return TRUE

    shared.place.twist = ended
    assert look_around(shared)[1] == {RUN: "server1"}


@pytest.mark.parametrize("missing", ["incoming", "READ-ME-FIRST.txt"])
def test_a_look_around_in_half_a_folder_sees_the_rest(shared: Household, missing: str) -> None:
    (shared.here / missing).rename(shared.here / "elsewhere")
    home, marks, newest = look_around(shared)
    assert bool(home) is (missing == "incoming")
    assert bool(marks) is (missing != "incoming")
    assert newest == "2031-04-04T013000Z-0001"


# -- names and handles --


def test_no_handle_is_left_open(far: Household) -> None:
    """A far box allows so many; after that it takes nothing more on this connection."""
    folder = OpenJobFolder(far.place, far.paths)
    for name in ("a", "f/a", "f/g/a"):
        far.put(f"latest/{name}", NEW)
        far.put(f"earlier/{RUN}/{name}", OLD)
    far.put(f"runs/{RUN}.jsonl.gz", b"")
    far.put("READ-ME-FIRST.txt", b"")
    for script in (
        *folder.survey(),
        folder.held_now(b"a"),
        folder.begin(RUN, "server1"),
        folder.marks(),
        folder.fetch_listing(RUN, str(far.here / "fetched")),
        steps.list_names(b"papers/latest/f"),
        steps.holds_name(b"papers/latest/f", b"a"),
        steps.holds_name(b"papers/latest/f", b"missing"),
        far.writer.adopt(b"a", WHEN, b""),
        far.writer.aside(b"f"),
        far.writer.make_from(b"new", ContentLocation(b"a"), WHEN, False),
    ):
        far.do(script)
        assert far.place.left_open == [], script


def test_a_folder_too_large_to_look_through_bars_no_name(far: Household, monkeypatch: pytest.MonkeyPatch) -> None:
    far.put("latest/f/a", b"")
    assert far.do(steps.holds_name(b"papers/latest/f", b"b")) is False
    assert far.do(steps.holds_name(b"papers/latest/f", b"a")) is True
    assert far.do(steps.holds_name(b"papers/latest/none", b"a")) is None
    monkeypatch.setattr(steps, "MOST_LOOKED_THROUGH", 10)
    endless = iter(range(1000))
    far.place.twist = lambda op, _: (
        [(b"%d" % next(endless), Attrs(1, 0o100600, 1))] if isinstance(op, requests.ReadFolder) else TRUE
    )
    assert far.do(steps.holds_name(b"papers/latest/f", b"b")) is None


def test_the_folder_itself_and_the_one_above_are_no_names_in_it(far: Household) -> None:
    answers: list[Any] = [[(name, Attrs(0, 0o40755, 1)) for name in (b".", b"..", b"a", b"...")], None]
    far.place.twist = lambda op, _: answers.pop(0) if isinstance(op, requests.ReadFolder) else TRUE
    names = far.do(steps.list_names(b"papers/latest"))
    assert [name for name, _ in names or ()] == [b"a", b"..."]


def test_litter_is_only_what_lies_in_incoming(far: Household) -> None:
    """Invariant 5."""
    folder = OpenJobFolder(far.place, far.paths)
    names = [(name, Attrs(1, 0o100600, 1)) for name in (b"x.part", b"../latest/a", b"a/b.part")]
    assert folder.seen(["0" * 16, [], [], names]).incoming == [b"x.part"]


def test_another_servers_mark_is_kept_apart_by_its_own_words(far: Household) -> None:
    far.put(f"incoming/{NEXT}.under-way", b"0a9z")
    marks = far.do(OpenJobFolder(far.place, far.paths).marks())
    assert [mark.server for mark in marks] == ["0a9z"]


def test_two_writers_differ_only_in_their_run(tmp_path: Path) -> None:
    """The name under which a file arrives depends on its path alone: a later run goes on with it."""
    far = Household(tmp_path)
    later = OpenWriter(far.place, JOB, NEXT)
    assert later.paths.part(b"a") == far.paths.part(b"a") == b"papers/incoming/" + PART_OF_A
    assert later.paths.made(b"a") == b"papers/incoming/" + PART_OF_A.replace(b".part", b".made")
    assert later.paths.part(b"b") != far.paths.part(b"a")


# BLAKE2b with a person of its own (RFC 7693 §2.5's parameter block), 8 bytes: as `hashlib` makes it, noted once, so
# that parts which older versions left are found.
PART_OF_A = b"40e3b2bc602cc183.part"


def test_a_leftover_of_a_cut_run_bars_no_moved_file_where_nothing_can_be_copied(tmp_path: Path) -> None:
    far = Household(tmp_path, copy_range=False)
    far.put("latest/source", NEW)
    far.put("incoming/" + far.paths.made(b"a").decode().rpartition("/")[2], b"left by a cut run")
    far.do(far.writer.make_from(b"a", ContentLocation(b"source"), WHEN, False))
    assert far.latest == {"source": NEW, "a": NEW}
