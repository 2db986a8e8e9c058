"""A folder of a million small files: the first copy, and a run with nothing changed, beside `find`.

    python tests/bench/million.py DIR [--folders 1000] [--files 1000] [--json FILE]

DIR is made once (about 40 s for a million) and kept for the next time; it must be new, or made by this program. The
first copy waits until all in it has been left alone for a minute: what changed later is looked at again by the next
run, and that would be measured. The far files, the state and the settings lie beside it, in DIR.far and DIR.work, and
are removed at the end, unless `--keep`. As root or any account, from the project's environment. "Warm" is the median
of three passes after a first.
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
from collections.abc import Sequence
from dataclasses import asdict, dataclass

sys.path.insert(0, os.path.dirname(os.path.dirname(os.path.abspath(__file__))))

from otherroof.copying.compare.plan import YOUNG_NS
from support.bench.contenders import JOB, first_run, otherroof, otherroof_can
from support.bench.measure import Measured, measure
from support.bench.table import table_text
from support.lab import FarSshd, write_settings

MARK = ".made-by-the-benchmark"
OLD_ENOUGH_S = YOUNG_NS / 1e9 + 5
AIM_TO_FIND = 2.5
AIM_PEAK_MIB = 150


@dataclass(frozen=True)
class Result:
    """One pass over the folder."""

    what: str
    seconds: float
    to_find: float
    peak_mib: float
    family_mib: float
    files_seen: int
    trouble: str


def main() -> int:
    """Make the folder if need be, measure, print, and say whether the aims were met."""
    wanted = _arguments()
    folder = os.path.abspath(wanted.folder)
    _make(folder, wanted.folders, wanted.files)
    find_s = _find(folder)
    _let_grow_old(folder)
    results = [Result("find, warm", find_s, 1.0, 0, 0, 0, "")]
    if otherroof_can("run"):
        results += _runs(folder, find_s, wanted)
    else:
        results.append(Result("otherroof run", 0, 0, 0, 0, 0, "not there yet"))
    print(_picture(results))
    if wanted.json:
        with open(wanted.json, "w", encoding="utf-8") as file:
            json.dump({"files": wanted.folders * wanted.files, "results": [asdict(one) for one in results]}, file)
            file.write("\n")
    return _verdict(results[1:], wanted.folders * wanted.files)


def _runs(folder: str, find_s: float, wanted: argparse.Namespace) -> list[Result]:
    work = folder + ".work"
    shutil.rmtree(work, ignore_errors=True)
    try:
        with FarSshd(folder=folder + ".far") as far:
            config = write_settings(os.path.join(work, "config"), far, {JOB: folder})
            argv = otherroof("run", JOB, "--config", config, "--json")
            results = [_result("first copy", measure(argv, wait_s=wanted.wait), find_s)]
            if not results[0].trouble:
                for number in range(wanted.repeat):
                    done = measure(argv, wait_s=wanted.wait)
                    results.append(_result(f"nothing changed, {number + 1}", done, find_s))
            return results
    finally:
        if not wanted.keep:
            shutil.rmtree(work, ignore_errors=True)


def _result(what: str, done: Measured, find_s: float) -> Result:
    told = first_run(done.output)
    return Result(
        what=what,
        seconds=done.seconds,
        to_find=done.seconds / find_s,
        peak_mib=done.peak_bytes / (1 << 20),
        family_mib=done.family_bytes / (1 << 20),
        files_seen=int(told.get("files", {}).get("seen", 0)),
        trouble=f"exit {done.code}: {' '.join(done.errors.split())[-200:]}" if done.code else "",
    )


def _make(folder: str, folders: int, files: int) -> None:
    """`folders` × `files` files of a few different bytes each; nothing where they stand already."""
    mark = os.path.join(folder, MARK)
    if os.path.exists(mark):
        with open(mark, encoding="ascii") as file:
            if file.read().split() == [str(folders), str(files)]:
                return
        raise SystemExit(f"{folder} was made with other numbers; name another folder, or remove it")
    os.makedirs(folder)
    begun = time.monotonic()
    for place in range(folders):
        here = os.path.join(folder, f"drawer-{place:04}")
        os.mkdir(here)
        for number in range(files):
            with open(os.path.join(here, f"slip-{number:04}.txt"), "wb") as out:
                out.write(b"slip %d of drawer %d\n" % (number, place))
    with open(mark, "w", encoding="ascii") as file:
        file.write(f"{folders} {files}\n")
    print(f"{folders * files} files made in {time.monotonic() - begun:.0f} s", flush=True)


def _let_grow_old(folder: str) -> None:
    """Wait until none of its files counts as just changed; the mark is the last of them."""
    left = os.stat(os.path.join(folder, MARK)).st_ctime + OLD_ENOUGH_S - time.time()
    if left > 0:
        print(f"waits {left:.0f} s until the files are old enough", flush=True)
        time.sleep(left)


def _find(folder: str) -> float:
    """Seconds of find(1) over the folder with everything in memory."""
    times = []
    for _ in range(4):
        begun = time.monotonic()
        subprocess.run(
            ["find", folder, "-printf", "%p %s %T@ %i\\n"], stdout=subprocess.DEVNULL, timeout=900, check=True
        )
        times.append(time.monotonic() - begun)
    return statistics.median(times[1:])


def _picture(results: Sequence[Result]) -> str:
    heads = ["pass", "s", "× find", "peak, MiB", "with its children, MiB", "entries seen", ""]
    rows = [
        [
            one.what,
            f"{one.seconds:.1f}",
            f"{one.to_find:.1f}",
            f"{one.peak_mib:.0f}",
            f"{one.family_mib:.0f}",
            str(one.files_seen),
            one.trouble,
        ]
        for one in results
    ]
    return table_text(heads, rows)


def _verdict(runs: Sequence[Result], files: int) -> int:
    if not runs or any(one.trouble for one in runs):
        print("no verdict: not every pass was made")
        return 1
    slowest = statistics.median([one.to_find for one in runs[1:]])
    fattest = max(one.family_mib for one in runs)
    seen = all(one.files_seen >= files for one in runs)
    good = slowest <= AIM_TO_FIND and fattest <= AIM_PEAK_MIB and seen
    print(
        f"nothing changed: {slowest:.1f} × find (aim {AIM_TO_FIND}); peak {fattest:.0f} MiB (aim {AIM_PEAK_MIB}); "
        f"every file seen: {'yes' if seen else 'NO'}; aims met: {'yes' if good else 'NO'}"
    )
    return 0 if good else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    add = parser.add_argument
    add("folder", metavar="DIR")
    add("--folders", type=int, default=1000)
    add("--files", type=int, default=1000)
    add("--repeat", type=int, default=3, help="how many runs with nothing changed")
    add("--json", metavar="FILE", default="")
    add("--keep", action="store_true", help="keep settings and state for a look")
    add("--wait", type=float, default=3600.0, help="give up on one run after so many seconds")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
