"""The contract of a Place, over every kind: what the layouts rely on, most of all what must be refused.

What stands at a name is never taken away by giving the name to something else: every safety of the copy rests on that.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, get_args

import pytest

from otherroof.base.errors import Denied, NotOffered, NotThere, OtherroofError, PlaceError, Refused
from otherroof.far import requests
from otherroof.far.place import Task, run_script
from otherroof.far.requests import NOT_YET, CopyPiece, DataPiece, Mode, Op, Script, SyncPiece
from support.open_files import open_below
from support.places import Standing, ask

NEW = Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW
NAMES = (b"plain", b" ", b"new\nline", b"'\"`$;", b"\xff\xfe", b"\xe4\xb8\xad", b"n" * 255, b"-rf", b"...", b"\x1b[31m")

Here = tuple[bytes, Path]


@pytest.fixture
def do(base: Standing) -> Callable[[Op], Any]:
    return lambda op: run_script(base.place, ask(op))


def at(folder: Here, name: bytes) -> bytes:
    return folder[0] + b"/" + name


def put(folder: Here, name: bytes, content: bytes = b"content") -> Path:
    path = folder[1] / os.fsdecode(name)
    path.write_bytes(content)
    return path


def writes(path: bytes, *pieces: tuple[int, bytes], mode: Mode = NEW) -> Script[Any]:
    handle = yield requests.OpenFile(path, mode, 0o640)
    yield tuple(requests.Write(handle, offset, data) for offset, data in pieces)
    yield (requests.SetProperties(handle, permissions=0o600, mtime=1_234_567_890), requests.Sync(handle))
    attrs = yield requests.StatOpen(handle)
    yield requests.CloseFile(handle)
    return attrs


# -- files --


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_file_of_any_name_is_written_shaped_and_read_back(base: Standing, folder: Here, name: bytes) -> None:
    attrs = run_script(base.place, writes(at(folder, name), (0, b"abc"), (5, b"xyz"), (3, b"--")))
    assert (attrs.size, attrs.mtime, stat.S_IMODE(attrs.mode)) == (8, 1_234_567_890, 0o600)
    assert (folder[1] / os.fsdecode(name)).read_bytes() == b"abc--xyz"
    found = run_script(base.place, ask(requests.Stat(at(folder, name))))
    assert (found.size, found.mtime, stat.S_ISREG(found.mode)) == (8, 1_234_567_890, True)


def test_longest_write_and_read_that_are_offered_work(base: Standing, folder: Here) -> None:
    most = base.place.offers.max_write
    content = os.urandom(most)

    def script() -> Script[bytes]:
        handle = yield requests.OpenFile(at(folder, b"a"), NEW | Mode.READ)
        yield requests.Write(handle, 0, content)
        data = yield requests.Read(handle, 0, base.place.offers.max_read)
        yield requests.CloseFile(handle)
        return data

    assert most >= requests.LEAST
    assert content.startswith(run_script(base.place, script()))
    assert (folder[1] / "a").read_bytes() == content


def test_reading_past_the_end_is_nothing(base: Standing, folder: Here) -> None:
    put(folder, b"a", b"12345")

    def script() -> Script[tuple[bytes, ...]]:
        handle = yield requests.OpenFile(at(folder, b"a"), Mode.READ)
        found = yield (requests.Read(handle, 3, 100), requests.Read(handle, 5, 10), requests.Read(handle, 50, 10))
        yield requests.CloseFile(handle)
        return found

    assert run_script(base.place, script()) == (b"45", b"", b"")


def test_file_is_cut_to_size(base: Standing, folder: Here) -> None:
    path = put(folder, b"a", b"12345")

    def script() -> Script[None]:
        handle = yield requests.OpenFile(at(folder, b"a"), Mode.WRITE)
        yield (requests.SetProperties(handle, size=2), requests.CloseFile(handle))

    run_script(base.place, script())
    assert path.read_bytes() == b"12"


def test_opening_for_writing_without_more_leaves_the_content(base: Standing, folder: Here) -> None:
    path = put(folder, b"a", b"12345")
    run_script(base.place, writes(at(folder, b"a"), (1, b"X"), mode=Mode.WRITE))
    assert path.read_bytes() == b"1X345"


def test_only_new_is_refused_where_something_stands(base: Standing, folder: Here) -> None:
    path = put(folder, b"a")
    (folder[1] / "link").symlink_to("elsewhere")
    for name in (b"a", b"link"):
        with pytest.raises((Refused, Denied)):
            run_script(base.place, writes(at(folder, name), (0, b"new")))
    assert path.read_bytes() == b"content"
    assert not (folder[1] / "elsewhere").exists()


# -- names --


def things(folder: Here) -> dict[bytes, tuple[str, bytes]]:
    """Everything in the folder: kind, and content or target."""
    found = {}
    for path in folder[1].rglob("*"):
        name = os.fsencode(path.relative_to(folder[1]))
        if path.is_symlink():
            found[name] = ("link", os.fsencode(os.readlink(path)))
        else:
            found[name] = ("folder", b"") if path.is_dir() else ("file", path.read_bytes())
    return found


def make(folder: Here, name: str, what: str) -> None:
    if what == "file":
        put(folder, name.encode(), name.encode())
    elif what == "folder":
        (folder[1] / name).mkdir()
    elif what == "full folder":
        (folder[1] / name).mkdir()
        (folder[1] / name / "inside").write_bytes(name.encode())
    else:
        (folder[1] / name).symlink_to("inside" if what == "link" else "nowhere")


@pytest.mark.parametrize("what", ["file", "folder", "full folder", "link"])
def test_entry_gets_another_name(do: Callable[[Op], Any], folder: Here, what: str) -> None:
    make(folder, "old", what)
    (folder[1] / "below").mkdir()
    before = {name.replace(b"old", b"below/new"): entry for name, entry in things(folder).items()}
    do(requests.Rename(at(folder, b"old"), at(folder, b"below/new")))
    after = things(folder)
    assert {name: after[name][0] for name in after} == {name: before[name][0] for name in before}


@pytest.mark.parametrize("there", ["file", "folder", "full folder", "link"])
@pytest.mark.parametrize("what", ["file", "folder", "full folder", "link"])
def test_name_that_is_taken_is_never_given_away(do: Callable[[Op], Any], folder: Here, what: str, there: str) -> None:
    """Invariant 2."""
    make(folder, "old", what)
    make(folder, "new", there)
    if there == "link":
        make(folder, "inside", "file")
    before = things(folder)
    with pytest.raises(Refused):
        do(requests.Rename(at(folder, b"old"), at(folder, b"new")))
    assert things(folder) == before


def test_file_does_not_take_the_name_of_a_dangling_link(do: Callable[[Op], Any], folder: Here) -> None:
    make(folder, "old", "file")
    make(folder, "new", "dangling")
    before = things(folder)
    with pytest.raises(Refused):
        do(requests.Rename(at(folder, b"old"), at(folder, b"new")))
    assert things(folder) == before


OPS: dict[str, Callable[[Here], Op]] = {
    "Rename": lambda folder: requests.Rename(at(folder, b"none"), at(folder, b"x")),
    "Rename into": lambda folder: requests.Rename(at(folder, b"a"), at(folder, b"none/x")),
    "OpenFile": lambda folder: requests.OpenFile(at(folder, b"none"), Mode.READ),
    "OpenFile in": lambda folder: requests.OpenFile(at(folder, b"none/x"), NEW),
    "Look": lambda folder: requests.Stat(at(folder, b"none")),
    "Look below a file": lambda folder: requests.Stat(at(folder, b"a/x")),
    "Remove": lambda folder: requests.Remove(at(folder, b"none")),
    "DropFolder": lambda folder: requests.RemoveFolder(at(folder, b"none")),
    "MakeFolder": lambda folder: requests.MakeFolder(at(folder, b"none/x")),
    "OpenFolder": lambda folder: requests.OpenFolder(at(folder, b"none")),
    "MakeSymlink": lambda folder: requests.MakeSymlink(b"t", at(folder, b"none/x")),
}


@pytest.mark.parametrize("op", OPS.values(), ids=OPS.keys())
def test_what_is_not_there_is_told_as_that(do: Callable[[Op], Any], folder: Here, op: Callable[[Here], Op]) -> None:
    put(folder, b"a")
    with pytest.raises(NotThere):
        do(op(folder))


TAKEN: dict[str, Callable[[Here], Op]] = {
    "MakeFolder": lambda folder: requests.MakeFolder(at(folder, b"a")),
    "MakeFolder on a folder": lambda folder: requests.MakeFolder(at(folder, b"f")),
    "MakeSymlink": lambda folder: requests.MakeSymlink(b"t", at(folder, b"a")),
    "DropFolder of one that is not empty": lambda folder: requests.RemoveFolder(at(folder, b"f")),
}


@pytest.mark.parametrize("op", TAKEN.values(), ids=TAKEN.keys())
def test_what_stands_in_the_way_is_a_refusal_and_stays(
    do: Callable[[Op], Any], folder: Here, op: Callable[[Here], Op]
) -> None:
    put(folder, b"a")
    make(folder, "f", "full folder")
    before = things(folder)
    with pytest.raises(Refused):
        do(op(folder))
    assert things(folder) == before


def test_remove_takes_files_and_links_and_no_folder(do: Callable[[Op], Any], folder: Here) -> None:
    put(folder, b"a")
    make(folder, "link", "dangling")
    make(folder, "f", "folder")
    do(requests.Remove(at(folder, b"a")))
    do(requests.Remove(at(folder, b"link")))
    with pytest.raises(PlaceError):
        do(requests.Remove(at(folder, b"f")))
    assert things(folder) == {b"f": ("folder", b"")}


def test_link_holds_any_target_and_is_looked_at_itself(do: Callable[[Op], Any], folder: Here) -> None:
    put(folder, b"a", b"12345")
    for number, target in enumerate((b"a", b"../..", b"/etc/passwd", b"\xff\n")):
        name = b"link%d" % number
        do(requests.MakeSymlink(target, at(folder, name)))
        assert os.readlink(os.path.join(bytes(folder[1]), name)) == target
        assert stat.S_ISLNK(do(requests.Stat(at(folder, name))).mode)


def listing(path: bytes) -> Script[dict[bytes, requests.Attrs]]:
    handle = yield requests.OpenFolder(path)
    found = {}
    while (portion := (yield requests.ReadFolder(handle))) is not None:
        found |= {name: attrs for name, attrs in portion if name not in (b".", b"..")}
    yield requests.CloseFile(handle)
    return found


def test_folder_of_many_names_is_listed_whole(base: Standing, folder: Here) -> None:
    for number in range(450):
        put(folder, b"f%03d" % number, b"x" * number)
    for name in NAMES:
        put(folder, name)
    make(folder, "sub", "folder")
    make(folder, "link", "dangling")
    found = run_script(base.place, listing(folder[0]))
    assert set(found) == {os.fsencode(name) for name in os.listdir(folder[1])}
    assert found[b"f123"].size == 123
    kinds = {name: stat.S_IFMT(found[name].mode) for name in (b"sub", b"link", b"f000")}
    assert kinds == {b"sub": stat.S_IFDIR, b"link": stat.S_IFLNK, b"f000": stat.S_IFREG}


def test_empty_folder_lists_nothing(base: Standing, folder: Here) -> None:
    assert run_script(base.place, listing(folder[0])) == {}


def test_who_is_refused_is_told_so_in_words(do: Callable[[Op], Any], folder: Here) -> None:
    """What the place says goes to people as it stands: the names of our classes tell them nothing."""
    make(folder, "sub", "folder")
    classes = {kind.__name__ for kind in get_args(Op)}
    for op in (
        requests.Stat(at(folder, b"none")),
        requests.OpenFile(at(folder, b"none"), Mode.READ),
        requests.OpenFolder(at(folder, b"none")),
        requests.MakeFolder(at(folder, b"sub")),
        requests.Rename(at(folder, b"none"), at(folder, b"other")),
        requests.Link(at(folder, b"none"), at(folder, b"other")),
        requests.RemoveFolder(at(folder, b"none")),
    ):
        with pytest.raises(PlaceError) as told:
            do(op)
        assert not classes.intersection(told.value.what.split())
        assert told.value.what.startswith(requests.IN_WORDS[type(op)])


def test_what_others_of_a_refused_tuple_opened_is_closed_again_and_the_first_refusal_is_told(
    base: Standing, folder: Here
) -> None:
    """Only the place knows these handles."""
    put(folder, b"a")
    opens = (
        requests.OpenFile(at(folder, b"a"), Mode.READ),
        requests.OpenFile(at(folder, b"none"), Mode.READ),
        requests.OpenFile(at(folder, b"new"), NEW),
        requests.OpenFolder(folder[0]),
        requests.MakeFolder(at(folder, b"a")),
    )

    def script() -> Script[list[str]]:
        try:
            yield opens
        except NotThere as refusal:
            return [refusal.what, *open_below(folder[1])]
        return []

    (told,) = run_script(base.place, script())
    assert told.startswith(requests.IN_WORDS[requests.OpenFile])
    assert (folder[1] / "new").exists()


def test_every_request_has_words() -> None:
    assert set(requests.IN_WORDS) == set(get_args(Op))


# -- what is not offered everywhere --


def test_second_name_or_its_absence_is_told(base: Standing, do: Callable[[Op], Any], folder: Here) -> None:
    path = put(folder, b"a")
    link = requests.Link(at(folder, b"a"), at(folder, b"b"))
    if not base.place.offers.link:
        with pytest.raises(NotOffered):
            do(link)
        return
    do(link)
    assert (folder[1] / "b").samefile(path)
    for taken in (b"b", b"a"):
        with pytest.raises(Refused):
            do(requests.Link(at(folder, b"a"), at(folder, taken)))
    with pytest.raises(NotThere):
        do(requests.Link(at(folder, b"none"), at(folder, b"c")))


def test_copy_inside_the_place_or_its_absence_is_told(base: Standing, folder: Here) -> None:
    content = os.urandom(3_000_000)
    put(folder, b"a", content)

    def script() -> Script[int]:
        old = yield requests.OpenFile(at(folder, b"a"), Mode.READ)
        new = yield requests.OpenFile(at(folder, b"b"), NEW)
        yield (
            requests.CopyRange(old, 1000, 1_999_000, new, 500_000),
            requests.CopyRange(old, 2_999_990, 10, new, 0),
            requests.CopyRange(old, 5_000_000, 10, new, 100),
        )
        attrs = yield requests.StatOpen(new)
        yield (requests.CloseFile(old), requests.CloseFile(new))
        return attrs.size

    if not base.place.offers.copy_range:
        with pytest.raises(NotOffered):
            run_script(base.place, script())
        return
    assert run_script(base.place, script()) == 2_499_000
    made = (folder[1] / "b").read_bytes()
    assert made[500_000:] == content[1000:2_000_000]
    assert made[:10] == content[-10:]


def test_sync_says_whether_it_could(base: Standing, folder: Here) -> None:
    def script() -> Script[bool]:
        handle = yield requests.OpenFile(at(folder, b"a"), NEW)
        synced: bool = yield requests.Sync(handle)
        yield requests.CloseFile(handle)
        return synced

    assert run_script(base.place, script()) == base.place.offers.sync


def test_room_is_told_or_its_absence(base: Standing, do: Callable[[Op], Any]) -> None:
    if not base.place.offers.space:
        with pytest.raises(NotOffered):
            do(requests.GetSpace(b"."))
        return
    space = do(requests.GetSpace(b"."))
    found = os.statvfs(base.here)
    assert space.total == found.f_blocks * found.f_frsize
    assert abs(space.free - found.f_bavail * found.f_frsize) < 2e9  # others write there too
    assert space.files == found.f_files


def test_extensions_are_those_of_its_kind(base: Standing) -> None:
    offers = base.place.offers
    has = (offers.link, offers.copy_range, offers.sync, offers.space)
    assert has == ((False,) * 4 if base.kind.endswith("without extensions") else (True,) * 4)


# -- scripts --


def test_refusal_is_raised_in_the_script_and_it_goes_on(base: Standing, folder: Here) -> None:
    def script() -> Script[str]:
        try:
            yield requests.Stat(at(folder, b"none"))
        except NotThere as error:
            told = error.where
        yield requests.MakeFolder(at(folder, b"made"))
        return told

    assert run_script(base.place, script()).endswith("/none")
    assert (folder[1] / "made").is_dir()


def test_of_several_requests_the_first_refusal_is_raised_and_all_are_done(base: Standing, folder: Here) -> None:
    put(folder, b"taken")

    def script() -> Script[None]:
        yield (
            requests.MakeFolder(at(folder, b"one")),
            requests.MakeFolder(at(folder, b"taken")),
            requests.Stat(at(folder, b"none")),
            requests.MakeFolder(at(folder, b"two")),
        )

    with pytest.raises(Refused):
        run_script(base.place, script())
    assert (folder[1] / "two").is_dir()


def test_of_attempts_each_is_answered_in_its_order_by_what_came_or_its_refusal(base: Standing, folder: Here) -> None:
    put(folder, b"taken")

    def script() -> Script[list[Any]]:
        found = yield requests.Attempts(
            (
                requests.MakeFolder(at(folder, b"taken")),
                requests.Stat(at(folder, b"none")),
                requests.OpenFile(at(folder, b"made"), NEW),
                requests.Stat(at(folder, b"made")),
            )
        )
        yield requests.CloseFile(found[2])
        nothing = yield requests.Attempts(())
        return [*found, nothing]

    taken, none, _, attrs, nothing = run_script(base.place, script())
    assert (type(taken), type(none), nothing) == (Refused, NotThere, ())
    assert stat.S_ISREG(attrs.mode)


def test_what_is_let_go_of_is_closed_before_what_is_asked_next_and_no_refusal_is_heard(
    base: Standing, folder: Here
) -> None:
    put(folder, b"a", b"content")

    def script() -> Script[list[Any]]:
        handle = yield requests.OpenFile(at(folder, b"a"), Mode.READ)
        data, answer = yield (requests.Read(handle, 0, 7), requests.LetGo(handle))
        folder_handle = yield requests.OpenFolder(folder[0])
        found = [data, answer, (yield requests.LetGo(folder_handle)), (yield requests.LetGo(handle))]
        yield requests.Stat(at(folder, b"a"))
        return [*found, open_below(folder[1])]

    assert run_script(base.place, script()) == [b"content", None, None, None, []]


def test_many_scripts_go_at_once_and_each_result_comes_with_its_key(base: Standing, folder: Here) -> None:
    tasks = (
        Task(
            number,
            writes(at(folder, b"%d" % number), (0, b"%d" % number * 50)),
            weight=100,
            connection=number % 3 or None,
        )
        for number in range(600)
    )
    found = {done.key: done.value.size for done in base.place.carry_out(tasks)}
    assert found == {number: len(str(number)) * 50 for number in range(600)}
    assert len(os.listdir(folder[1])) == 600


def test_error_of_one_script_leaves_the_others(base: Standing, folder: Here) -> None:
    names = (b"a", b"no/such", b"b", b"c")
    tasks = [Task(name, writes(at(folder, name), (0, b"x"))) for name in names]
    found = {done.key: done.error for done in base.place.carry_out(tasks)}
    assert {name for name, error in found.items() if error is None} == {b"a", b"b", b"c"}
    assert isinstance(found[b"no/such"], NotThere)


def test_work_that_comes_later_is_asked_for_after_each_result(base: Standing, folder: Here) -> None:
    """A follow-up task is given only once the one before it has ended."""
    ended: list[int] = []

    def work() -> Iterator[Task[int, Any] | None]:
        for number in range(5):
            yield Task(number, writes(at(folder, b"%d" % number), (0, b"x")))
            while number not in ended:
                yield None

    for done in base.place.carry_out(work()):
        ended.append(done.key)
    assert ended == list(range(5))


@pytest.mark.parametrize("waits_for_disk", [False, True])
def test_no_more_is_asked_for_than_memory_should_hold(base: Standing, folder: Here, waits_for_disk: bool) -> None:
    """A million files that went are a million small tasks."""
    most, asked, ended = 6000, 0, 0

    def work() -> Iterator[Task[int, Any]]:
        nonlocal asked
        for number in range(most):
            asked += 1
            yield Task(number, looks(at(folder, b"none")), waits_for_disk=waits_for_disk)

    furthest = 0
    for done in base.place.carry_out(work()):
        assert done.error is None
        ended += 1
        furthest = max(furthest, asked - ended)
    assert ended == most
    assert furthest <= 4096


def looks(path: bytes) -> Script[Any]:
    """Looks for what is not there."""
    try:
        return (yield requests.Stat(path))
    except NotThere:
        return None


class Pieces:
    """A source of pieces that keeps its takers waiting now and then."""

    def __init__(self, pieces: list[requests.Piece | OtherroofError]) -> None:
        self.left = list(pieces)
        self.down: list[requests.Piece] = []
        self.asked = 0

    def take(self, *, wait: bool) -> requests.Piece | requests.NotYet | None:
        self.asked += 1
        if self.asked % 3 == 0:
            return NOT_YET
        if not self.left:
            return None
        piece = self.left.pop(0)
        if isinstance(piece, OtherroofError):
            raise piece
        return piece

    def refused(self, piece: requests.Piece) -> None: ...

    def landed(self, piece: requests.Piece) -> None:
        self.down.append(piece)


def pours(path: bytes, source: Pieces, old: bytes | None = None) -> Script[None]:
    handle = yield requests.OpenFile(path, NEW)
    old_handle = (yield requests.OpenFile(old, Mode.READ)) if old is not None else None
    try:
        yield requests.WriteStream(handle, source, old_handle)
    finally:
        yield (requests.CloseFile(handle), *((requests.CloseFile(old_handle),) if old is not None else ()))


def test_stream_of_pieces_arrives_whole_in_any_order(base: Standing, folder: Here) -> None:
    most = base.place.offers.max_write
    content = os.urandom(most * 40 + 17)
    pieces: list[Any] = [DataPiece(offset, content[offset : offset + most]) for offset in range(0, len(content), most)]
    pieces = pieces[20:] + pieces[:20]
    source = Pieces(pieces)
    before = base.place.meter.landed
    run_script(base.place, pours(at(folder, b"a"), source))
    assert (folder[1] / "a").read_bytes() == content
    assert sorted(id(piece) for piece in source.down) == sorted(id(piece) for piece in pieces)
    assert base.place.meter.landed - before == len(content)


def test_stream_takes_ranges_from_an_older_file(base: Standing, folder: Here) -> None:
    if not base.place.offers.copy_range:
        pytest.skip("this place copies nothing by itself")
    old = os.urandom(2_000_000)
    put(folder, b"old", old)
    pieces: list[Any] = [
        CopyPiece(5, 0, 1_000_000),
        DataPiece(0, b"fresh"),
        SyncPiece(5),
        CopyPiece(1_000_005, 1_500_000, 100),
    ]
    run_script(base.place, pours(at(folder, b"new"), Pieces(pieces), at(folder, b"old")))
    assert (folder[1] / "new").read_bytes() == b"fresh" + old[:1_000_000] + old[1_500_000:1_500_100]


def test_trouble_of_the_source_ends_the_stream_and_is_raised(base: Standing, folder: Here) -> None:
    trouble = OtherroofError("the file changed")
    with pytest.raises(OtherroofError, match="the file changed"):
        run_script(base.place, pours(at(folder, b"a"), Pieces([DataPiece(0, b"x"), trouble])))
    assert run_script(base.place, listing(folder[0])).keys() == {b"a"}, "the place is fit for more"


class Sunk:
    def __init__(self) -> None:
        self.parts: list[bytes] = []

    def take(self, data: bytes) -> None:
        self.parts.append(data)


@pytest.mark.parametrize(
    ("offset", "length", "given"), [(0, 5_000_000, 5_000_000), (0, 9_000_000, 5_000_000), (4_999_990, 10, 10),
                                   (5_000_000, 7, 0), (1_234_567, 3_000_000, 3_000_000), (0, 0, 0)]
)  # fmt: skip
def test_range_is_drawn_in_order(base: Standing, folder: Here, offset: int, length: int, given: int) -> None:
    content = os.urandom(5_000_000)
    put(folder, b"a", content)
    sunk = Sunk()

    def script() -> Script[int]:
        handle = yield requests.OpenFile(at(folder, b"a"), Mode.READ)
        count: int = yield requests.ReadStream(handle, offset, length, sunk)
        yield requests.CloseFile(handle)
        return count

    assert run_script(base.place, script()) == given
    assert b"".join(sunk.parts) == content[offset : offset + given]


def test_trouble_of_the_sink_is_raised_and_the_place_is_fit_for_more(base: Standing, folder: Here) -> None:
    put(folder, b"a", os.urandom(3_000_000))

    class Full:
        def take(self, data: bytes) -> None:
            raise OtherroofError("this disk is full")

    def script() -> Script[None]:
        handle = yield requests.OpenFile(at(folder, b"a"), Mode.READ)
        try:
            yield requests.ReadStream(handle, 0, 3_000_000, Full())
        finally:
            yield requests.CloseFile(handle)

    with pytest.raises(OtherroofError, match="this disk is full"):
        run_script(base.place, script())
    assert run_script(base.place, listing(folder[0])).keys() == {b"a"}
