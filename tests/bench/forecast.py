"""Forecasts beside what the emulated line then really takes: first copy, a usual night, a restore.

    python tests/bench/forecast.py [--line A|B|all] [--work large small mixed] [--repeat N] [--json FILE]

As root, from the project's environment. For each line and kind of work `otherroof plan` is asked twice before anything
is copied: by the line's nominal figures, and after `plan --line` has measured it. Then the copy is made; a part of it
changes, more is new, and a night's run follows; then all of it is restored, by a forecast made just before. Seconds are
those that the verbs themselves tell. A forecast holds if it is within 10 % of that; `range` says whether what it took
lies in the range that was told. A fast line wants more than the 10 MB of `--line`, so it is measured for about four
seconds.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

from support.bench.contenders import JOB, Otherroof, otherroof
from support.bench.data import bench_root, difference, files_below, make_large_file, make_small_files, size_of
from support.bench.measure import MachineWatch
from support.bench.scene import LINE_WORDS, LINES, PACKET, PAYLOAD, Scene, line_scene
from support.bench.table import table_text
from support.lab import Estate, lab_lacks, write_settings

HOLDS = 0.1
BUSY = 0.9  # of the processors: beyond that the emulated line itself comes too late, and the figure tells nothing
# One file of so many changes until the night, and of a large one as great a part: more would be held by the guard, as
# random bytes look encrypted.
CHANGED = 12
# And so many files to one that is new; of large ones a new one is such a part.
NEW = 5
WAIT_S = 900.0


@dataclass(frozen=True)
class Held:
    """One forecast beside what it took, in seconds."""

    line: str
    work: str
    what: str
    by: str
    told: float
    low: float
    high: float
    took: float
    busy: float

    @property
    def off(self) -> float:
        return self.told / self.took - 1

    @property
    def in_range(self) -> bool:
        return self.low <= self.took <= self.high


def main() -> int:
    """Measure what was asked for, print it, and write it down."""
    wanted = _arguments()
    lack = lab_lacks()
    if lack:
        sys.stderr.write(f"forecast.py: {lack}\n")
        return 2
    found: list[Held] = []
    with Estate() as estate:
        root, disk = bench_root(2 << 30)
        estate.note("folder", path=root)
        print(f"files on: {disk}; load {os.getloadavg()[0]:.1f} before the start", flush=True)
        for name in list(LINES) if wanted.line == "all" else [wanted.line]:
            with line_scene(name, os.path.join(root, "far")) as scene:
                scene.use_congestion(wanted.congestion)
                for work in wanted.work:
                    folder = make_work(os.path.join(root, "source", f"{name}-{work}"), work, name, wanted.seconds)
                    for turn in range(wanted.repeat):
                        found += measure_work(scene, work, folder, root, turn)
            print(_picture(found, name), flush=True)
    if wanted.json:
        with open(wanted.json, "w", encoding="utf-8") as file:
            json.dump([asdict(one) | {"off": one.off, "in_range": one.in_range} for one in found], file, indent=2)
    clear = [one for one in found if one.busy <= BUSY]
    return 0 if clear and all(abs(one.off) <= HOLDS for one in clear) else 1


def make_work(folder: str, work: str, line: str, seconds: float) -> str:
    """A folder that takes about so many seconds over the line: one large file, small ones, or both by halves."""
    size = int(LINES[line].rate_mbit * 1e6 / 8 * PAYLOAD / PACKET * seconds)
    if work == "large":
        make_large_file(folder, size)
    elif work == "small":
        make_small_files(folder, min(size // 9_000, 20_000))
    else:
        make_small_files(folder, min(size // 2 // 9_000, 2_000))
        for number in range(4):
            make_large_file(os.path.join(folder, f"film-{number}"), size // 8)
    return folder


def measure_work(scene: Scene, work: str, folder: str, root: str, turn: int) -> Iterator[Held]:
    """Forecasts first, then what they were about."""
    files, size = size_of(folder)
    scene.fresh(seed=turn + 1)
    place = os.path.join(root, "work")
    shutil.rmtree(place, ignore_errors=True)
    config = os.path.join(place, "config")
    write_settings(config, scene.far, {JOB: {"folder": folder}})
    nominal = ["--up", f"{scene.rate_mbit:g}", "--round-trip", f"{2 * LINES[scene.name].delay_ms:g}"]
    nominal += ["--loss", f"{LINES[scene.name].loss * 100:g}"]
    figures = {"nominal": _plan(scene, config, nominal), "measured": _plan(scene, config, _measuring(scene))}

    def held(what: str, key: str, took: float, busy: float, plans: Mapping[str, Any]) -> Iterator[Held]:
        for by, plan in plans.items():
            one = plan[key]
            yield Held(scene.name, work, what, by, one["likely"], one["low"], one["high"], took, busy)

    machine = MachineWatch()
    first = Otherroof().again(scene, place, WAIT_S)
    wrong = first.trouble or difference(folder, first.arrived_at)
    if wrong:
        raise SystemExit(f"{scene.name}, {work}: the copy is not whole: {wrong}")
    took = float(first.told["seconds"]["total"])
    yield from held("first copy", "first_copy.sending", took, machine.busy_share(), figures)
    _change(folder, turn)
    machine = MachineWatch()
    second = Otherroof().again(scene, place, WAIT_S)
    if second.trouble:
        raise SystemExit(f"{scene.name}, {work}: the night did not count: {second.trouble}")
    night = second.told
    sent, changed = night["bytes"]["sent"], night["files"]["changed"] + night["files"]["new"]
    said = ["--daily", f"{sent / 1e6:.6f}MB", "--size", f"{sent / changed * files / 1e6:.6f}MB", "--files", str(files)]
    print(f"  {scene.name}, {work}: the night's {changed} files, {sent / 1e6:.1f} MB: {night['seconds']}", flush=True)
    later = {"nominal": _plan(scene, config, nominal + said), "measured": _plan(scene, config, said)}
    yield from held("usual night", "night.seconds", night["seconds"]["total"], machine.busy_share(), later)
    figures = {"nominal": _plan(scene, config, nominal), "measured": _plan(scene, config, [])}
    machine = MachineWatch()
    back = _restore(scene, config, os.path.join(root, "back"), folder)
    yield from held("restore", "back.whole", back, machine.busy_share(), figures)
    print(f"  {scene.name}, {work}: {size / 1e6:.0f} MB in {files} files, turn {turn + 1} done", flush=True)


def _measuring(scene: Scene) -> list[str]:
    """As long as four seconds at the line's rate, and 10 MB at least."""
    return ["--line", "--line-mb", f"{max(10.0, scene.rate_mbit / 8 * 4):g}"]


def _plan(scene: Scene, config: str, more: Sequence[str]) -> dict[str, Any]:
    """The figures of `otherroof plan` for the bench's job."""
    argv = scene.home.argv(otherroof("plan", JOB, "--config", config, "--json", *more))
    done = subprocess.run(argv, capture_output=True, text=True, timeout=WAIT_S, check=False)
    if done.returncode:
        raise SystemExit(f"plan: {done.stderr}")
    for line in done.stderr.splitlines():
        print(f"    {line}")
    figures: dict[str, Any] = json.loads(done.stdout)["plans"][0]["figures"]
    return figures


def _restore(scene: Scene, config: str, into: str, folder: str) -> float:
    shutil.rmtree(into, ignore_errors=True)
    argv = scene.home.argv(otherroof("restore", JOB, "--into", into, "--config", config, "--json"))
    done = subprocess.run(argv, capture_output=True, text=True, timeout=WAIT_S, check=False)
    wrong = done.stderr if done.returncode else difference(folder, into)
    shutil.rmtree(into, ignore_errors=True)
    if wrong:
        raise SystemExit(f"restore: {wrong}")
    return float(json.loads(done.stdout)["seconds"])


def _change(folder: str, turn: int) -> None:
    """Some files change: small ones wholly, large ones in a part. Others are new."""
    paths = sorted(files_below(folder))
    small = [path for path in paths if os.path.getsize(os.path.join(folder, path)) <= 1 << 20]
    large = sum(os.path.getsize(os.path.join(folder, path)) for path in paths if path not in set(small))
    if small:
        make_small_files(os.path.join(folder, f"new-{turn}"), len(small) // NEW)
    if large:
        make_large_file(os.path.join(folder, f"new-film-{turn}"), large // NEW)
    for path in random.Random(turn).sample(paths, max(1, len(paths) // CHANGED)):
        whole = os.path.join(folder, path)
        size = os.path.getsize(whole)
        large = size > 1 << 20
        with open(whole, "r+b") as file:
            file.seek(size // 2 if large else 0)
            file.write(os.urandom(size // CHANGED if large else size))


def _picture(found: Sequence[Held], line: str) -> str:
    heads = ["work", "what", "by", "told s", "range s", "took s", "off", "within 10 %", "in range", "busy"]
    rows = [
        [
            one.work,
            one.what,
            one.by,
            f"{one.told:.1f}",
            f"{one.low:.1f}–{one.high:.1f}",
            f"{one.took:.1f}",
            f"{one.off:+.1%}",
            "yes" if abs(one.off) <= HOLDS else "NO",
            "yes" if one.in_range else "NO",
            f"{one.busy:.0%}" + (": tells nothing" if one.busy > BUSY else ""),
        ]
        for one in found
        if one.line == line
    ]
    return f"\n{line}: {LINE_WORDS[line]}\n{table_text(heads, rows)}\n"


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    add = parser.add_argument
    add("--line", choices=[*LINES, "all"], default="all")
    add("--work", nargs="+", choices=["large", "small", "mixed"], default=["large", "small", "mixed"])
    add("--repeat", type=int, default=1)
    add("--seconds", type=float, default=40.0, help="about how long a first copy takes at the line's possible rate")
    add("--congestion", choices=["stock", "cubic", "bbr"], default="stock")
    add("--json", metavar="FILE", default="")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
