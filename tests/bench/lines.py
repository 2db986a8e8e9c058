"""Copies side by side over emulated lines and over loopback, in one run, and says who was how fast.

    python tests/bench/lines.py [--line A|B|loopback|all] [--repeat N] [--json FILE]

As root, from the project's environment. For each line, congestion control and kind of work, every contender copies
the same data into an empty base; the order turns with each repetition, and all of one repetition meet the same
losses. What arrived is compared byte for byte; a copy that is not whole has no figure. Figures are medians. Each line's
table is printed, and the file written, as soon as that line is done; with the defaults all of it takes over an hour.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass, field, replace
from typing import Any

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

from support.bench.contenders import Attempt, Otherroof, Sftp, TarOverSsh, setting
from support.bench.data import bench_root, difference, files_below, make_large_file, make_small_files, size_of
from support.bench.measure import MachineWatch
from support.bench.scene import (
    CIPHER,
    CONGESTION,
    LINE_WORDS,
    LINES,
    PACKET,
    PAYLOAD,
    Scene,
    line_scene,
    loopback_scene,
)
from support.bench.table import table_text
from support.lab import Estate, lab_lacks

LOOPBACK_LARGE = 1 << 30
BUSY = 0.9
LATE = 0.02
PEERS = (Sftp.name, TarOverSsh.name)


@dataclass(frozen=True)
class Work:
    """One kind of work: a folder to copy, and a smaller one of the same kind for a contender that needs ages for it."""

    name: str
    folder: str
    sample: str


@dataclass
class Row:
    """One contender at one work on one line: every repetition's seconds, and what the median comes to."""

    line: str
    congestion: str
    work: str
    contender: str
    files: int
    bytes: int
    of_files: int
    seconds: list[float] = field(default_factory=list)
    trouble: str = ""
    busy: list[float] = field(default_factory=list)
    late: list[float] = field(default_factory=list)
    told: list[Any] = field(default_factory=list)
    mbit: float = 0.0
    share_of_line: float | None = None
    share_of_possible: float | None = None
    to_better_peer: float | None = None


def main() -> int:
    """Measure what was asked for, print it, and write it down."""
    wanted = _arguments()
    lack = lab_lacks()
    if lack:
        sys.stderr.write(f"lines.py: {lack}\n")
        return 2
    names = [*LINES, "loopback"] if wanted.line == "all" else [wanted.line]
    rows: list[Row] = []
    with Estate() as estate:
        root, disk = bench_root(3 * LOOPBACK_LARGE)
        estate.note("folder", path=root)
        print(_preface(disk, wanted), flush=True)
        for name in names:
            fresh = _measure_line(name, root, wanted)
            shutil.rmtree(root, ignore_errors=True)
            _compare(fresh)
            print(_picture(fresh), flush=True)
            rows += fresh
            if wanted.json:
                _write_json(wanted.json, disk, rows)
    print(LEGEND)
    return 0


def _measure_line(name: str, root: str, wanted: argparse.Namespace) -> list[Row]:
    works = list(_works(name, root, wanted))
    far = os.path.join(root, "far")
    made: AbstractContextManager[Scene] = loopback_scene(far) if name == "loopback" else line_scene(name, far)
    rows = []
    with made as scene:
        for congestion in wanted.congestion:
            scene.use_congestion(congestion)
            for work in works:
                rows += _measure_work(scene, congestion, work, wanted)
    return rows


def _works(name: str, root: str, wanted: argparse.Namespace) -> Iterator[Work]:
    """The folders to copy, made now. A large file takes about `--seconds` at the line's possible rate."""
    if "large" in wanted.work:
        folder = os.path.join(root, "source", "large")
        if name == "loopback":
            size = min(LOOPBACK_LARGE, int(wanted.loopback_mib) << 20)
        else:
            size = int(LINES[name].rate_mbit * 1e6 / 8 * PAYLOAD / PACKET * wanted.seconds)
        make_large_file(folder, size)
        yield Work("one large file", folder, folder)
    if "small" in wanted.work:
        folder, sample = (os.path.join(root, "source", kind) for kind in ("small", "sample"))
        make_small_files(folder, wanted.files)
        fewer = wanted.files if name == "loopback" else min(wanted.files, wanted.sftp_files)
        for path in list(files_below(folder))[:fewer]:
            os.makedirs(os.path.dirname(os.path.join(sample, path)), exist_ok=True)
            shutil.copyfile(os.path.join(folder, path), os.path.join(sample, path))
        yield Work(f"{wanted.files} files of 2 to 16 KiB", folder, sample)


def _measure_work(scene: Scene, congestion: str, work: Work, wanted: argparse.Namespace) -> list[Row]:
    contenders = [one for one in (Sftp(), TarOverSsh(), Otherroof(dict(wanted.set))) if one.name in wanted.contender]
    whole = size_of(work.folder)[0]
    rows = {}
    for one in contenders:
        files, size = size_of(work.sample if one.name == Sftp.name else work.folder)
        rows[one.name] = Row(scene.name, congestion, work.name, one.name, files, size, whole)
    for turn in range(wanted.repeat):
        shift = turn % len(contenders)
        for one in contenders[shift:] + contenders[:shift]:
            folder = work.sample if one.name == Sftp.name else work.folder
            _one_attempt(scene, one, folder, rows[one.name], turn, wanted.wait)
            print("  " + _progress(rows[one.name]), flush=True)
    return list(rows.values())


def _one_attempt(
    scene: Scene, contender: Sftp | TarOverSsh | Otherroof, folder: str, row: Row, turn: int, wait_s: float
) -> None:
    scene.fresh(seed=turn + 1)
    work = os.path.join(os.path.dirname(os.path.dirname(folder)), "work")
    os.makedirs(work, exist_ok=True)
    machine = MachineWatch()
    try:
        attempt = contender.copy(scene, folder, work, wait_s)
    except (TimeoutError, subprocess.TimeoutExpired):
        attempt = Attempt(wait_s, "", f"not done after {wait_s:.0f} s")
    busy, late = machine.busy_share(), scene.late_share()
    trouble = attempt.trouble or difference(folder, attempt.arrived_at)
    if trouble:
        row.trouble = trouble
        return
    row.seconds.append(attempt.seconds)
    if attempt.told:
        row.told.append({key: value for key, value in attempt.told.items() if key != "problems"})
    row.busy.append(round(busy, 3))
    row.late.append(round(late, 4))


def _compare(rows: Sequence[Row]) -> None:
    """Fill in what the medians come to, and the ratio to the faster of the two peers."""
    for row in rows:
        if row.seconds:
            row.mbit = row.bytes * 8e-6 / statistics.median(row.seconds)
            if row.line in LINES:
                rate = LINES[row.line].rate_mbit
                row.share_of_line = row.mbit / rate
                row.share_of_possible = row.mbit / (rate * PAYLOAD / PACKET)
    for row in rows:
        beside = [other.mbit for other in rows if _same_race(row, other) and other.contender in PEERS and other.mbit]
        if row.mbit and beside:
            row.to_better_peer = row.mbit / max(beside)


def _same_race(one: Row, other: Row) -> bool:
    return (one.line, one.congestion, one.work) == (other.line, other.congestion, other.work)


def _picture(rows: Sequence[Row]) -> str:
    parts = []
    for line in dict.fromkeys(row.line for row in rows):
        heads = ["contender", "work", "tcp", "files", "s", "MB/s", "Mbit/s", "files/s", "line", "possible", "peer", ""]
        table = [_cells(row) for row in rows if row.line == line]
        parts.append(f"\n{line}: {LINE_WORDS[line]}\n{table_text(heads, table)}")
    return "\n".join(parts) + "\n"


LEGEND = f"""\
s: median wall time from process start to end. line, possible: payload as a share of the nominal line, and of the
{PAYLOAD}/{PACKET} of it that TCP payload can have through the tunnel. peer: ratio to the faster of the two peers.
tcp: cubic, bbr: for everyone, and locked; stock: cubic unless a program chooses another itself."""


def _cells(row: Row) -> list[str]:
    files = f"{row.files}" if row.files == row.of_files else f"{row.files} of {row.of_files}"
    head = [row.contender, row.work, row.congestion, files]
    if not row.seconds:
        return [*head, *["–"] * 7, row.trouble]
    seconds = statistics.median(row.seconds)
    spread = f"{min(row.seconds):.1f}–{max(row.seconds):.1f} s" if len(row.seconds) > 1 else ""
    notes = "; ".join(filter(None, [spread, _around(row), *_clouds(row), row.trouble]))
    return [
        *head,
        f"{seconds:.1f}",
        f"{row.mbit / 8:.1f}",
        f"{row.mbit:.1f}",
        f"{row.files / seconds:.0f}",
        _share(row.share_of_line),
        _share(row.share_of_possible),
        f"{row.to_better_peer:.2f}" if row.to_better_peer else "–",
        notes,
    ]


def _around(row: Row) -> str:
    """How much of Otherroof's time was not the copy itself: start, reachability, connecting, end."""
    copying = [float(told["seconds"]["total"]) for told in row.told if "seconds" in told]
    if not copying:
        return ""
    return f"{statistics.median(row.seconds) - statistics.median(copying):.1f} s around the copy itself"


def _clouds(row: Row) -> Iterator[str]:
    """What speaks against the figure: a machine that had no time left, a line that was late."""
    if max(row.busy) > BUSY:
        yield f"processors up to {max(row.busy):.0%} busy"
    if max(row.late) > LATE:
        yield f"up to {max(row.late):.0%} of packets late on the line"


def _share(value: float | None) -> str:
    return "–" if value is None else f"{value:.1%}"


def _progress(row: Row) -> str:
    last = f"{row.seconds[-1]:.1f} s" if row.seconds else "no figure"
    return f"{row.line}, {row.congestion}, {row.work}, {row.contender}: {last} {row.trouble}".rstrip()


def _preface(disk: str, wanted: argparse.Namespace) -> str:
    load = os.getloadavg()[0]
    return (
        f"source and far files on: {disk}; cipher {CIPHER}; {os.cpu_count()} processors, load {load:.1f} before the "
        f"start; {wanted.repeat} repetition(s); a first copy into an empty base each time"
    )


def _write_json(path: str, disk: str, rows: Sequence[Row]) -> None:
    document = {
        "disk": disk,
        "cipher": CIPHER,
        "processors": os.cpu_count(),
        "kernel": os.uname().release,
        "rows": [asdict(replace(row, seconds=[round(one, 3) for one in row.seconds])) for row in rows],
    }
    with open(path, "w", encoding="utf-8") as file:
        json.dump(document, file, indent=2)
        file.write("\n")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    add = parser.add_argument
    add("--line", choices=[*LINES, "loopback", "all"], default="all")
    add("--repeat", type=int, default=3)
    add("--json", metavar="FILE", default="")
    add("--congestion", nargs="+", choices=list(CONGESTION), default=["cubic", "bbr"])
    add("--work", nargs="+", choices=["large", "small"], default=["large", "small"])
    everyone = [Sftp.name, TarOverSsh.name, Otherroof.name]
    add("--contender", nargs="+", choices=everyone, default=everyone)
    add("--seconds", type=float, default=40.0, help="a large file takes about so long at the line's possible rate")
    add("--files", type=int, default=5000, help="how many small files")
    add("--sftp-files", type=int, default=400, help="sftp sends only so many of them over a line, at 8 to 15 a second")
    add("--loopback-mib", type=int, default=1024)
    add("--set", nargs="*", type=setting, default=[], metavar="KEY=VALUE", help="settings for otherroof's far box")
    add("--wait", type=float, default=1800.0, help="give up on one copy after so many seconds")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
