"""How fast small files become durable on a far box's spinning disk, beside tar over ssh and sftp with a final sync.

    python tests/bench/disk.py [--fs ext4 xfs btrfs] [--files 1000] [--repeat 3] [--json FILE]

As root, from the project's environment. The disk is emulated (`tests/support/slow_disk.py`): 8 ms for each move of the
head and for each flush, 120 MB/s; the far box is an OpenSSH server on 127.0.0.1 whose base is on it. The first day is
a first copy of `--files` files of 2 to 16 KiB. Before the second, half of them are changed and 25 in 1000 moved; the
peers, which know no day before, are given only those. Each attempt begins with a new file system; what has arrived is
compared byte for byte, and a copy that is not whole has no figure. Figures are medians.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

from support.bench.contenders import Attempt, Otherroof, Sftp, TarOverSsh, setting
from support.bench.data import bench_root, difference, files_below, make_small_files
from support.bench.measure import MachineWatch
from support.bench.scene import CIPHER, Scene
from support.bench.table import table_text
from support.lab import Estate, FarSshd, ServerOptions
from support.lab.commands import call
from support.slow_disk import AT_ONCE, DISK_SYSTEMS, DiskTimes, SlowDisk

DISK_SIZE = 4 << 30  # bytes; only what is written takes room
SETTLED_S = 60.0  # the whole disk is synced between two days, as it is in a night
BUSY = 0.9
DAYS = ("first day", "second day")
EVERYONE = (TarOverSsh.name, Sftp.name, Otherroof.name)


@dataclass
class DiskRow:
    """One contender on one file system on one day: every repetition's seconds, and what the disk did meanwhile."""

    system: str
    day: str
    contender: str
    files: int
    seconds: list[float] = field(default_factory=list)
    moves: list[int] = field(default_factory=list)
    flushes: list[int] = field(default_factory=list)
    busy: list[float] = field(default_factory=list)
    told: list[Any] = field(default_factory=list)
    trouble: str = ""


@dataclass(frozen=True)
class Sources:
    """The folder as it is on the first day, what is new in it on the second, and which of that was only moved.

    `moved`: old name and new.
    """

    first: str
    fresh: str
    moved: tuple[tuple[str, str], ...]

    def let_a_day_pass(self, folder: str) -> None:
        """Make a folder that is as on the first day as it is on the second."""
        for old, new in self.moved:
            os.makedirs(os.path.dirname(os.path.join(folder, new)), exist_ok=True)
            os.rename(os.path.join(folder, old), os.path.join(folder, new))
        for path in set(files_below(self.fresh)) - {new for _, new in self.moved}:
            Path(folder, path).write_bytes(Path(self.fresh, path).read_bytes())


def main() -> int:
    """Measure what was asked for, print it, and write it down."""
    wanted = _arguments()
    rows: list[DiskRow] = []
    with Estate() as estate:
        root, kind = bench_root(wanted.files * 100_000)
        estate.note("folder", path=root)
        print(_preface(kind, wanted), flush=True)
        sources = _make_sources(root, wanted.files)
        for system in wanted.fs:
            found = _measure_system(root, system, sources, wanted)
            rows += found
            print(_picture(system, found), flush=True)
            if wanted.json:
                Path(wanted.json).write_text(json.dumps([asdict(row) for row in rows], indent=2) + "\n")
    return 0


def _make_sources(root: str, count: int) -> Sources:
    first, fresh = (os.path.join(root, "source", name) for name in ("first", "fresh"))
    make_small_files(first, count)
    paths = list(files_below(first))
    random.Random(2).shuffle(paths)
    changed, moved = paths[: count // 2], paths[count // 2 : count // 2 + count * 25 // 1000]
    renamed = tuple((path, f"moved/{number:05}.bin") for number, path in enumerate(moved))
    for old, new in [*((path, path) for path in changed), *renamed]:
        content = Path(first, old).read_bytes()
        target = Path(fresh, new)
        target.parent.mkdir(parents=True, exist_ok=True)
        # Letters: random bytes in the place of so many files would look like a trojan's work, and be held.
        target.write_bytes(content if old != new else os.urandom(len(content)).hex()[: len(content)].encode())
    return Sources(first, fresh, renamed)


def _measure_system(root: str, system: str, sources: Sources, wanted: argparse.Namespace) -> list[DiskRow]:
    rows = {(day, name): DiskRow(system, day, name, 0) for day in DAYS for name in wanted.contender}
    with FarSshd(folder=os.path.join(root, "far"), options=ServerOptions(ciphers=CIPHER)) as far:
        scene = _scene(far)
        for turn in range(wanted.repeat):
            shift = turn % len(wanted.contender)
            for name in wanted.contender[shift:] + wanted.contender[:shift]:
                with _fresh_disk(root, system, far, wanted) as disk:
                    _two_days(scene, disk, sources, {day: rows[day, name] for day in DAYS}, wanted)
    return list(rows.values())


def _scene(far: FarSshd) -> Scene:
    here = SimpleNamespace(argv=list)  # this very machine, with no namespace around it
    nothing = lambda *_: None  # noqa: E731
    return Scene("loopback", 0, here, far, nothing, nothing, lambda: 0.0)  # type: ignore[arg-type]


@contextmanager
def _fresh_disk(root: str, system: str, far: FarSshd, wanted: argparse.Namespace) -> Iterator[SlowDisk]:
    where = Path(root, "disk")
    shutil.rmtree(where, ignore_errors=True)
    with SlowDisk(where, system, at=far.base_path, size=DISK_SIZE, times=_times(wanted)) as disk:
        os.chmod(far.base_path, 0o700)
        if system == "btrfs":  # as it is without options, and as a run expects it
            call(["mount", "-o", "remount,commit=30", far.base_path])
        yield disk


def _times(wanted: argparse.Namespace) -> DiskTimes:
    return DiskTimes(wanted.move_ms / 1000, wanted.flush_ms / 1000, wanted.mb_s * 1e6)


def _two_days(
    scene: Scene, disk: SlowDisk, sources: Sources, rows: dict[str, DiskRow], wanted: argparse.Namespace
) -> None:
    work = os.path.join(os.path.dirname(os.path.dirname(sources.first)), "work")
    shutil.rmtree(work, ignore_errors=True)
    home = os.path.join(work, "home")
    shutil.copytree(sources.first, home)
    ours = rows[DAYS[0]].contender == Otherroof.name
    for day, row in rows.items():
        if day == DAYS[1]:
            sources.let_a_day_pass(home)
            disk.take(AT_ONCE)
            subprocess.run(["sync", "-f", scene.far.base_path], check=True, timeout=SETTLED_S)
            disk.take(_times(wanted))
        fresh = sources.first if day == DAYS[0] else sources.fresh
        row.files = sum(1 for _ in files_below(fresh))
        before, machine = disk.counts(), MachineWatch()
        try:
            attempt = _attempt(scene, row, home if ours else fresh, work, wanted)
        except (TimeoutError, subprocess.TimeoutExpired):
            attempt = Attempt(wanted.wait, "", f"not done after {wanted.wait:.0f} s")
        after, busy = disk.counts(), machine.busy_share()
        disk.take(AT_ONCE)
        row.trouble = attempt.trouble or _difference(home, attempt.arrived_at, sources, row)
        disk.take(_times(wanted))
        if row.trouble:
            return
        row.seconds.append(round(attempt.seconds, 3))
        row.moves.append(after.moves - before.moves)
        row.flushes.append(after.flushes - before.flushes)
        row.busy.append(round(busy, 3))
        row.told.append({key: value for key, value in attempt.told.items() if key != "problems"})
        print(f"  {row.system}, {day}, {row.contender}: {attempt.seconds:.1f} s", flush=True)


def _attempt(scene: Scene, row: DiskRow, folder: str, work: str, wanted: argparse.Namespace) -> Attempt:
    if row.contender == Otherroof.name:
        ours = Otherroof(dict(wanted.set), {"guard": {"changed_percent": 100}})
        return (
            ours.again(scene, work, wanted.wait) if row.day == DAYS[1] else ours.copy(scene, folder, work, wanted.wait)
        )
    peer = TarOverSsh(synced=True) if row.contender == TarOverSsh.name else Sftp(synced=True)
    return peer.copy(scene, folder, work, wanted.wait)


def _difference(home: str, arrived_at: str, sources: Sources, row: DiskRow) -> str:
    if row.contender == Otherroof.name:
        return difference(home, arrived_at)
    if row.day == DAYS[0]:
        return difference(sources.first, arrived_at)
    wrong = [
        path
        for path in files_below(sources.fresh)
        if Path(sources.fresh, path).read_bytes() != Path(arrived_at, path).read_bytes()
    ]
    return f"{len(wrong)} files differ" if wrong else ""


def _picture(system: str, rows: Sequence[DiskRow]) -> str:
    heads = ["contender", "day", "files", "s", "files/s", "to tar", "moves", "flushes", ""]
    tar = {row.day: statistics.median(row.seconds) for row in rows if row.contender == TarOverSsh.name and row.seconds}
    return f"\n{system}\n{table_text(heads, [_cells(row, tar.get(row.day, 0.0)) for row in rows])}\n"


def _cells(row: DiskRow, tar: float) -> list[str]:
    head = [row.contender, row.day, str(row.files)]
    if not row.seconds:
        return [*head, *["–"] * 5, row.trouble]
    seconds = statistics.median(row.seconds)
    notes = [f"{min(row.seconds):.1f}–{max(row.seconds):.1f} s"] if len(row.seconds) > 1 else []
    if max(row.busy) > BUSY:
        notes.append(f"processors up to {max(row.busy):.0%} busy")
    return [
        *head,
        f"{seconds:.1f}",
        f"{row.files / seconds:.0f}",
        f"{seconds / tar:.2f}" if tar else "–",
        f"{statistics.median(row.moves):.0f}",
        f"{statistics.median(row.flushes):.0f}",
        "; ".join([*notes, row.trouble]).rstrip("; "),
    ]


def _preface(kind: str, wanted: argparse.Namespace) -> str:
    disk = f"{wanted.move_ms:g} ms a move, {wanted.flush_ms:g} ms a flush, {wanted.mb_s:g} MB/s"
    load = os.getloadavg()[0]
    return (
        f"far disk: {disk}; source and image on: {kind}; cipher {CIPHER}; {os.cpu_count()} processors, load {load:.1f} "
        f"before the start; {wanted.repeat} repetition(s)"
    )


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    add = parser.add_argument
    add("--fs", nargs="+", choices=DISK_SYSTEMS, default=["ext4"])
    add("--files", type=int, default=1000, help="how many small files; try 20000")
    add("--repeat", type=int, default=3)
    add("--json", metavar="FILE", default="")
    add("--contender", nargs="+", choices=EVERYONE, default=list(EVERYONE))
    add("--move-ms", type=float, default=8.0, help="what each move of the head takes")
    add("--flush-ms", type=float, default=8.0, help="what each flush takes")
    add("--mb-s", type=float, default=120.0, help="what passes in a second, MB")
    add("--set", nargs="*", type=setting, default=[], metavar="KEY=VALUE", help="settings for otherroof's far box")
    add("--wait", type=float, default=1800.0, help="give up on one copy after so many seconds")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
