"""Small files that others may look at while they are written, in a folder where somebody else may put something."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import pytest

from otherroof.base.errors import HomeTrouble
from otherroof.ledger.live.small_file import MOST, read_small, write_small


def test_a_shorter_text_takes_the_place_of_what_a_killed_process_left(tmp_path: Path) -> None:
    (tmp_path / "word.new").write_text("a long text that was never renamed")
    write_small(str(tmp_path / "word"), "short")
    assert read_small(str(tmp_path / "word")) == b"short"


def test_others_of_this_machine_do_not_read_it(tmp_path: Path) -> None:
    write_small(str(tmp_path / "word"), "text")
    assert stat.S_IMODE((tmp_path / "word").stat().st_mode) == 0o600


def test_a_link_is_neither_written_through_nor_read_through(tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_text("not ours")
    (tmp_path / "word.new").symlink_to(other)
    with pytest.raises(HomeTrouble):
        write_small(str(tmp_path / "word"), "text")
    assert other.read_text() == "not ours"
    (tmp_path / "word").symlink_to(other)
    with pytest.raises(HomeTrouble):
        read_small(str(tmp_path / "word"))


def test_a_pipe_is_not_written_to_though_somebody_reads_it(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "word.new")
    ear = os.open(tmp_path / "word.new", os.O_RDONLY | os.O_NONBLOCK)
    try:
        with pytest.raises(HomeTrouble):
            write_small(str(tmp_path / "word"), "text")
        assert os.read(ear, 100) == b""
    finally:
        os.close(ear)


def test_a_pipe_that_nobody_reads_holds_nothing_up(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "word.new")
    # Whoever waited for a reader would get one at last, and write the text.
    reader = threading.Timer(30, lambda: os.close(os.open(tmp_path / "word.new", os.O_RDONLY)))
    reader.daemon = True
    reader.start()
    with pytest.raises(HomeTrouble, match="No such device"):
        write_small(str(tmp_path / "word"), "text")
    reader.cancel()


def test_of_a_large_file_only_the_beginning_is_read(tmp_path: Path) -> None:
    (tmp_path / "word").write_bytes(bytes(MOST + 1))
    assert read_small(str(tmp_path / "word")) == bytes(MOST)


def test_whoever_looks_reads_the_old_text_until_the_new_one_is_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = str(tmp_path / "word")
    write_small(path, "old")
    seen = list[bytes | None]()
    rename = os.rename
    monkeypatch.setattr("os.rename", lambda source, target: (seen.append(read_small(path)), rename(source, target)))
    write_small(path, "new")
    assert (seen, read_small(path)) == ([b"old"], b"new")
