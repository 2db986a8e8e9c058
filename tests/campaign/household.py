"""One household of a campaign: its folder, its far box, what is known of every version, and what must always hold.

It plays no faults itself (`nights`); it carries out runs and restores through the product, and compares what comes back
with a model of its own (`truth`).
"""

from __future__ import annotations

import os
import random
import stat
import subprocess
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from campaign.deeds import HouseholdDays
from campaign.far_end import FarEnd
from campaign.home_end import RunEnd, Runs
from campaign.truth import TOP, Contents, Things, Truth, differences, read_things, walk
from otherroof.base.errors import HomeTrouble
from otherroof.far_copy.entry import path_text
from otherroof.jobs.restore import RestoreRequest, restore
from otherroof.restore.selection import RestoreReport
from support.faulty_box import Offers
from support.main_job import JOB, OneJob, StandInDoor, level_way, stand_in_door

BOXES = (
    Offers(),
    Offers(),
    Offers(hardlink=False),
    Offers(copy_data=False),
    Offers(hardlink=False, copy_data=False),
    Offers(fsync=False),
    Offers.none(),
)
LIMIT = 40  # percent: the guard's, for files that go and files that change
MAY_HOLD = 8  # percent: with fewer changes than this there is no reason to hold a run
SETTLING = 5  # well runs after which everything must be as if nothing had been
HOUR_S = 3600.0
TRIAL = b"copies/.otherroof-probe-"  # a trial file, whose removal may have been refused


class CampaignFault(AssertionError):
    """Something that must hold does not."""


@dataclass
class Household:
    """A household's one job, with everything that a campaign knows of it.

    `versions` are the runs that count. `disturbed` says what has happened since the last run that found nothing to say;
    `damaged` that it befell home's own files, `damage_to_be_met` how many of them a run may still find so. `known`: the
    newest run that home's history is sure to know as counted.
    """

    job: OneJob
    door: StandInDoor
    far_end: FarEnd
    runs: Runs
    contents: Contents
    dice: random.Random
    days: HouseholdDays
    shift_s: float
    figures: Counter[str]
    versions: dict[str, Truth] = field(default_factory=dict)
    ever: dict[bytes, set[tuple[str, str, bytes]]] = field(default_factory=dict)
    disturbed: str = ""
    damaged: bool = False
    damage_to_be_met: int = 0
    known: str = ""
    log: list[str] = field(default_factory=list)
    restores: int = 0
    outside: dict[bytes, tuple[int, int]] = field(default_factory=dict)

    # -- home --

    def look_home(self) -> Things:
        """What the folder holds now; remembered as something that may come back."""
        return self.look_home_of(self.job.folder)

    def look_home_of(self, folder: Path) -> Things:
        """The same of another server's folder."""
        things = read_things(folder, self.contents)
        for path, thing in things.items():
            self.ever.setdefault(path, set()).add(thing.essence)
        return things

    def disturb(self, what: str, *, damaged: bool = False) -> None:
        """Note that something happened after which a run may have something to say."""
        self.disturbed = what
        self.damaged = self.damaged or damaged
        self.log.append(what)

    # -- runs --

    def listings(self) -> set[str]:
        """The runs whose listings stand at the far end."""
        return {path.name.removesuffix(".jsonl.gz") for path in (self.job.far / "runs").glob("*.jsonl.gz")}

    def run(
        self,
        *,
        during: Callable[[int], None] = lambda _: None,
        shift_s: float | None = None,
        changes: Callable[[], set[bytes]] | None = None,
    ) -> RunEnd:
        """One run, and what it left. `during` is called with its process once it has begun.

        `changes` is called when it has ended, if home changed meanwhile; it answers the paths at which.
        """
        before, things = self.listings(), self.look_home()
        pid = self.runs.start(self.job.config, self.shift_s if shift_s is None else shift_s)
        during(pid)
        # A restore beside it may still count requests: none of them may kill whoever gets the number of this run.
        end = self.runs.end(self.far_end.call_off)
        self.figures["runs"] += 1
        if self.disturbed:
            self.log.append(f"  run {end.run} {end.outcome} {end.code} {end.error} {end.problems[:2] or ''}")
        if end.code > 0 or (end.killed and not self.disturbed):
            raise CampaignFault(f"the run ended with {end.code}: {self.last_words(self.runs.told)}")
        if "\n" in end.error:
            raise CampaignFault(f"more than a line: {end.error!r}")
        changed = changes() if changes is not None else set()
        new = self.listings() - before
        if len(new) > 1 or (end.outcome.startswith("done") and new != {end.run}):
            raise CampaignFault(f"run {end.run} ended {end.outcome}; listings {sorted(new)} are new")
        for run in new:
            self.note_version(run, things, end, changed)
        return end

    def note_version(self, run: str, things: Things, end: RunEnd, changed: set[bytes]) -> None:
        """What `run` has to bring back from now on."""
        told = {path for path, _ in end.problems if path}
        loose = {path for path in self.ever if path_text(path) in told} | changed
        grown = {}
        if changed:
            after = self.look_home()
            loose |= {name for path in loose if path in things for name in things[path].names}
            grown = {path: after[path].content for path in changed if path in after}
        self.versions[run] = Truth(things, end.moment, loose, self.ever, grown)
        if end.outcome.startswith("done"):
            self.known = run

    def last_words(self, told: Path) -> str:
        """The end of what runs told into this file."""
        words = told.read_text(errors="replace").strip().splitlines() if told.exists() else []
        return " / ".join(words[-25:])

    def settle(self) -> None:
        """All is well now: within a few runs one is done, and says nothing but what happened to home's own files."""
        self.far_end.well()
        self.door.misbehave()
        for _ in range(SETTLING):
            before = self.newest_copy()
            end = self.run()
            if end.outcome == "held":
                self.must_be_as(before)
                self._may_be_held(end)
                self._release()
            elif end.outcome.startswith("done"):
                if end.paths:
                    raise CampaignFault(f"problems although all is well: {end.problems[:3]}")
                remarks = [why for _, why in end.problems if not (self.shift_s and "the far clock" in why)]
                if remarks and not self.disturbed:
                    raise CampaignFault(f"remarks although nothing happened: {remarks[:3]}")
                self.disturbed, self.damaged = "", False
                return
            elif "was damaged" in end.error and self.damage_to_be_met:
                self.damage_to_be_met -= 1  # some of it shows only when that part of a file is read again
            elif not self.damaged:
                raise CampaignFault(
                    f"{end.outcome} although all is well: {end.error or self.last_words(self.runs.told)}"
                )
        raise CampaignFault("the job does not settle")

    def _release(self) -> None:
        """What a person does about a held run. If the history turns out damaged then, the next run is held again."""
        try:
            self.job.release()
        except (HomeTrouble, AssertionError):
            if not self.damage_to_be_met:
                raise
            self.damage_to_be_met -= 1

    def _may_be_held(self, end: RunEnd) -> None:
        """A held run has its reason in the folder, or in something that happened."""
        self.figures["held"] += 1
        if self.disturbed:
            return
        share = self.share_changed()
        if share < MAY_HOLD:
            raise CampaignFault(f"held with {share:.0f} % changed: {end.error}")

    def share_changed(self) -> float:
        """Percent of the newest version's files that went or changed since."""
        if not self.versions:
            return 0.0
        old, new = self.newest.things, self.look_home()
        files = [path for path, thing in old.items() if thing.kind != "folder"]
        changed = [path for path in files if path not in new or new[path].essence != old[path].essence]
        return 100 * len(changed) / max(len(files), 1)

    @property
    def newest(self) -> Truth:
        """The newest version's truth."""
        return self.versions[max(self.versions)]

    def newest_copy(self) -> dict[bytes, tuple[int, int, int]]:
        """Inode, size and time of everything in the newest far copy and in what was moved aside."""
        if not self.job.far.exists():
            return {}
        parts = (b"latest/", b"earlier/")
        return {
            path: (status.st_ino, 0 if stat.S_ISDIR(status.st_mode) else status.st_size, status.st_mtime_ns)
            for path, status in walk(os.fsencode(self.job.far))
            if path.startswith(parts)
        }

    def must_be_as(self, before: dict[bytes, tuple[int, int, int]]) -> None:
        """A held run has changed nothing at the far end."""
        if self.newest_copy() != before:
            raise CampaignFault("a held run changed the far copy")

    # -- back --

    def bring_back(self, as_of: str) -> tuple[RestoreReport, Path]:
        """A restore into a new folder."""
        self.restores += 1
        self.figures["restores"] += 1
        target = self.job.where / "restored" / str(self.restores)
        target.parent.mkdir(exist_ok=True)
        return restore(self.job.settings, RestoreRequest(JOB, os.fsencode(target), as_of)), target

    def check(self, run: str, *, as_of: str = "", spoilt: bytes = b"") -> None:
        """Version `run` comes back exactly; `as_of` is what was asked for, if not its id.

        Files at the path `spoilt` and below it may be said to be damaged; TOP is all of them.
        """
        truth = self.versions[run]
        if spoilt:
            truth = replace(truth, loose=truth.loose | (set(truth.things) if spoilt == TOP else {spoilt}))
        report, target = self.bring_back(as_of or run)
        if report.header.run != run:
            raise CampaignFault(f"as of {as_of} came {report.header.run} instead of {run}")
        for problem in (*report.damaged, *report.problems):
            # Without a path it is told that there is a folder which cannot be looked into.
            if not spoilt or not (spoilt == TOP or not problem.path or problem.path.startswith(path_text(spoilt))):
                raise CampaignFault(f"restore of {run}: {problem.path}: {problem.why}")
        unlike = differences(truth, target, self.contents)
        if unlike:
            raise CampaignFault(f"version {run} ({len(unlike)}): " + "; ".join(unlike[:5]))
        self.figures["versions compared"] += 1
        self.figures["entries compared"] += len(truth.things)
        remove(target)

    def check_some(self) -> None:
        """The newest version, and an older one by its id or by a moment."""
        if not self.versions:
            return
        self.check(max(self.versions))
        run = self.dice.choice(sorted(self.versions))
        self.check(run, as_of=self.moment_of(run))

    def check_all(self) -> None:
        """Every version."""
        for run in sorted(self.versions):
            self.check(run, as_of=self.moment_of(run))

    def moment_of(self, run: str) -> str:
        """A moment as of which this version was the newest, by the clock of its time; empty if none is sure."""
        begun, ended = self.versions[run].moment
        until = int(ended) + 1
        for other, truth in self.versions.items():
            if other != run and truth.moment[0] <= until + 1 and truth.moment[1] >= begun - 1:
                return ""
        return datetime.fromtimestamp(until, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

    # -- and the rest of the far box --

    def look_outside(self) -> dict[bytes, tuple[int, int]]:
        """Kind and size of everything at the far box that is not this job's."""
        disk = self.job.where / "far-box"
        return {
            path: (stat.S_IFMT(status.st_mode), 0 if stat.S_ISDIR(status.st_mode) else status.st_size)
            for path, status in walk(os.fsencode(disk), os.fsencode(self.job.far.relative_to(disk)))
            if not path.startswith(TRIAL)
        }

    def check_outside(self) -> None:
        """Nothing outside the job's folder came, went or changed."""
        found = self.look_outside()
        if found != self.outside:
            unlike = sorted(set(found.items()) ^ set(self.outside.items()))
            raise CampaignFault(f"outside the job's folder at the far box: {unlike[:3]}")


def remove(folder: Path) -> None:
    """A whole tree, however deep it is."""
    subprocess.run(["rm", "-rf", "--", str(folder)], check=True, timeout=120)


@contextmanager
def household(where: Path, seed: int, figures: Counter[str], broken: str = "") -> Iterator[Household]:
    """A household with settings and a far box drawn by `seed`, all of it below `where`."""
    dice = random.Random(seed)
    with ExitStack() as stack:
        door = stack.enter_context(stand_in_door(where, dice.choice(BOXES)))
        stack.enter_context(level_way())
        far_end = FarEnd()
        stack.enter_context(far_end.watched())
        far_more = {"connections": dice.choice((1, 1, 2, 3)), "tries": dice.choice((1, 2, 3))}
        guard = {"removed_percent": LIMIT, "changed_percent": LIMIT, "from_files": 20}
        job = OneJob(where, door, far_more=far_more, job_more={"guard": guard})
        days = HouseholdDays(job.folder, seed)
        for path in ("outside/file", "copies/outside/file", "copies/another-job/latest/file"):
            outside = where / "far-box" / path
            outside.parent.mkdir(parents=True)
            outside.write_bytes(b"not this job's")
        runs = stack.enter_context(Runs(where, broken))
        # In every second household all files are older than a minute by the clock when they are read, as most are in
        # real life; in the others none is, and each must be looked at twice.
        shift_s = HOUR_S if seed % 2 else 0.0
        contents = Contents(where / "contents")
        made = Household(job, door, far_end, runs, contents, dice, days, shift_s, figures)
        made.outside = made.look_outside()
        yield made


def in_thread(do: Callable[[], None]) -> Callable[[], None]:
    """`do` in a thread of its own; what is answered waits for its end, and raises what it raised."""
    problems: list[BaseException] = []

    def carry_out() -> None:
        try:
            do()
        except BaseException as problem:  # noqa: BLE001 - handed on to whoever waits
            problems.append(problem)

    thread = threading.Thread(target=carry_out)
    thread.start()

    def wait() -> None:
        thread.join(120)
        if thread.is_alive():
            raise CampaignFault("a restore beside a run does not end")
        if problems:
            raise problems[0]

    return wait
