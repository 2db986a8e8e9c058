"""What the open layout opened over there is closed again, whatever is refused and by whom.

A handle that is left open takes one of the few that a far box gives, and the room of a file that was removed, until the
connection ends, which may be hours later.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import Denied, HomeTrouble, OtherroofError, PlaceError, Refused, RunCut
from otherroof.copying.home.read import ChangedWhileRead, Unreadable
from otherroof.far import requests
from otherroof.far.requests import BytesSink, CopyPiece, DataPiece, Mode, Script, SyncPiece
from otherroof.far_copy.listing import Header, write_listing
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.writer import ContentLocation, FileProperties
from otherroof.layouts.open import reader, steps
from otherroof.layouts.open.job_folder import OpenJobFolder
from otherroof.layouts.open.mender import OpenMender
from otherroof.layouts.open.walk import _FolderToLook, _look_into
from otherroof.layouts.open.writer import digest_of
from support.twisted_place import RUN, TRUE, Household

CONTENT = b"what is to be copied"
SIZE = len(CONTENT)
WHEN = FileProperties(SIZE, 0o640, 1_234_567_890)
LATEST = b"papers/latest/"
NEXT = "2032-01-01T000000Z-0000"


class Pieces:
    """A stream of these pieces, after which `end` is raised if there is one."""

    def __init__(self, *pieces: requests.Piece, end: OtherroofError | None = None) -> None:
        self.is_synced = False
        self._pieces = list(pieces)
        self._end = end

    def take(self, *, wait: bool) -> requests.Piece | None:
        if self._pieces:
            return self._pieces.pop(0)
        if self._end is not None:
            raise self._end
        return None

    def refused(self, piece: object) -> None: ...

    def landed(self, piece: object) -> None: ...

    landed_upto = SIZE

    def synced(self, upto: int) -> None:
        self.is_synced = True


class FullTarget:
    """Takes nothing: the disk that is restored onto is full."""

    def take(self, data: bytes) -> None:
        raise HomeTrouble("is full")


def upload(far: Household, *, old: bool, end: OtherroofError | None = None) -> Script[None]:
    pieces = [DataPiece(0, CONTENT), *([CopyPiece(SIZE, 0, SIZE)] if old else []), SyncPiece(SIZE)]
    stream: Any = Pieces(*pieces, end=end)
    return far.writer.upload(b"a", stream, SIZE if old else None)


Deed = Callable[[Household], Script[Any]]
DEEDS: dict[str, Deed] = {
    "a small file": lambda far: far.writer.put(b"new", CONTENT, WHEN),
    "a small file, synced as it comes": lambda far: far.writer.put_durable(b"b", CONTENT, WHEN, True),
    "what landed is synced": lambda far: far.writer.make_durable([b"a", b"b"]),
    "a large file": lambda far: upload(far, old=False),
    "a large file with ranges of the old one": lambda far: upload(far, old=True),
    "what arrived of a large file": lambda far: far.writer.prepare(b"a", 3),
    "the end of a large file": lambda far: far.writer.finish_part(b"a", WHEN),
    "a copy at the far end": lambda far: far.writer.make_from(b"new", ContentLocation(b"a"), WHEN, False),
    "a file that is read back": lambda far: far.writer.adopt(b"a", WHEN, b""),
    "its digest": lambda _: digest_of(LATEST + b"a"),
    "a whole file": lambda _: reader._whole(LATEST + b"a", SIZE),
    "a range": lambda _: reader._range(LATEST + b"a", SIZE, 2, 9, BytesSink()),
    "the names in a folder": lambda _: steps.list_names(LATEST[:-1]),
    "a name in a folder": lambda _: steps.holds_name(LATEST[:-1], b"b"),
    "a listing of many pieces": lambda far: OpenJobFolder(far.place, far.paths).send_listing(NEXT, __file__),
    "the header of a listing": lambda far: OpenJobFolder(far.place, far.paths).header(RUN),
    "what stands around": lambda far: OpenJobFolder(far.place, far.paths).look_around(RUN, "server1"),
    "a file that is mended": lambda far: OpenMender(far.place, far.paths).send(
        b"latest/a", Pieces(DataPiece(0, CONTENT)), WHEN
    ),
    "a folder that is walked": lambda far: _look_into(far.paths, _FolderToLook("", b"", 0)),
}


def household(where: Path) -> Household:
    far = Household(where, link=False, max_write=1000)
    for name in ("latest/a", "latest/b", far.paths.part(b"a").decode().removeprefix("papers/")):
        far.put(name, CONTENT)
    far.put("READ-ME-FIRST.txt", b"whose it is")
    head = Header(job="papers", run=RUN, home="larch", home_id="h", taken="t", layout="open", files=1, size=1, top={})
    write_listing(str(far.here / f"runs/{RUN}.jsonl.gz"), head, (), ListingKey(bytes(32)))
    return far


@pytest.mark.parametrize("deed", DEEDS)
def test_nothing_is_left_open_whichever_request_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deed: str
) -> None:
    monkeypatch.setattr(steps, "COPY_AT_ONCE", 7)
    for at in itertools.count():
        far, asked = household(tmp_path / str(at)), itertools.count()

        def refuse(op: requests.Op, _path: bytes, at: int = at, asked: itertools.count[int] = asked) -> Any:
            if not isinstance(op, requests.CloseFile) and next(asked) == at:
                raise Refused("is refused")
            return TRUE

        far.place.twist = refuse
        refused: PlaceError | None = None
        try:
            far.do(DEEDS[deed](far))
        except PlaceError as refusal:
            refused = refusal
        assert far.place.left_open == [], f"{far.place.asked[-3:]} at {at}"
        if next(asked) <= at:
            break
    assert refused is None, "with none refused it goes through"
    assert at > 1


@pytest.mark.parametrize("old", [False, True])
@pytest.mark.parametrize("end", [ChangedWhileRead("changed"), Unreadable("cannot be read"), RunCut("asked to stop")])
def test_nothing_is_left_open_of_a_large_file_that_home_goes_on_with_no_further(
    tmp_path: Path, end: OtherroofError, old: bool
) -> None:
    far = household(tmp_path)
    with pytest.raises(type(end)):
        far.do(upload(far, old=old, end=end))
    assert far.place.left_open == []


def test_nothing_is_left_open_of_a_far_file_that_home_cannot_take(tmp_path: Path) -> None:
    far = household(tmp_path)
    with pytest.raises(HomeTrouble, match="is full"):
        far.do(reader._range(LATEST + b"a", SIZE, 0, SIZE, FullTarget()))
    assert far.place.left_open == []


def test_nothing_is_left_open_of_a_folder_that_lists_what_cannot_be_a_name(tmp_path: Path) -> None:
    far = household(tmp_path)

    def lie(op: requests.Op, _path: bytes) -> Any:
        return [(b"a/b", requests.Attrs(1, 0o100644, 1))] if isinstance(op, requests.ReadFolder) else TRUE

    far.place.twist = lie
    with pytest.raises(OtherroofError):
        far.do(_look_into(far.paths, _FolderToLook("", b"", 0)))
    assert far.place.left_open == []


def test_nothing_is_left_open_of_a_folder_with_too_many_names(tmp_path: Path) -> None:
    far = household(tmp_path)
    with pytest.raises(Refused, match="without end"):
        far.do(steps.list_names(LATEST[:-1], 1))
    assert far.place.left_open == []


@pytest.mark.parametrize("kind", [requests.Sync, requests.CloseFile])
def test_a_stop_stays_a_stop_if_the_far_box_refuses_what_follows_it(tmp_path: Path, kind: type) -> None:
    """As a refusal it would be taken for a fault of that file, and the run would go on."""
    far = household(tmp_path)
    stream: Any = Pieces(DataPiece(0, CONTENT), end=RunCut("asked to stop"))

    def refuse(op: requests.Op, _path: bytes) -> Any:
        if isinstance(op, kind):
            raise Refused("is refused")
        return TRUE

    far.place.twist = refuse
    with pytest.raises(RunCut):
        far.do(far.writer.upload(b"a", stream, SIZE))
    assert stream.is_synced is (kind is requests.CloseFile)
    assert far.place.kinds()[-3:] == ["Sync", "CloseFile", "CloseFile"]


@pytest.mark.parametrize("deed", ["a small file, synced as it comes", "a large file", "a copy at the far end"])
def test_a_refused_closing_does_not_hide_what_was_refused_before_it(tmp_path: Path, deed: str) -> None:
    far = household(tmp_path)

    def refuse(op: requests.Op, _path: bytes) -> Any:
        if isinstance(op, requests.Write | requests.CopyRange):
            raise Denied("may not be written to")
        if isinstance(op, requests.CloseFile):
            raise Refused("is refused")
        return TRUE

    far.place.twist = refuse
    with pytest.raises(Denied, match="may not be written to"):
        far.do(DEEDS[deed](far))


def test_what_stays_open_is_seen_by_these_tests(tmp_path: Path) -> None:
    def forgetful() -> Script[None]:
        yield requests.OpenFile(LATEST + b"a", Mode.READ)

    far = household(tmp_path)
    far.do(forgetful())
    assert far.place.left_open == [LATEST + b"a"]
