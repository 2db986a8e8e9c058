"""A listing is taken whole and as it was written, or not at all: not one byte of what it says may have changed."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import subprocess
from pathlib import Path

import pytest

from otherroof.base.errors import Damaged, WrongSettings
from otherroof.copying.compare.catalogue import Block
from otherroof.copying.compare.fold import make_block
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.listing import Header, check_listing, entries, entry_lines, header_in, write_listing
from otherroof.far_copy.listing_key import ListingKey, read_key, read_or_make_key
from support.trees import Tree, blocks_of, line_of

KEY = ListingKey(bytes(range(32)))
RUN = "2031-04-05T013000Z-7f3a"
F = 0o100644
TREE: Tree = {
    b"a": (1, 1, 2, 3, F),
    b"b": (2, 0, 2, 3, 0o40755),
    b"b/\xff": (3, 2, 2, 3, F),
    b"c": (4, 1, 2, 3, 0o120777),
}


def header(**more: object) -> Header:
    plain = Header("papers", RUN, "larch", KEY.home_id, "2031-04-05T01:30:00Z", "open", files=3, size=3)
    return Header(**{name: more.get(name, getattr(plain, name)) for name in Header.__dataclass_fields__})


def written(where: Path, blocks: list[Block] | None = None, **more: object) -> Path:
    path = where / "listing"
    write_listing(str(path), header(**more), blocks_of(TREE) if blocks is None else blocks, KEY)
    return path


def checked(path: Path, key: ListingKey = KEY, job: str = "papers", run: str = RUN) -> Header:
    return check_listing(str(path), key, job, run)


def test_what_was_written_comes_back_and_is_proved(tmp_path: Path) -> None:
    path = written(tmp_path)
    assert checked(path) == header()
    assert list(entry_lines(str(path), "x")) == [line_of(name, TREE[name]) for name in sorted(TREE)]
    assert [entry.path for entry in entries(str(path), "x")] == sorted(TREE)
    assert header_in(path.read_bytes()[:4096], "x") == header()


def test_people_can_read_it_with_standard_tools_alone(tmp_path: Path) -> None:
    path = written(tmp_path)
    lines = subprocess.run(["zcat", "-f"], input=path.read_bytes(), capture_output=True, check=True, timeout=20).stdout
    *rows, last = [json.loads(line) for line in lines.splitlines()]
    assert rows[0]["run"] == RUN
    assert [row.get("path") for row in rows[1:]] == ["a", "b", None, "c"]
    assert set(last) == {"entries", "keyed_digest"}


def test_keyed_digest_is_blake2b_over_every_byte_before_its_own_line(tmp_path: Path) -> None:
    """RFC 7693, section 2.9, by the standard library: 32 bytes, keyed, with the personal name the format says."""
    text = gzip.decompress(written(tmp_path).read_bytes())
    body, last = text[: text.rstrip(b"\n").rfind(b"\n") + 1], text.rstrip(b"\n").rpartition(b"\n")[2]
    wanted = hashlib.blake2b(body, key=KEY.secret, digest_size=32, person=b"otherroof-list").hexdigest()
    assert json.loads(last)["keyed_digest"] == wanted


@pytest.mark.parametrize("change", ["flip", "cut", "double", "remove"])
def test_change_at_any_byte_is_found_or_changes_nothing(tmp_path: Path, change: str) -> None:
    """Invariant 5. A few bytes of gzip's own heads say nothing about the content (RFC 1952, section 2.3.1)."""
    path = written(tmp_path)
    whole = path.read_bytes()
    text = gzip.decompress(whole)
    passed = 0
    for place in range(len(whole)):
        changed = {
            "flip": whole[:place] + bytes([whole[place] ^ 0x10]) + whole[place + 1 :],
            "cut": whole[:place],
            "double": whole[:place] + whole[place : place + 1] + whole[place:],
            "remove": whole[:place] + whole[place + 1 :],
        }[change]
        path.write_bytes(changed)
        try:
            checked(path)
        except Damaged as error:
            assert "\n" not in str(error)
            continue
        assert gzip.decompress(changed) == text, f"byte {place}"
        passed += 1
    assert passed < len(whole) / 4
    path.write_bytes(whole)
    checked(path)


@pytest.mark.parametrize("change", ["flip", "remove", "swap", "twice", "extra"])
def test_change_of_any_line_is_found(tmp_path: Path, change: str) -> None:
    """As somebody would do it who packs the file again."""
    path = written(tmp_path)
    lines = gzip.decompress(path.read_bytes()).splitlines(keepends=True)
    for place in range(len(lines)):
        other = list(lines)
        if change == "flip":
            other[place] = lines[place].replace(b"1", b"2", 1) if b"1" in lines[place] else lines[place][:-2] + b"}\n"
        elif change == "remove":
            del other[place]
        elif change == "swap":
            other[place], other[place - 1] = other[place - 1], other[place]
        elif change == "twice":
            other.insert(place, lines[place])
        else:
            other.insert(place, b"{}\n")
        if other == lines:
            continue
        path.write_bytes(gzip.compress(b"".join(other)))
        with pytest.raises(Damaged):
            checked(path)


def test_other_key_other_job_and_other_run_are_refused(tmp_path: Path) -> None:
    path = written(tmp_path)
    with pytest.raises(Damaged, match="another key"):
        checked(path, ListingKey(bytes(32)))
    with pytest.raises(Damaged, match=f"belongs to papers/{RUN}"):
        checked(path, job="photos")
    with pytest.raises(Damaged, match=f"belongs to papers/{RUN}"):
        checked(path, run="2031-04-06T013000Z-7f3a")


def test_newer_format_is_refused_with_the_right_advice(tmp_path: Path) -> None:
    path = written(tmp_path, format=2)
    with pytest.raises(Damaged, match="newer Otherroof; install that version"):
        checked(path)
    with pytest.raises(Damaged, match="newer Otherroof"):
        header_in(path.read_bytes(), "x")


def test_listing_without_entries_and_one_that_points_to_another(tmp_path: Path) -> None:
    path = written(tmp_path, [])
    checked(path)
    assert list(entry_lines(str(path), "x")) == []
    path = written(tmp_path, [], same_as="2031-04-01T013000Z-7f3a")
    assert checked(path).same_as == "2031-04-01T013000Z-7f3a"


def test_header_with_much_in_it_is_read_whole_or_told(tmp_path: Path) -> None:
    top = {"path": ".", "xattrs": {"user.note": hashlib.shake_128(b"x").hexdigest(20_000)}}
    path = written(tmp_path, top=top)
    assert checked(path).top == top
    assert header_in(path.read_bytes(), "x").top == top


# -- what a liar could make of it --


@pytest.mark.parametrize("end", [b"\n", b""], ids=["many lines", "one line"])
def test_listing_that_unpacks_to_more_than_any_does_is_refused(tmp_path: Path, end: bytes) -> None:
    path = tmp_path / "listing"
    path.write_bytes(gzip.compress((b"x" * 1_000_000 + end) * 60))
    assert path.stat().st_size < 100_000
    with pytest.raises(Damaged, match="more than a list of files can be" if end else "ends within a line"):
        checked(path)


def test_what_packs_too_well_for_a_reader_is_stored_so_that_it_can_be_read(tmp_path: Path) -> None:
    """A folder full of files that each have attributes full of zeros."""
    zeros = {"user.a": bytes(60_000)}
    files = [Entry(b"%05d" % n, "file", 1, 2, 0o644, 0, 0, digest=bytes(32), xattrs=zeros) for n in range(400)]
    numbers = (1, 1, 2, 3, F)
    block = make_block(b"", [(one.path, numbers, one.line().encode()) for one in files])
    assert len(block.text()) > 30_000_000
    path = written(tmp_path, [block])
    checked(path)
    assert sum(1 for _ in entry_lines(str(path), "x")) == 400


@pytest.mark.parametrize("more", [{"job": "x" * 5000}, {"home": 5}, {"taken": None}, {"top": ["a"]}, {"same_as": {}}])
def test_header_of_other_kinds_or_without_measure_is_refused(tmp_path: Path, more: dict[str, object]) -> None:
    path = written(tmp_path, **more)
    with pytest.raises(Damaged):
        checked(path)
    with pytest.raises(Damaged):
        header_in(path.read_bytes(), "x")


def test_last_line_is_not_read_if_it_is_longer_than_one(tmp_path: Path) -> None:
    path = written(tmp_path)
    lines = gzip.decompress(path.read_bytes()).splitlines(keepends=True)
    last = lines[-1][:-2] + b',"more":"' + b"x" * 2000 + b'"}\n'
    path.write_bytes(gzip.compress(b"".join((*lines[:-1], last))))
    with pytest.raises(Damaged, match="ends too early"):
        checked(path)


def test_listing_just_written_is_parsed_where_a_line_is_odd(tmp_path: Path) -> None:
    odd = json.dumps({"path": "../" + "x" * 5000}).encode()
    block = make_block(b"", [(b"a", (1, 1, 2, 3, F), odd)])
    path = written(tmp_path, [block])
    checked(path)
    with pytest.raises(Damaged, match="makes no sense"):
        check_listing(str(path), KEY, "papers", RUN, parse_from=4096)


# -- the key --


def test_key_is_made_once_and_only_its_owner_can_read_it(tmp_path: Path) -> None:
    path = tmp_path / "keys" / "listing.key"
    key, made = read_or_make_key(str(path))
    assert made
    assert path.stat().st_mode & 0o777 == 0o600
    assert read_or_make_key(str(path)) == (key, False)
    assert [one.name for one in path.parent.iterdir()] == ["listing.key"]
    assert key.secret.hex() not in repr(key)
    assert key.secret != bytes(32)


@pytest.mark.parametrize("text", ["", "zz" * 32, "00" * 31, "00" * 33, "\xff"])
def test_key_that_is_none_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "key"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(WrongSettings):
        read_key(str(path))


def test_key_that_others_can_read_is_refused(tmp_path: Path) -> None:
    """Invariant 7."""
    path = tmp_path / "key"
    path.write_text("00" * 32)
    path.chmod(0o644)
    with pytest.raises(WrongSettings):
        read_key(str(path))


def test_homes_id_says_nothing_about_the_key() -> None:
    assert ListingKey(bytes(32)).home_id != ListingKey(bytes(31) + b"\1").home_id
    assert len(KEY.home_id) == 16
    assert KEY.home_id not in KEY.secret.hex()


def test_a_pipe_in_place_of_a_listing_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "listing")
    with pytest.raises(Damaged, match="it is not a file"):
        check_listing(str(tmp_path / "listing"), KEY, "papers", RUN)
