"""The open layout's folder: whose it is, what is litter, what is taken out, listings before they count."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import Denied, FarTrouble, HomeTrouble, NotThere, PlaceError, Refused
from otherroof.far import requests
from otherroof.far_copy.keeper import FarNow, HomeIdentity
from otherroof.far_copy.listing import gzip_member
from otherroof.far_copy.state import CopyState
from otherroof.far_copy.view import FarCopyView
from otherroof.layouts.open import keeper as keeper_module
from otherroof.layouts.open import walk as walk_module
from otherroof.layouts.open.job_folder import NO_MARK, OpenJobFolder
from otherroof.layouts.open.keeper import OpenKeeper
from otherroof.layouts.open.remover import OpenRemover
from otherroof.layouts.open.walk import walk_aside
from support.trees import blocks_of
from support.twisted_place import JOB, KEY, NEXT, RUN, TRUE, Household

HOME = "0123456789abcdef"


@pytest.fixture
def far(tmp_path: Path) -> Household:
    return Household(tmp_path / "far")


def keeper_of(far: Household, tmp_path: Path) -> OpenKeeper:
    return OpenKeeper(far.place, JOB, HomeIdentity("larch", KEY, str(tmp_path / "scratch"), "server1"))


# -- whose it is --


@pytest.mark.parametrize(
    ("mark", "reads", "writes"),
    [("", True, True), (HOME, True, True), ("f" * 16, False, False), (NO_MARK, True, False)],
    ids=["nobody's", "ours", "another home's", "nobody can tell"],
)
def test_only_what_is_ours_or_nobodys_is_written_to(far: Household, mark: str, reads: bool, writes: bool) -> None:
    """A note that somebody changed says nothing: the listings prove whose it is, for reading alone."""
    folder = OpenJobFolder(far.place, far.paths)
    for only_reading, allowed in ((True, reads), (False, writes)):
        view = FarCopyView(mark=mark)
        if allowed:
            folder.check_mark(view, HOME, only_reading=only_reading)
        else:
            with pytest.raises(FarTrouble):
                folder.check_mark(view, HOME, only_reading=only_reading)


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        (None, ""),
        ("", NO_MARK),
        (f"x\nhome mark: {HOME}\n", HOME),
        ("home mark: none\n", NO_MARK),
        (f" home mark: {HOME}\n", NO_MARK),
    ],
)
def test_the_mark_is_read_from_its_own_line(far: Household, text: str | None, mark: str) -> None:
    if text is not None:
        far.put("READ-ME-FIRST.txt", text.encode())
    scripts = OpenJobFolder(far.place, far.paths).survey()
    assert far.do(scripts[0]) == mark


@pytest.mark.parametrize("missing", [0, 1, 2, 3])
def test_a_folder_of_which_a_part_is_gone_is_made_again(far: Household, missing: int) -> None:
    answers: list[Any] = [HOME, [], [], []]
    assert OpenJobFolder(far.place, far.paths).seen(answers).ready
    answers[missing] = None if missing else ""
    assert not OpenJobFolder(far.place, far.paths).seen(answers).ready


def test_something_else_in_place_of_a_folder_is_no_folder(far: Household, tmp_path: Path) -> None:
    (far.here / "runs").rmdir()
    far.put("runs", b"a file")
    with pytest.raises(Refused, match="could not be made"):
        keeper_of(far, tmp_path).begin(RUN, FarCopyView())


def test_a_note_that_another_server_writes_meanwhile_is_left_as_it_is(far: Household, tmp_path: Path) -> None:
    """Whose it is shows as soon as this run looks around, before its first change."""

    def meanwhile(op: requests.Op, _path: bytes) -> Any:
        if isinstance(op, requests.Rename) and op.new.endswith(b"READ-ME-FIRST.txt"):
            far.put("READ-ME-FIRST.txt", b"home mark: ffffffffffffffff\n")
        return TRUE

    far.place.twist = meanwhile
    keeper = keeper_of(far, tmp_path)
    keeper.begin(RUN, FarCopyView())
    assert (far.here / "READ-ME-FIRST.txt").read_bytes() == b"home mark: ffffffffffffffff\n"
    with pytest.raises(FarTrouble, match="another home's"):
        keeper.look_around(RUN)


def test_a_note_that_another_server_has_cleared_away_as_litter_is_not_missed(far: Household, tmp_path: Path) -> None:
    def meanwhile(op: requests.Op, _path: bytes) -> Any:
        if isinstance(op, requests.Rename) and op.new.endswith(b"READ-ME-FIRST.txt"):
            far.put("READ-ME-FIRST.txt", b"home mark: ffffffffffffffff\n")
            raise NotThere("is not there")
        return TRUE

    far.place.twist = meanwhile
    keeper_of(far, tmp_path).begin(RUN, FarCopyView())
    assert (far.here / "READ-ME-FIRST.txt").exists()
    assert [path.name for path in (far.here / "incoming").iterdir()] == [f"{RUN}.under-way"], "nothing else is left"


def refuses(far: Household, kind: type, end: bytes, refusal: PlaceError) -> None:
    """What asks for this at a path with this end is refused."""

    def twist(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, kind) and path.endswith(end):
            raise refusal
        return TRUE

    far.place.twist = twist


@pytest.mark.parametrize("kind", [requests.Write, requests.SetProperties, requests.Sync, requests.CloseFile])
def test_no_run_begins_whose_mark_could_not_be_written_whole(far: Household, tmp_path: Path, kind: type) -> None:
    """Else what it left half done would have no trace, and another server would not see it."""
    refuses(far, kind, b".under-way", Refused("input/output error"))
    with pytest.raises(Refused, match="input/output error"):
        keeper_of(far, tmp_path).begin(RUN, FarCopyView(mark=HOME, ready=True))


def test_no_run_begins_in_a_folder_that_cannot_say_whose_it_is(far: Household, tmp_path: Path) -> None:
    refuses(far, requests.Rename, b"READ-ME-FIRST.txt." + RUN.encode(), Refused("no room"))
    with pytest.raises(Refused, match="no room"):
        keeper_of(far, tmp_path).begin(RUN, FarCopyView())


def test_another_servers_mark_that_cannot_be_read_is_not_passed_over(far: Household, tmp_path: Path) -> None:
    far.put("READ-ME-FIRST.txt", f"home mark: {HOME}\n".encode())
    far.put(f"incoming/{NEXT}.under-way", b"other")
    refuses(far, requests.OpenFile, b".under-way", Denied("is forbidden"))
    with pytest.raises(Denied, match="is forbidden"):
        keeper_of(far, tmp_path).look_around(RUN)


# -- litter --


def test_litter_that_cannot_be_removed_ends_no_run(far: Household) -> None:
    for name in ("a.part", "b.part", "c.part"):
        far.put(f"incoming/{name}", b"")

    def kept(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.Remove) and path.endswith(b"b.part"):
            raise Denied("is forbidden")
        return TRUE

    far.place.twist = kept
    tasks = OpenJobFolder(far.place, far.paths).tidy([b"a.part", b"b.part", b"c.part"])
    assert [result.error for result in far.place.carry_out(tasks)] == [None]
    assert [path.name for path in (far.here / "incoming").iterdir()] == ["b.part"]


def test_litter_is_neither_what_is_gone_on_with_nor_another_runs_mark(far: Household, tmp_path: Path) -> None:
    part = far.paths.part(b"film").rpartition(b"/")[2].decode()
    for name in (part, "other.part", "x.made", f"{NEXT}.under-way", "1f.damaged"):
        far.put(f"incoming/{name}", b"")
    view = FarCopyView(incoming=[path.name.encode() for path in (far.here / "incoming").iterdir()])
    keeper_of(far, tmp_path).clear_litter(view, [b"film"])
    # A damaged file waits for the whole one that takes its place.
    assert {path.name for path in (far.here / "incoming").iterdir()} == {part, f"{NEXT}.under-way", "1f.damaged"}


# -- listings --


def facts(same_as: str = "") -> CopyState:
    return CopyState(RUN, KEY.home_id, whole_run=same_as or RUN)


def nothing_against(_now: FarNow) -> None:
    """Nobody else writes there."""


class Part:
    """One listing part with these lines."""

    def __init__(self, *lines: bytes) -> None:
        self.count = len(lines)
        self._text = b"".join(line + b"\n" for line in lines)
        self.lines = gzip_member(self._text)

    def text(self) -> bytes:
        return self._text


def test_a_listing_that_its_reader_does_not_take_is_not_sent(far: Household, tmp_path: Path) -> None:
    """It is read back here, by the code that will read it on the day of need."""
    keeper = keeper_of(far, tmp_path)
    keeper.begin(RUN, FarCopyView(mark=KEY.home_id, ready=True))
    odd = b'{"path":"a","kind":"pipe","xattrs":"' + b"x" * 5000 + b'"}'
    with pytest.raises(HomeTrouble, match="could not be read back"):
        keeper.commit(facts(), [Part(odd)], "2031-04-05T01:30:00Z", nothing_against)
    assert list((far.here / "runs").iterdir()) == []
    assert list((tmp_path / "scratch").iterdir()) == []
    cut_off = Part(b'{"path":"a"}')
    cut_off._text = b"another text"
    with pytest.raises(HomeTrouble, match="could not be read back"):
        keeper.commit(facts(), [cut_off], "2031-04-05T01:30:00Z", nothing_against)
    assert list((far.here / "runs").iterdir()) == []


def test_no_listing_stays_in_the_state_folder(far: Household, tmp_path: Path) -> None:
    keeper = keeper_of(far, tmp_path)
    keeper.begin(RUN, FarCopyView(mark=KEY.home_id, ready=True))
    keeper.commit(facts(), blocks_of({b"a": (1, 1, 2, 3, 0o100644)}), "2031-04-05T01:30:00Z", nothing_against)
    later = CopyState(NEXT, KEY.home_id, whole_run=RUN)
    keeper.commit(later, (), "2031-04-06T01:30:00Z", nothing_against)
    far.put("READ-ME-FIRST.txt", f"home mark: {KEY.home_id}\n".encode())
    assert len(list(keeper.lines(NEXT))) == 1
    reader = keeper.reader(NEXT)
    assert [entry.path for entry in reader.entries()] == [b"a"]
    reader.close()
    assert list((tmp_path / "scratch").iterdir()) == []


def test_what_is_seen_of_the_disk_is_known_to_the_writer(far: Household, tmp_path: Path) -> None:
    def on_btrfs(op: requests.Op, _path: bytes) -> Any:
        return requests.Space(10, 5, 0, 0) if isinstance(op, requests.GetSpace) else TRUE

    far.place.twist = on_btrfs
    keeper = keeper_of(far, tmp_path)
    assert not keeper.writer(RUN).waits_for_commit
    keeper.begin(RUN, FarCopyView(mark=KEY.home_id, ready=True))
    assert keeper.writer(RUN).waits_for_commit


# -- what stands aside --


def test_what_a_cut_run_moved_is_not_held_in_memory_without_bounds(
    far: Household, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(50):
        far.put(f"earlier/{RUN}/{number}", b"")
    keeper = keeper_of(far, tmp_path)
    assert len(list(keeper.moved_aside(RUN))) == 50
    monkeypatch.setattr(keeper_module, "MOST_MOVED", 1000)
    with pytest.raises(FarTrouble, match="names without end"):
        list(keeper.moved_aside(RUN))


LIES: dict[str, tuple[bytes, str]] = {
    "leads elsewhere": (b"../x", "that no file can have"),
    "is in another folder": (b"a/b", "that no file can have"),
    "is two names": (b"a\0b", "that no file can have"),
    "is none": (b"", "that no file can have"),
}


@pytest.mark.parametrize("lie", LIES)
def test_a_name_that_cannot_be_is_no_path_of_a_version(far: Household, lie: str) -> None:
    """Invariant 5."""
    name, said = LIES[lie]
    answers: list[Any] = [[(name, requests.Attrs(1, 0o100600, 1))], None]
    far.place.twist = lambda op, _: answers.pop(0) if isinstance(op, requests.ReadFolder) and answers else TRUE
    with pytest.raises(FarTrouble, match=said):
        list(walk_aside(far.place, far.paths, [RUN]))


def test_the_walk_passes_the_folder_itself_and_closes_what_it_opened(far: Household) -> None:
    far.put(f"earlier/{RUN}/f/g/a", b"")
    far.put(f"earlier/{RUN}/b", b"")
    names = [(name, requests.Attrs(0, 0o40755, 1)) for name in (b".", b"..")]
    given: set[bytes] = set()

    def with_itself(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.ReadFolder) and path not in given:
            given.add(path)
            return names
        return TRUE

    far.place.twist = with_itself
    folders = list(walk_aside(far.place, far.paths, [RUN]))
    assert sorted(path for folder in folders for path in folder.files) == [b"b", b"f/g/a"]
    assert far.place.left_open == []


def test_what_cannot_be_looked_into_is_not_taken_for_empty(far: Household) -> None:
    far.put(f"earlier/{RUN}/f/a", b"")

    def shut(op: requests.Op, path: bytes) -> Any:
        if isinstance(op, requests.OpenFolder) and path.endswith(b"/f"):
            raise Denied("is forbidden")
        return TRUE

    far.place.twist = shut
    with pytest.raises(Denied):
        list(walk_aside(far.place, far.paths, [RUN]))
    refused: list[bytes] = []
    list(walk_aside(far.place, far.paths, [RUN], lambda _run, folder, _why: refused.append(folder)))
    assert refused == [b"f"]


# -- taking a version out --


def test_only_what_stands_aside_is_dropped_or_handed_on(far: Household) -> None:
    """Invariant 2."""
    remover = OpenRemover(far.place, far.paths, KEY)
    far.put("latest/a", b"newest")
    for run in (RUN, NEXT):
        far.put(f"earlier/{run}/a", run.encode())
    far.put(f"earlier/{RUN}/deep/b", b"b")
    far.do(remover.drop(b"a", RUN))
    assert (far.latest, far.earlier) == ({"a": b"newest"}, {"deep/b": b"b"})
    far.do(remover.hand_on(b"deep/b", RUN, NEXT))
    assert (far.here / f"earlier/{NEXT}/deep/b").read_bytes() == b"b"
    far.do(remover.hand_on(b"deep/b", RUN, NEXT))  # its answer was lost
    with pytest.raises(NotThere):
        far.do(remover.hand_on(b"nowhere", RUN, NEXT))
    remover.drop_empty_folders(RUN)
    assert not (far.here / f"earlier/{RUN}").exists()
    assert (far.here / f"earlier/{NEXT}/a").exists()


def test_folders_in_folders_go_the_deepest_first(far: Household) -> None:
    (far.here / f"earlier/{RUN}/a/b/c").mkdir(parents=True)
    (far.here / f"earlier/{RUN}/a-b").mkdir()
    OpenRemover(far.place, far.paths, KEY).drop_empty_folders(RUN)
    assert not (far.here / f"earlier/{RUN}").exists()


# -- folders without end, and large ones --


def test_folders_that_wait_to_be_looked_into_are_bounded(far: Household, monkeypatch: pytest.MonkeyPatch) -> None:
    """Invariant 5."""
    for number in range(60):
        (far.here / f"earlier/{RUN}/folder {number}").mkdir()
    monkeypatch.setattr(walk_module, "MOST_WAITING", 400)
    with pytest.raises(FarTrouble, match="folders without end"):
        list(walk_aside(far.place, far.paths, [RUN]))


def test_the_rest_of_a_large_folder_is_asked_for_where_it_is_open(far: Household) -> None:
    walk = walk_module._Walk(far.place, far.paths, [RUN], None, 10**9)
    look = walk_module._FolderToLook(RUN, b"f", 3)
    assert walk.takes(look, walk_module.AsideFolder(RUN, b"f", rest="an open handle"))
    task = next(walk.tasks())
    assert task is not None
    assert (task.connection, task.key.rest) == (3, "an open handle")
