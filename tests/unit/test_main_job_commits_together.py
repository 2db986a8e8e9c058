"""A far disk that makes all durable together (btrfs): the run waits for that instead of syncing what is young."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from otherroof.copying.compare.change import LARGE
from otherroof.copying.send import files, landed, settling
from otherroof.far.sftp import codec
from otherroof.layouts.open.job_folder import OpenJobFolder
from otherroof.layouts.open.steps import DiskHabits
from support.main_job import OneJob, one_job

AGE_S = 0.6  # in place of the forty seconds


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[OneJob]:
    real = OpenJobFolder.begin

    def begin(this: OpenJobFolder, run: str, server: str) -> Any:
        yield from real(this, run, server)
        return DiskHabits(commits_together=True)

    monkeypatch.setattr(OpenJobFolder, "begin", begin)
    for module in (files, landed, settling):
        monkeypatch.setattr(module, "AGE_S", AGE_S)
    monkeypatch.setattr(landed, "BATCH_S", 0.1)
    with one_job(tmp_path) as made:
        yield made


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[tuple[float, str, bytes]]:
    """What was asked for: when, the name of the request, and its path below the job's folder, if it has one."""
    asked: list[tuple[float, str, bytes]] = []
    real = codec.encode

    def encode(number: int, op: Any, base: bytes) -> bytes:
        path = getattr(op, "path", None) or getattr(op, "new", b"")
        asked.append((time.monotonic(), type(op).__name__, path.partition(b"/")[2]))
        return real(number, op, base)

    monkeypatch.setattr("otherroof.far.sftp.channel.codec.encode", encode)
    return asked


def test_days_of_changes_come_back_and_nothing_young_is_synced(
    job: OneJob, sent: list[tuple[float, str, bytes]]
) -> None:
    job.put("a", b"1")
    job.put("folder/b", b"2")
    job.put("goes", b"3")
    job.put("large", os.urandom(2 * LARGE))
    job.done()
    job.put("a", b"11")
    job.path("goes").unlink()
    job.path("folder/b").rename(job.path("folder/c"))
    job.put("large", os.urandom(2 * LARGE))
    sent.clear()
    job.done()
    took = {path: at for at, name, path in sent if name == "Rename" and path.startswith(b"latest/")}
    assert set(took) == {b"latest/a", b"latest/folder/c", b"latest/large"}
    synced = {path: at for at, name, path in sent if name == "OpenFile" and path.startswith(b"latest/")}
    for path, at in took.items():
        assert synced[path] - at >= AGE_S, path
    assert not [path for _, name, path in sent if name == "OpenFile" and path.startswith(b"earlier/")]
    written = max(
        at for at, name, path in sent if name == "OpenFile" and path.endswith(b".part") and at < took[b"latest/large"]
    )
    assert took[b"latest/large"] - written >= AGE_S, (
        "the large file was synced, and takes its name after the next commit"
    )
    job.all_come_back()


def test_a_run_that_is_stopped_while_it_waits_goes_on_next_time(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    content = os.urandom(2 * LARGE)
    job.put("large", content)
    monkeypatch.setattr(files, "AGE_S", 3600.0)

    class Stopped(Exception):
        pass

    begun = time.monotonic()

    def tick(_progress: object) -> None:
        if time.monotonic() - begun > 2:
            raise Stopped

    with pytest.raises(Stopped):
        job.run(tick=tick)
    assert not (job.latest / "large").exists()
    monkeypatch.setattr(files, "AGE_S", AGE_S)
    assert job.done().bytes.sent == 0
    job.all_come_back()
