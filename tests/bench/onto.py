"""How fast a first copy goes onto a disk that will be carried, beside `cp -a` and tar, each with a sync of that disk.

    python tests/bench/onto.py [--fs ext4 xfs btrfs] [--gb 2] [--repeat 3] [--contender otherroof cp tar] [--json FILE]

As root, from the project's environment, on a quiet machine. The disk is a file system made anew for each copy, on a
loop device over a file in --where (an ordinary disk by default: name a folder on the one that is to be measured). The
source is mixed: of its bytes a twentieth are files of 2 to 16 KiB, half are files of 3 MB, the rest is one large file;
it was just written, and lies in memory if there is room. Each copy is compared byte for byte. The clock runs from the
start of the program to the end of the sync: Otherroof syncs by itself.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.bench.contenders import JOB, first_run, otherroof
from support.bench.data import bench_root, difference, make_large_file, make_small_files, size_of
from support.bench.measure import MachineWatch, measure
from support.bench.table import table_text
from support.lab import Estate, FarSshd, write_settings
from support.lab.commands import call
from support.slow_disk import DISK_SYSTEMS, MAKE

EVERYONE = ("otherroof", "cp", "tar")
PHOTO = 3_000_000
SMALL_MEAN = 9 * 1024  # bytes: see make_small_files
WAIT_S = 1800.0


@dataclass
class Row:
    """One contender on one file system. `seconds` of each copy; `busy`: the share of processor time that all had."""

    system: str
    contender: str
    size: int
    files: int
    seconds: list[float] = field(default_factory=list)
    busy: list[float] = field(default_factory=list)
    trouble: str = ""


def main() -> int:
    """Measure what was asked for, print it, and write it down."""
    wanted = _arguments()
    size = int(wanted.gb * 1e9)
    rows: list[Row] = []
    with Estate() as estate:
        root, kind = bench_root(size)
        work = os.path.join(wanted.where, f"otherroof-bench-onto-{os.getpid()}")
        for path in (root, work):
            estate.note("folder", path=path)
            os.makedirs(path)
        source = os.path.join(root, "source")
        _make_source(source, size)
        files, size = size_of(source)
        print(
            f"{files:,} files, {size / 1e6:,.0f} MB; source on: {kind}; the disk's file in: {wanted.where}", flush=True
        )
        for system in wanted.fs:
            rows += _measure_system([Row(system, name, size, files) for name in wanted.contender], source, work, wanted)
            if wanted.json:
                Path(wanted.json).write_text(json.dumps([asdict(row) for row in rows], indent=2) + "\n")
    return 1 if any(row.trouble for row in rows) else 0


def _make_source(folder: str, size: int) -> None:
    make_small_files(os.path.join(folder, "letters"), max(1, size // 20 // SMALL_MEAN))
    photos = os.path.join(folder, "photos")
    os.makedirs(photos)
    for number in range(max(1, size // 2 // PHOTO)):
        Path(photos, f"{number:05}.bin").write_bytes(os.urandom(PHOTO))
    make_large_file(os.path.join(folder, "films"), size - size // 20 - size // 2)


def _measure_system(rows: list[Row], source: str, work: str, wanted: argparse.Namespace) -> list[Row]:
    """The contenders' rows of one file system, filled."""
    for turn in range(wanted.repeat):
        shift = turn % len(rows)
        for row in rows[shift:] + rows[:shift]:
            with _fresh_disk(row.system, work, row.size) as disk:
                machine = MachineWatch()
                seconds, arrived_at, trouble = _copy(row.contender, source, disk, work)
                row.busy.append(round(machine.busy_share(), 3))
                row.trouble = row.trouble or trouble or difference(source, arrived_at)
            row.seconds.append(round(seconds, 3))
            rate = f"{row.size / 1e6 / seconds:.0f} MB/s"
            print(f"  {row.system}, {row.contender}: {seconds:.1f} s, {rate} {row.trouble}", flush=True)
    print(_picture(rows), flush=True)
    return rows


@contextmanager
def _fresh_disk(system: str, work: str, size: int) -> Iterator[str]:
    image, at = os.path.join(work, "disk.img"), os.path.join(work, "disk")
    with Estate() as estate:
        with open(image, "wb") as file:  # written, so that no contender pays for the room of its file
            for _ in range(-(-(size * 5 // 4 + (512 << 20)) // (1 << 24))):
                file.write(bytes(1 << 24))
        call([*MAKE[system], image], wait_s=WAIT_S)
        os.makedirs(at, exist_ok=True)
        estate.note("mount", path=at)
        call(["mount", "-o", "loop,noatime", image, at], wait_s=60)
        call(["sync"], wait_s=WAIT_S)
        yield at
    os.unlink(image)


def _copy(name: str, source: str, disk: str, work: str) -> tuple[float, str, str]:
    """How long it took, where the copy lies, and what went wrong."""
    if name == "otherroof":
        return _by_otherroof(source, disk, work)
    target = os.path.join(disk, "copy")
    os.makedirs(target)
    how = f'cp -a "{source}/." "{target}"' if name == "cp" else f'tar -C "{source}" -cf - . | tar -C "{target}" -xf -'
    begun = time.monotonic()
    done = subprocess.run(
        ["bash", "-c", f'set -o pipefail; {how} && sync -f "{target}"'],
        capture_output=True,
        timeout=WAIT_S,
        check=False,
    )
    return time.monotonic() - begun, target, done.stderr.decode(errors="replace").strip() if done.returncode else ""


def _by_otherroof(source: str, disk: str, work: str) -> tuple[float, str, str]:
    config = os.path.join(work, "config")
    shutil.rmtree(config, ignore_errors=True)
    with FarSshd(folder=os.path.join(work, "far")) as far:  # the settings need one; nothing is asked of it
        write_settings(config, far, {JOB: {"folder": source}})
        done = measure(otherroof("run", JOB, "--onto", disk, "--config", config, "--json"), wait_s=WAIT_S)
    trouble = "" if done.code == 0 else f"exit {done.code}: {first_run(done.output).get('reason') or done.errors}"
    return done.seconds, os.path.join(disk, JOB, "latest"), trouble


def _picture(rows: list[Row]) -> str:
    cp = next((statistics.median(row.seconds) for row in rows if row.contender == "cp"), 0.0)
    cells = []
    for row in rows:
        seconds = statistics.median(row.seconds)
        spread = f"{min(row.seconds):.1f}–{max(row.seconds):.1f} s, processors up to {max(row.busy):.0%} busy"
        to_cp = f"{seconds / cp:.2f}" if cp else "–"
        figures = [f"{seconds:.1f}", f"{row.size / 1e6 / seconds:.0f}", to_cp]
        cells.append([row.contender, *figures, "; ".join(filter(None, (spread, row.trouble)))])
    return f"\n{rows[0].system}\n{table_text(['contender', 's', 'MB/s', 'to cp', ''], cells)}\n"


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    add = parser.add_argument
    add("--fs", nargs="+", choices=DISK_SYSTEMS, default=["ext4"])
    add("--gb", type=float, default=2.0, help="how much is copied")
    add("--repeat", type=int, default=3)
    add("--contender", nargs="+", choices=EVERYONE, default=list(EVERYONE))
    add("--where", metavar="DIR", default="/var/tmp", help="where the disk's file lies")
    add("--json", metavar="FILE", default="")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
