"""What a far box says by its own reading: the format holds any name, and nothing that it could hold does harm."""

from __future__ import annotations

import io
import subprocess
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.far_copy.entry import is_safe
from otherroof.restore.proving.own_word import LONGEST_RECORD, OwnWord, OwnWords, parse_record, record_of, records

AT = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
NAMES = st.binary(min_size=1, max_size=60).filter(is_safe)
MOMENTS = st.datetimes(datetime(1970, 1, 2), datetime(2400, 1, 1), timezones=st.just(UTC)).map(
    lambda moment: moment.replace(microsecond=0)
)
WORDS = st.builds(OwnWord, st.binary(min_size=32, max_size=32), MOMENTS, st.integers(0, 1 << 62), NAMES)


@pytest.fixture
def words(tmp_path: Path) -> Iterator[OwnWords]:
    with closing(OwnWords(str(tmp_path / "words.db"))) as made:
        yield made


@given(st.lists(WORDS, max_size=8))
def test_what_is_written_is_read(said: list[OwnWord]) -> None:
    file = io.BytesIO(b"".join(record_of(word) for word in said))
    assert [parse_record(record) for record in records(file)] == said


@given(st.binary(max_size=400))
def test_whatever_stands_there_is_a_record_or_none(noise: bytes) -> None:
    for record in records(io.BytesIO(noise)):
        word = parse_record(record)
        assert word is None or is_safe(word.name)


@pytest.mark.parametrize(
    "record",
    [
        b"",
        b"x" * 64 + b" 1 1 latest/a",
        b"A" * 64 + b" 1 1 latest/a",
        b"0" * 63 + b" 1 1 latest/a",
        b"0" * 64 + b" -1 1 latest/a",
        b"0" * 64 + b" 1 1 ",
        b"0" * 64 + b" 1 1 ../../etc/passwd",
        b"0" * 64 + b" 1 1 /etc/passwd",
        b"0" * 64 + b" 999999999999999999 1 latest/a",
        b"0" * 64 + b" 1 1 latest/" + b"a" * LONGEST_RECORD,
    ],
    ids=range(10),
)
def test_what_makes_no_sense_is_passed_over_and_counted(words: OwnWords, record: bytes) -> None:
    good = OwnWord(bytes(32), AT, 5, b"latest/a")
    words.take(io.BytesIO(record + b"\0" + record_of(good) + b"0" * 64 + b" 1 1 cut off"))
    assert words.unread == 1
    assert words.of(b"latest/a") == (bytes(32), AT)
    assert words.of(b"latest/b") is None
    assert words.newest == AT


def test_the_later_of_two_readings_counts_in_whatever_order_they_stand(words: OwnWords) -> None:
    old = OwnWord(b"\1" * 32, AT.replace(year=2030), 5, b"latest/a")
    new = OwnWord(b"\2" * 32, AT, 5, b"latest/a")
    words.take(io.BytesIO(record_of(new) + record_of(old)))
    assert words.of(b"latest/a") == (b"\2" * 32, AT)


def test_one_endless_record_takes_no_memory(words: OwnWords) -> None:
    good = OwnWord(bytes(32), AT, 5, b"latest/a")
    words.take(io.BytesIO(b"\1" * 8_000_000 + b"\0" + record_of(good)))
    assert (words.unread, words.of(b"latest/a")) == (1, (bytes(32), AT))


def test_a_shell_at_the_far_box_can_write_it(tmp_path: Path, words: OwnWords) -> None:
    """With find, b2sum and printf of a Debian; names with spaces and newlines among them."""
    job = tmp_path / "papers"
    for name in ("latest/a", "latest/two words\nand a line", "runs/x"):
        path = job / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)
    script = (
        'find . -type f -printf "%P\\0" | while IFS= read -r -d "" name; do '
        'printf "%s %s %s %s\\0" "$(b2sum -l 256 < "$name" | cut -c1-64)" 1932341400 "$(stat -c %s "$name")" "$name"; '
        "done"
    )
    said = subprocess.run(["bash", "-c", script], cwd=job, capture_output=True, check=True, timeout=60).stdout
    words.take(io.BytesIO(said))
    import hashlib

    for name in ("latest/a", "latest/two words\nand a line", "runs/x"):
        assert words.of(name.encode()) == (
            hashlib.blake2b(name.encode(), digest_size=32).digest(),
            datetime.fromtimestamp(1932341400, UTC),
        )
    assert words.unread == 0
