"""Lets a far box lie at random to runs, restores and lists of versions, and looks that no harm comes of it.

    python tests/support/hostile_fuzz.py --answers 100000 --seed 1

In a process of its own, so that the memory it needed at most can be told. It prints one JSON object: answers given,
deeds, how they ended, processor seconds, the slowest deed, peak memory in MiB, and everything that was not as it must
be: an error of another kind than ours or of more than one line, a file outside the folder that was restored into, a
file in it that no version holds.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from otherroof.base.errors import OtherroofError
from otherroof.jobs.restore import list_versions
from support.hostile_server import Answer, Lies, TrueServer, every_connection_to
from support.main_job import JOB, OneJob, level_way, stand_in_door

OFTEN = (5, 20, 60, 200)  # of a thousand answers that are twisted, one of these in each deed
LARGE = 1_300_000  # bytes of the one file that is streamed


@dataclass
class Fuzz:
    """The household, what it looked like when all was well, and what was seen since."""

    where: Path
    dice: random.Random
    answers: int = 0
    ended: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    slowest: float = 0.0

    def make(self, stack: ExitStack) -> None:
        """Two true versions at a far box that tells the truth."""
        inside = self.where / "up" / "here"
        inside.mkdir(parents=True)
        stack.enter_context(level_way())
        with stand_in_door(inside) as door:
            self.job = OneJob(inside, door, far_more={"tries": 1})
            content = {
                b"a": b"first a",
                b"b/c": b"first c",
                b"b/d": b"d stays",
                b"big": random.Random(4).randbytes(LARGE),
            }
            for name, data in content.items():
                self.job.put(name, data)
            self.job.path("link").symlink_to("a")
            self.job.path("twin").hardlink_to(self.job.path("b/d"))
            self.job.done()
            self.job.put("a", b"second a")
            self.job.path("b/c").unlink()
            self.job.done()
        self.held = {hashlib.sha256(data).digest() for data in (*content.values(), b"second a")}
        self.runs = sorted(self.job.trees)
        self.lying = [self.where / "up" / "here" / "far-box", self.job.state, self.job.folder]
        for number, folder in enumerate(self.lying):
            shutil.copytree(folder, self.where / "kept" / str(number), symlinks=True)
        self.outside = self.everything_outside()

    def put_back(self) -> None:
        """Far box, state and home folder as they were."""
        for number, folder in enumerate(self.lying):
            shutil.rmtree(folder)
            shutil.copytree(self.where / "kept" / str(number), folder, symlinks=True)

    def everything_outside(self) -> list[str]:
        """Every path but those that a run or restore may change."""
        inside = (*map(str, self.lying), str(self.where / "kept"), str(self.where / "up" / "here" / "restored"))
        found = []
        for top, folders, files in os.walk(self.where):
            folders[:] = [name for name in folders if os.path.join(top, name) not in inside]
            found += [os.path.join(top, name) for name in (*folders, *files)]
        return sorted(found)

    def deed(self, seed: int) -> None:
        """One run, restore or list, with lies that this seed decides."""
        dice = random.Random(seed)
        servers: list[TrueServer] = []
        lies: list[Lies] = []

        def answer_for() -> Answer:
            servers.append(TrueServer(str(self.lying[0])))
            lies.append(Lies(seed + len(lies), OFTEN[seed % len(OFTEN)], servers[-1].answer))
            return lies[-1].answer

        chosen = dice.choice((self.restore_first, self.restore_newest, self.list, self.run))
        begun = time.monotonic()
        with every_connection_to(answer_for):
            self.tell(f"seed {seed} {chosen.__name__}", chosen)
        self.slowest = max(self.slowest, time.monotonic() - begun)
        self.answers += sum(lie.answers for lie in lies)
        for server in servers:
            server.close()
        self.look(f"seed {seed} {chosen.__name__}")
        if chosen == self.run:
            self.put_back()

    def tell(self, name: str, chosen: Callable[[], str]) -> None:
        """Do it and note how it ended."""
        try:
            how = chosen()
        except OtherroofError as error:
            how = type(error).__name__
            if "\n" in str(error) or not str(error).isprintable() or len(str(error)) > 3000:
                self.wrong.append(f"{name}: the error is not one printable line: {error!r}")
        except BaseException as error:  # noqa: BLE001 - whatever it is, it is what this looks for
            how = "crash"
            self.wrong.append(f"{name}: {''.join(traceback.format_exception(error))[-1500:]}")
        self.ended[f"{name.rsplit(maxsplit=1)[-1]}: {how}"] += 1

    def restore(self, run: str) -> str:
        found, _ = self.job.restore(run)
        for problem in (*found.damaged, *found.problems):
            if not (problem.path + problem.why).isprintable():
                self.wrong.append(f"a problem that is not printable: {problem!r}")
        return "damage told" if found.damaged else "problems told" if found.problems else "well"

    def restore_first(self) -> str:
        return self.restore(self.runs[0])

    def restore_newest(self) -> str:
        return self.restore(self.runs[1])

    def list(self) -> str:
        listed = list_versions(self.job.settings, JOB)
        if any(not version.flaw.isprintable() for version in listed):
            self.wrong.append("a flaw that is not printable")
        return "flaws told" if any(version.flaw for version in listed) else "well"

    def run(self) -> str:
        self.job.put("a", b"third a")
        ran = self.job.run()
        self.job.trees = dict.fromkeys(self.runs, self.job.trees[self.runs[0]])
        return "well" if ran.error is None else type(ran.error).__name__

    def look(self, name: str) -> None:
        """What came back is what a version held; nothing else changed."""
        for top, _, files in os.walk(self.where / "up" / "here" / "restored"):
            for file in files:
                path = Path(top) / file
                if path.is_symlink():
                    continue
                if hashlib.sha256(path.read_bytes()).digest() not in self.held:
                    self.wrong.append(f"{name}: {path} holds what no version held")
        shutil.rmtree(self.where / "up" / "here" / "restored", ignore_errors=True)
        now = self.everything_outside()
        if now != self.outside:
            self.wrong.append(f"{name}: outside changed: {sorted(set(now) ^ set(self.outside))[:5]}")
            self.outside = now


def fuzz(answers: int, seed: int) -> dict[str, object]:
    """Until so many answers were given."""
    with ExitStack() as stack:
        where = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="hostile-")))
        made = Fuzz(where, random.Random(seed))
        made.make(stack)
        begun, deeds = time.process_time(), 0
        while made.answers < answers and len(made.wrong) < 20:
            deeds += 1
            made.deed(seed * 1_000_000 + deeds)
        return {
            "answers": made.answers,
            "deeds": deeds,
            "ended": dict(sorted(made.ended.items())),
            "wrong": made.wrong,
            "slowest_s": round(made.slowest, 2),
            "processor_s": round(time.process_time() - begun, 1),
            "peak_mib": round(_peak_kib() / 1024, 1),
        }


def _peak_kib() -> int:
    """The largest resident set. Not getrusage's, which begins with that of the process it was started from."""
    text = Path("/proc/self/status").read_text(encoding="ascii")
    return int(text.partition("VmHWM:")[2].split()[0])


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--answers", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    result = fuzz(given.answers, given.seed)
    print(json.dumps(result, indent=2))
    raise SystemExit(1 if result["wrong"] else 0)
