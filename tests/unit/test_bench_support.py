"""The benchmarks' own checks: a figure that cannot be wrong is worth nothing, so each is shown a wrong one."""

from __future__ import annotations

import pathlib
import sys
import time

import pytest

from support.bench.data import difference, make_large_file, make_small_files, size_of
from support.bench.measure import measure
from support.bench.table import table_text

MIB = 1 << 20


def test_a_copy_that_is_not_whole_is_seen(tmp_path: pathlib.Path) -> None:
    source, copy = str(tmp_path / "source"), tmp_path / "copy"
    make_small_files(source, 250)
    assert "250 of 250 files missing" in difference(source, str(copy))
    for path in (tmp_path / "source").rglob("*.bin"):
        target = copy / path.relative_to(source)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(path.read_bytes())
    assert difference(source, str(copy)) == ""
    victim = next(copy.rglob("*.bin"))
    whole = victim.read_bytes()
    victim.write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))
    assert str(victim.relative_to(copy)) in difference(source, str(copy))
    victim.write_bytes(whole[:-1])
    assert str(victim.relative_to(copy)) in difference(source, str(copy))
    victim.write_bytes(whole)
    (copy / "stray").write_bytes(b"")
    assert "1 too many" in difference(source, str(copy))


def test_the_data_is_as_large_as_it_says(tmp_path: pathlib.Path) -> None:
    make_large_file(str(tmp_path / "large"), 5 * MIB + 3)
    assert size_of(str(tmp_path / "large")) == (1, 5 * MIB + 3)
    make_small_files(str(tmp_path / "small"), 300)
    count, size = size_of(str(tmp_path / "small"))
    assert count == 300
    assert size / count == pytest.approx(9 * 1024, rel=0.1)


def test_peak_memory_is_the_childs_own_and_not_its_parents() -> None:
    ballast = bytearray(200 * MIB)
    ballast[::4096] = b"x" * len(ballast[::4096])
    small = measure([sys.executable, "-I", "-S", "-c", "pass"], wait_s=20)
    big = measure([sys.executable, "-I", "-S", "-c", f"x = b'x' * {100 * MIB}"], wait_s=20)
    assert small.peak_bytes < 30 * MIB
    assert 100 * MIB < big.peak_bytes < 130 * MIB
    assert len(ballast) == 200 * MIB


def test_memory_of_grandchildren_is_in_the_familys_sum() -> None:
    eat = f"import time; x = b'x' * {60 * MIB}; time.sleep(0.6)"
    code = (
        f"import subprocess, sys; [p.wait() for p in [subprocess.Popen([sys.executable, '-c', {eat!r}]) for _ in 'ab']]"
    )
    done = measure([sys.executable, "-c", code], wait_s=20)
    assert done.family_bytes > 120 * MIB > done.peak_bytes


def test_code_time_and_words_of_a_child_are_kept() -> None:
    code = "import sys, time; time.sleep(0.2); print('out'); sys.stderr.write('err'); sys.exit(7)"
    done = measure([sys.executable, "-c", code], wait_s=20)
    assert (done.code, done.output, done.errors) == (7, "out\n", "err")
    assert 0.2 <= done.seconds < 2


def test_a_child_that_takes_too_long_is_ended() -> None:
    before = time.monotonic()
    with pytest.raises(TimeoutError, match="took over"):
        measure([sys.executable, "-c", "import time; time.sleep(60)"], wait_s=0.5)
    assert time.monotonic() - before < 5


def test_a_table_is_aligned() -> None:
    text = table_text(["who", "s", ""], [["one", "1.0", "note"], ["a long one", "10.0", ""]])
    assert text == "who            s\n----------  ----  ----\none          1.0  note\na long one  10.0"
