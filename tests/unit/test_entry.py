"""A listing's line holds an entry whole: any name, any time, any attribute; and no line of any kind does harm."""

from __future__ import annotations

import base64
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.errors import Damaged
from otherroof.copying.compare.change import digest_in
from otherroof.copying.home.read import MOST_HOLES
from otherroof.far_copy.entry import (
    LONGEST_PATH,
    MOST_ATTRIBUTES,
    TOP,
    Entry,
    attributes_that_fit,
    is_safe,
    parse_line,
    path_text,
)
from otherroof.far_copy.listing import LONGEST_LINE

parts = st.binary(min_size=1, max_size=30).filter(lambda part: b"/" not in part and b"\0" not in part)
safe_parts = parts.filter(lambda part: part not in (b".", b".."))
safe_paths = st.lists(safe_parts, min_size=1, max_size=4).map(b"/".join)
texts = st.text(st.characters(codec="utf-8"), max_size=20)
entries = st.builds(
    Entry,
    path=safe_paths,
    kind=st.sampled_from(("file", "folder", "link")),
    size=st.integers(0, 2**63),
    mtime_ns=st.integers(-(2**63), 2**63),
    mode=st.integers(0, 0o7777),
    uid=st.integers(0, 2**32),
    gid=st.integers(0, 2**32),
    user=texts,
    group=texts,
    digest=st.binary(min_size=32, max_size=32),
    target=st.binary(max_size=50),
    first=st.one_of(st.just(b""), safe_paths),
    xattrs=st.dictionaries(texts.map(lambda text: "user." + text), st.binary(max_size=30), max_size=3),
    holes=st.lists(st.tuples(st.integers(0, 2**40), st.integers(1, 2**40)), max_size=3).map(tuple),
    left_out=st.lists(texts, max_size=2).map(tuple),
)


@given(entries)
def test_entry_comes_back_as_it_was(entry: Entry) -> None:
    if entry.kind != "file":
        entry.digest = b""
    line = entry.line().encode()
    assert b"\n" not in line
    assert b"\r" not in line
    assert parse_line(line) == entry
    assert digest_in(line) == (entry.digest or None)


@given(entries)
def test_line_is_plain_json_that_others_can_read(entry: Entry) -> None:
    raw = json.loads(entry.line())
    path = raw["path"].encode() if "path" in raw else base64.b64decode(raw["path64"])
    assert path == entry.path
    assert ("path64" in raw) == (not _is_utf8(entry.path))
    assert int(raw["mode"], 8) == entry.mode


def _is_utf8(name: bytes) -> bool:
    try:
        name.decode()
    except UnicodeDecodeError:
        return False
    return True


@pytest.mark.parametrize(
    "path", [b"", b"..", b".", b"../a", b"a/..", b"a/../b", b"/a", b"a/", b"a//b", b"./a", b"a/./b", b"a\0b", b"\0"]
)
def test_path_that_would_leave_the_folder_is_refused(path: bytes) -> None:
    """Invariant 5."""
    assert not is_safe(path)
    line = Entry(path, "file", 0, 0, 0o644, 0, 0, digest=bytes(32)).line().encode()
    with pytest.raises(Damaged):
        parse_line(line)


@pytest.mark.parametrize("path", [b"...", b"..a", b"a..", b"a/b", b"\n", b" ", b"~", b"-", b"\xff", b"a\\..\\b"])
def test_odd_but_harmless_path_is_taken(path: bytes) -> None:
    assert is_safe(path)


def test_the_folder_itself_has_its_own_line_and_only_there() -> None:
    line = Entry(TOP, "folder", 0, 0, 0o755, 0, 0).line().encode()
    assert parse_line(line, top=True).path == TOP
    with pytest.raises(Damaged):
        parse_line(line)
    with pytest.raises(Damaged):
        parse_line(Entry(b"a", "folder", 0, 0, 0o755, 0, 0).line().encode(), top=True)


GOOD = json.loads(Entry(b"a", "file", 1, 2, 0o644, 3, 4, digest=bytes(32)).line())


@pytest.mark.parametrize("key", [key for key in GOOD if key != "digest"])
def test_line_without_a_key_is_refused(key: str) -> None:
    with pytest.raises(Damaged):
        parse_line(json.dumps({one: value for one, value in GOOD.items() if one != key}).encode())


@pytest.mark.parametrize(
    ("key", "value"),
    [("kind", "device"), ("size", -1), ("size", "many"), ("mode", "rw"), ("mode", 5), ("digest", "zz"), ("holes", [1]),
     ("xattrs", ["a"]), ("xattrs", {"a": 5}), ("path", None), ("path", 5), ("mtime_ns", None), ("target", ["a"]),
     ("target64", "???"), ("first", {})],
)  # fmt: skip
def test_line_with_a_value_of_another_kind_is_refused(key: str, value: object) -> None:
    with pytest.raises(Damaged):
        parse_line(json.dumps(GOOD | {key: value}).encode())


@given(st.binary(max_size=200))
def test_line_of_any_bytes_is_refused(line: bytes) -> None:
    """So many bytes cannot be an entry by chance: an entry has nine keys."""
    with pytest.raises(Damaged):
        parse_line(line)


values = st.one_of(st.none(), st.booleans(), st.integers(), st.text(max_size=5), st.lists(st.integers(), max_size=2),
                   st.dictionaries(st.text(max_size=3), st.integers(), max_size=2))  # fmt: skip


@given(
    st.dictionaries(
        st.sampled_from([*GOOD, "path64", "target", "target64", "first", "xattrs", "holes", "left_out"]), values
    )
)
def test_line_of_any_values_is_refused_or_an_entry_that_can_be(other: dict[str, object]) -> None:
    try:
        entry = parse_line(json.dumps(GOOD | other).encode())
    except Damaged:
        assert other, "nothing was changed"
        return
    assert is_safe(entry.path)
    assert entry.kind in ("file", "folder", "link")
    assert entry.size >= 0
    assert 0 <= entry.mode <= 0o7777
    assert parse_line(entry.line().encode()).line() == entry.line()


def test_largest_entry_that_can_be_has_a_line_that_a_listing_takes() -> None:
    """Everything at its limit, and of the bytes that take most room in JSON."""
    path = b"\x01" * LONGEST_PATH
    value = bytes(65_000)
    kept, left_out = attributes_that_fit([f"user.{'é' * 120}{n:03}" for n in range(200)], lambda name: value)
    assert sum(len(name.encode()) + len(value) for name, value in kept.items()) <= MOST_ATTRIBUTES
    entry = Entry(
        path, "file", 2**63 - 1, -(2**63), 0o7777, 2**32 - 1, 2**32 - 1, "u" * 256, "g" * 256, bytes(32),
        target=b"\x02" * 4095, first=path, xattrs=kept,
        holes=tuple((2**62 + n, 2**61) for n in range(MOST_HOLES)), left_out=left_out,
    )  # fmt: skip
    line = entry.line().encode()
    assert len(line) < LONGEST_LINE
    assert parse_line(line) == entry


def test_attributes_of_the_system_come_before_those_that_anybody_can_give() -> None:
    names = ["user.a", "system.posix_acl_access", "security.capability", "user.b"]
    kept, left_out = attributes_that_fit(names, lambda name: bytes(70_000 if name.startswith("user") else 20))
    assert sorted(kept) == ["security.capability", "system.posix_acl_access", "user.a"]
    assert left_out == ("user.b",)
    assert attributes_that_fit([], lambda name: b"") == ({}, ())


@given(st.binary(max_size=60))
def test_shown_path_is_one_line_that_a_terminal_can_take(path: bytes) -> None:
    assert path_text(path).isprintable()
