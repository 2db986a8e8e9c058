"""How much of a large file crosses the wire when a little of it changed.

    python tests/bench/delta.py [--mib 1024] [--json FILE]

As root, from the project's environment. A random file is copied to a loopback sshd that offers `copy-data`; then 1 %
of it is changed, in few large, more smaller, or many small scattered places, and 7 bytes are inserted near its start.
What crosses is counted by the kernel's packet filter, headers included. After each run the far copy is compared byte
for byte.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

from support.bench.contenders import JOB, first_run, otherroof, otherroof_can
from support.bench.data import PIECE, bench_root, difference, make_large_file
from support.bench.measure import measure
from support.bench.scene import Scene, loopback_scene
from support.bench.table import table_text
from support.bench.wire import WireCount
from support.lab import Estate, lab_lacks, write_settings

AIM = 0.05
CHANGED = 0.01
INSERTED = b"seven.."
INSERT_AT = 1000
# For 1 GiB: 1 % of it in pieces of these sizes.
PIECES = (64 << 10, 16 << 10, 4 << 10)


@dataclass(frozen=True)
class Result:
    """One run after one kind of change."""

    change: str
    places: int
    seconds: float
    up_bytes: int
    down_bytes: int
    share_up: float
    told_wire_up: int
    told_sent: int
    peak_mib: float
    trouble: str


def main() -> int:
    """Copy, change, copy again, print, and say whether the aim was met."""
    wanted = _arguments()
    lack = lab_lacks() or ("" if otherroof_can("run") else "otherroof has no verb `run` yet")
    if lack:
        sys.stderr.write(f"delta.py: {lack}\n")
        return 2
    size = wanted.mib << 20
    with Estate() as estate:
        root, disk = bench_root(4 * size)
        estate.note("folder", path=root)
        source = os.path.join(root, "source")
        make_large_file(source, size)
        print(f"a random file of {wanted.mib} MiB, on: {disk}; {os.cpu_count()} processors", flush=True)
        with loopback_scene(os.path.join(root, "far")) as scene:
            scene.use_congestion("stock")
            config = write_settings(os.path.join(root, "config"), scene.far, {JOB: source})
            results = [_run(scene, config, source, "first copy", lambda path: 0)]
            for piece in PIECES:
                places = max(1, int(size * CHANGED / piece))
                change = _changer(places, piece)
                results.append(_run(scene, config, source, f"1 % in pieces of {piece >> 10} KiB, 7 inserted", change))
            results.append(_run(scene, config, source, "7 bytes inserted", _insert))
            results.append(_run(scene, config, source, "nothing", lambda path: 0))
    print(_picture(results))
    if wanted.json:
        with open(wanted.json, "w", encoding="utf-8") as file:
            json.dump({"disk": disk, "mib": wanted.mib, "results": [asdict(one) for one in results]}, file, indent=2)
            file.write("\n")
    good = all(not one.trouble for one in results) and all(one.share_up < AIM for one in results[1:])
    print(f"under {AIM:.0%} of the file for each change, every copy right: {'yes' if good else 'NO'}")
    return 0 if good else 1


def _run(scene: Scene, config: str, source: str, name: str, change: Callable[[str], int]) -> Result:
    path = os.path.join(source, "large.bin")
    places = change(path)
    count = WireCount(scene.home, scene.far.port)
    done = measure(scene.home.argv(otherroof("run", JOB, "--config", config, "--json")), wait_s=900)
    crossed = count.crossed()
    told = first_run(done.output).get("bytes", {})
    trouble = f"exit {done.code}: {done.errors.strip().splitlines()[-1:]}" if done.code else ""
    return Result(
        change=name,
        places=places,
        seconds=done.seconds,
        up_bytes=crossed.up,
        down_bytes=crossed.down,
        share_up=crossed.up / os.path.getsize(path),
        told_wire_up=int(told.get("wire_up", 0)),
        told_sent=int(told.get("sent", 0)),
        peak_mib=done.family_bytes / (1 << 20),
        trouble=trouble or difference(source, os.path.join(scene.far.base_path, JOB, "latest")),
    )


def _changer(places: int, piece: int) -> Callable[[str], int]:
    def change(path: str) -> int:
        dice = random.Random(places)
        size = os.path.getsize(path)
        # One place in each equal stretch of the file, somewhere within it: scattered, and never one over another.
        stretch = size // places
        with open(path, "r+b") as file:
            for number in range(places):
                file.seek(number * stretch + dice.randrange(max(1, stretch - piece)))
                file.write(os.urandom(piece))
        _insert(path)
        return places

    return change


def _insert(path: str) -> int:
    """Insert a few bytes near the start, as an editor does: a new file in place of the old one."""
    with open(path, "rb") as old, open(path + ".new", "wb") as new:
        new.write(old.read(INSERT_AT) + INSERTED)
        while piece := old.read(PIECE):
            new.write(piece)
    os.replace(path + ".new", path)
    return 1


def _picture(results: Sequence[Result]) -> str:
    heads = ["change", "places", "s", "up, MB", "down, MB", "share up", "told up, MB", "sent, MB", "peak, MiB", ""]
    rows = [
        [
            one.change,
            str(one.places),
            f"{one.seconds:.1f}",
            f"{one.up_bytes / 1e6:.2f}",
            f"{one.down_bytes / 1e6:.2f}",
            f"{one.share_up:.2%}",
            f"{one.told_wire_up / 1e6:.2f}",
            f"{one.told_sent / 1e6:.2f}",
            f"{one.peak_mib:.0f}",
            one.trouble,
        ]
        for one in results
    ]
    return table_text(heads, rows)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mib", type=int, default=1024)
    parser.add_argument("--json", metavar="FILE", default="")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
