"""Content-defined chunks: nothing is lost in cutting, and what did not change is recognised wherever it went."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.poly1305 import Poly1305
from hypothesis import given
from hypothesis import strategies as st
from pyfastcdc import FastCDC

from otherroof.copying.home.chunk_lists import ChunkStore
from otherroof.copying.home.chunks import (
    FINE_AVERAGE,
    FINE_FROM,
    MOST_CHUNKS,
    SMALL_AVERAGE,
    Chunker,
    ChunkList,
    average_for,
)
from support.quick import examples

KEY = bytes(range(32))
AVERAGE = 16 * 1024
DATA = random.Random(1).randbytes(4_000_000)


def cut(data: bytes, step: int = 1_000_000, key: bytes = KEY, average: int = AVERAGE) -> tuple[list[bytes], ChunkList]:
    """The chunks of `data`, fed in pieces of `step` bytes."""
    chunker = Chunker(average, key)
    found = []
    for at in range(0, len(data), step):
        found += [bytes(view) for view, _ in chunker.feed(data[at : at + step])]
    found += [bytes(view) for view, _ in chunker.finish()]
    return found, chunker.list


def share_known(old: bytes, new: bytes) -> float:
    """The share of the new content whose chunks the old one's list knows."""
    places = cut(old)[1].places()
    known = sum(length for length, tag in cut(new)[1] if tag in places)
    return known / len(new)


@given(st.binary(max_size=300_000), st.integers(1, 200_000))
@examples(40)
def test_nothing_is_lost_in_cutting(data: bytes, step: int) -> None:
    data = data * 3
    found, chunks = cut(data, step)
    assert b"".join(found) == data
    assert [length for length, _ in chunks] == [len(one) for one in found]


def expected(data: bytes, average: int) -> list[tuple[int, bytes]]:
    """Lengths and tags, by the cutting library in one piece and by the keyed digest's own library."""
    cuts = FastCDC(avg_size=average, min_size=average // 4, max_size=average * 4).cut_buf(data)
    pieces = [data[one.offset : one.offset + one.length] for one in cuts]
    return [(len(piece), Poly1305.generate_tag(KEY, piece)) for piece in pieces]


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 4097, 200_001, 4_000_000])
@pytest.mark.parametrize("average", [AVERAGE, SMALL_AVERAGE, FINE_AVERAGE])
def test_lengths_and_tags_are_those_of_the_libraries_to_the_last_chunk(size: int, average: int) -> None:
    data = DATA[:size]
    assert list(cut(data, 130_001, average=average)[1]) == expected(data, average)


def test_packed_list_is_the_average_and_twenty_bytes_a_chunk_in_little_endian() -> None:
    """Lists that were written by another version, or on another kind of processor, must still be read."""
    chunks = ChunkList(0x01020304)
    chunks.add(0x0A0B0C0D, bytes(range(16)))
    packed = bytes.fromhex("04030201 0d0c0b0a 000102030405060708090a0b0c0d0e0f")
    assert chunks.packed() == packed
    again = ChunkList.unpack(packed)
    assert (again.average, list(again)) == (0x01020304, [(0x0A0B0C0D, bytes(range(16)))])


@pytest.mark.parametrize(
    ("size", "average"),
    [(0, 65_536), (64 * 2**20 - 1, 65_536), (64 * 2**20, 8192), (2**30, 8192), (2**30 + 8192, 16_384), (2**34, 131_072),
     (2**41, 16 * 2**20), (2**45, 16 * 2**20)],
)  # fmt: skip
def test_nominal_size_of_a_chunk_for_each_size_of_file(size: int, average: int) -> None:
    assert average_for(size) == average


@pytest.mark.parametrize("step", [1, 3, 1000, 65_536, 999_999, 10_000_000])
def test_cuts_depend_on_content_and_not_on_how_it_is_read(step: int) -> None:
    data = DATA[:60_000] if step < 1000 else DATA
    assert cut(data, step)[1].packed() == cut(data)[1].packed()


# More than twice the longest chunk at a time, in odd numbers: a chunk that was held may end before what comes.
@pytest.mark.parametrize("step", [2_340, 2_631, 3_989, 4_862])
def test_a_chunk_that_lies_across_blocks_ends_where_it_ends_in_one_piece(step: int) -> None:
    assert cut(DATA, step, average=256)[1].packed() == cut(DATA, len(DATA), average=256)[1].packed()


def test_chunks_are_neither_tiny_nor_huge() -> None:
    sizes = [len(one) for one in cut(DATA)[0]]
    assert max(sizes) <= AVERAGE * 4
    assert min(sizes[:-1]) >= AVERAGE // 4
    assert AVERAGE / 2 < sum(sizes) / len(sizes) < AVERAGE * 2


def test_bytes_put_in_near_the_start_leave_nearly_all_that_follows_known() -> None:
    assert share_known(DATA, DATA[:100] + b"put in" + DATA[100:]) > 0.97


def test_bytes_taken_out_leave_nearly_all_known() -> None:
    assert share_known(DATA, DATA[:100] + DATA[5000:]) > 0.97


def test_scattered_changes_leave_most_known() -> None:
    changed = bytearray(DATA)
    dice = random.Random(2)
    for _ in range(10):
        at = dice.randrange(len(changed) - 4096)
        changed[at : at + 4096] = dice.randbytes(4096)
    assert share_known(DATA, bytes(changed)) > 0.85


def test_parts_in_another_order_are_known() -> None:
    assert share_known(DATA, DATA[2_000_000:] + DATA[:2_000_000]) > 0.95


def test_other_content_is_not_known() -> None:
    assert share_known(DATA, random.Random(3).randbytes(len(DATA))) == 0


def test_places_say_where_a_chunk_stands() -> None:
    chunks, listed = cut(DATA)
    places = listed.places()
    at = 0
    for content, (_, tag) in zip(chunks, listed, strict=True):
        assert places[tag] == (at, len(content))
        at += len(content)


def test_tags_under_another_key_have_nothing_in_common() -> None:
    ours = {tag for _, tag in cut(DATA)[1]}
    theirs = {tag for _, tag in cut(DATA, key=bytes(32))[1]}
    assert not ours & theirs
    assert max(Counter(tag for _, tag in cut(DATA)[1]).values()) == 1


def test_list_is_packed_and_unpacked_and_junk_refused() -> None:
    chunks = cut(DATA)[1]
    again = ChunkList.unpack(chunks.packed())
    assert (list(again), again.average, len(again)) == (list(chunks), AVERAGE, len(chunks))
    for junk in (b"", b"abc", chunks.packed()[:-1]):
        with pytest.raises(ValueError, match="not a chunk list"):
            ChunkList.unpack(junk)


def test_larger_files_get_chunks_that_keep_their_list_small() -> None:
    assert average_for(2_000_000) == SMALL_AVERAGE
    assert average_for(FINE_FROM) == FINE_AVERAGE
    for size in (10**9, 10**10, 10**12, 10**13):
        assert size // average_for(size) <= MOST_CHUNKS or average_for(size) >= 16 * 1024 * 1024
        assert average_for(size).bit_count() == 1


def test_store_gives_a_list_only_for_the_content_it_describes(tmp_path: Path) -> None:
    store = ChunkStore(str(tmp_path / "chunks.db"))
    key = store.key
    chunks = cut(DATA[:100_000])[1]
    store.put(b"a\xff", b"1" * 32, chunks)
    assert store.get(b"a\xff", b"2" * 32) is None
    assert store.get(b"b", b"1" * 32) is None
    store.moved(b"a\xff", b"b")
    store.close()
    store = ChunkStore(str(tmp_path / "chunks.db"))
    assert store.key == key != bytes(32), "tags of the next run must be those of this one"
    found = store.get(b"b", b"1" * 32)
    assert found is not None
    assert list(found) == list(chunks)
    store.forget(b"b")
    assert store.get(b"b", b"1" * 32) is None
    store.close()
