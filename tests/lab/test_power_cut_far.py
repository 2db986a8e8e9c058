"""The far box loses its power at random moments: what its disk then holds is mounted, compared, and gone on with.

By real file systems on an emulated disk, over a real sshd. `OTHERROOF_SEED` chooses other days and moments; every
failure names the seed. For as long as one likes: `python tests/campaign/power_cuts.py --minutes 60`.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from support.lab import require_sshd
from support.lab.need import require_programs
from support.slow_disk import AT_ONCE, DISK_SYSTEMS, DiskTimes, SlowDisk, mounted_image, require_slow_disk

pytestmark = [pytest.mark.lab, pytest.mark.slow]

SEED = int(os.environ.get("OTHERROOF_SEED", "20310405"))
CAMPAIGN = Path(__file__).parent.parent / "campaign" / "power_cuts.py"


def cut_power(system: str, *words: str) -> None:
    """One round of the campaign: in a process of its own, since it wants mounts of its own."""
    require_sshd()
    require_slow_disk(system)
    require_programs("unshare", root=True)
    argv = [sys.executable, str(CAMPAIGN), "--fs", system, "--seed", str(SEED), "--rounds", "1"]
    # What becomes of changed kinds is for the model (`test_power_cuts_in_model.py`), which finds it again each time.
    argv += ["--same-kinds", *words]
    done = subprocess.run(argv, capture_output=True, text=True, timeout=600, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.lasts(15)
@pytest.mark.parametrize("system", DISK_SYSTEMS)
def test_whenever_the_power_goes_every_version_is_whole(system: str) -> None:
    """Invariants 1, 2, 3, 4 and 8: home's state as it was then, or lost; also right when a run has said it is done."""
    cut_power(system, "--work", "cuts", "--days", "1", "--halts", "2", "--images", "1")


@pytest.mark.lasts(15)
@pytest.mark.parametrize("system", DISK_SYSTEMS)
def test_the_power_goes_while_a_run_goes_on(system: str) -> None:
    """Invariants 1, 2, 3 and 8: the same run ends well when the far box is there again."""
    cut_power(system, "--work", "falls")


# -- the disk itself --


@pytest.mark.parametrize("system", DISK_SYSTEMS)
def test_what_was_synced_outlives_a_power_cut_and_what_was_not_may_be_lost(tmp_path: Path, system: str) -> None:
    require_slow_disk(system)
    with SlowDisk(tmp_path, system, times=AT_ONCE, record=True) as disk:
        flushes = disk.counts().flushes
        for number in range(20):
            with (disk.path / f"synced {number}").open("wb") as file:
                file.write(bytes([number]) * 5000)
                os.fsync(file.fileno())
        assert disk.counts().flushes >= flushes + 20, "syncs do not reach the disk"
        (disk.path / "not synced").write_bytes(b"content" * 1000)
        moment = disk.moment()
        disk.unmount()
        kept = []
        for seed in range(4):
            image = disk.power_cut(moment, random.Random(seed), tmp_path / "after.img")
            with mounted_image(image, system, tmp_path / "after") as after:
                found = [(after / f"synced {number}").read_bytes() for number in range(20)]
                assert found == [bytes([number]) * 5000 for number in range(20)]
                kept.append((after / "not synced").exists() and (after / "not synced").stat().st_size == 7000)
        assert kept == [False] * 4


def test_moves_of_the_head_and_flushes_take_their_time(tmp_path: Path) -> None:
    require_slow_disk()
    times = DiskTimes(move_s=0.02, flush_s=0.03, rate=0.0)
    with SlowDisk(tmp_path, times=times) as disk:
        before, begun = disk.counts(), os.times().elapsed
        with (disk.path / "file").open("wb") as file:
            file.write(b"content")
            os.fsync(file.fileno())
        took, after = os.times().elapsed - begun, disk.counts()
        moves, flushes = after.moves - before.moves, after.flushes - before.flushes
        assert moves >= 2
        assert flushes >= 2
        assert took >= 0.9 * (moves * times.move_s + flushes * times.flush_s)
