"""A month of an invented household: two jobs, one far box, and what befalls them, with every mail in its order.

The service's own records, ledger, watch and digest, driven by a stepped clock (`simulated`); only what happens at the
far end and in the folders is made up here. Make the list of mails anew by

    PYTHONPATH=tests python -m support.household_month

and read it as the household would: no mail may say what a later one shows to have been wrong or needless.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from otherroof.base.local_time import moment_text
from otherroof.copying.report import WINDOW_ENDED, ByteCounts, FileCounts, RunReport, StepSeconds
from otherroof.ledger.drills import DrillFigures, DrillRow
from otherroof.ledger.far_findings import DamagedFile
from otherroof.ledger.proofs import HealedDamage, ProofRow
from otherroof.ledger.runs import Hold
from otherroof.probe.ladder import ClimbResult, RungFinding, RungResult
from otherroof.probe.rung_names import ANSWERS, HOST_KEY
from otherroof.schedule.chores import Chore
from otherroof.schedule.job_runner import RunEnding
from otherroof.schedule.plan import RunStart
from otherroof.schedule.records import ServiceRecords
from otherroof.settings import Settings
from otherroof.settings.alerting import AlertingSettings, MailChannelSettings, MailSettings
from otherroof.watch import digest
from otherroof.watch.channels import Message
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from support.simulated import Period, Simulation, household
from support.watching import NotingChannel

MAILS = Path(__file__).parent / "month_of_mails.txt"
ZONE = ZoneInfo("Europe/Lisbon")
GB = 10**9
# What a night's window carries on this household's line, and what is known of the two folders.
RATE = 2_500_000  # bytes a second
FIRST = {"letters": 3 * GB, "photos": 300 * GB}
A_NIGHT = {"letters": 20_000_000, "photos": 700_000_000}
FILES = {"letters": 8_000, "photos": 41_000}
DISK = 2_000 * GB


def at(day: int, hour: int = 0, minute: int = 0) -> datetime:
    """A moment of March 2031 on the household's clock; day 32 is 1 April."""
    return datetime(2031, 3, 1, hour, minute, tzinfo=ZONE) + timedelta(days=day - 1)


START, END = at(1, 12), at(32, 12)
UNPLUGGED: Period = (at(14, 14, 20), at(18, 15, 5))
OTHER_KEY: Period = (at(20, 16), at(21, 19, 30))
MOVED_AWAY: Period = (at(23, 11), at(26, 18))
RELATIVES_FILMS = at(12)  # from then on somebody else fills the far disk
MADE_ROOM = at(28, 10)
NO_ANSWER = RungResult(
    ANSWERS,
    RungFinding(
        "not ok", "10.77.0.2 answers no echo request", "is the far box on, and does its firewall let it answer?"
    ),
)
WELL = RungResult(ANSWERS, RungFinding("ok", "round trip 31.2 ms (median), 0 of 5 lost", round_trip_ms=31.2))
WRONG_KEY = RungResult(
    HOST_KEY,
    RungFinding(
        "not ok",
        "10.77.0.2: shows the key ssh-ed25519 SHA256:q0n1, not the pinned one",
        "find out why before anything else",
    ),
)


@dataclass
class Folder:
    """What lies in a job's folder, in bytes, and how much of it is not yet at the far end."""

    size: int
    left: int


class HouseholdMonth(Simulation):
    """The month, played to its end; `mails` are what the household got."""

    def __init__(self, where: Path) -> None:
        self.mailbox = NotingChannel()
        self.folders = {name: Folder(size, size) for name, size in FIRST.items()}
        super().__init__(_settings(where), where, START, look_every=timedelta(hours=3))
        self.on_look = lambda _: look(self.settings, self.ledger, self.clock, WatchInputs(), self._channels())
        self._let_happen()
        self.until(END)

    @property
    def mails(self) -> list[Message]:
        """Every mail, in order."""
        return self.mailbox.taken

    def _channels(self) -> dict[str, NotingChannel]:
        return {"family": self.mailbox, "journal": self.channel}

    def _let_happen(self) -> None:
        self.at(at(3, 9), lambda: self._drill("letters", 60.0))
        self.at(at(11, 9), lambda: self._drill("photos", 31 * 3600.0))
        self.at(at(19, 5), self._heal)
        self.at(at(26, 18), lambda: self.release("photos"))
        self.at(at(26, 18, 5), lambda: self.on_look(self.clock.now()))
        for day in range(2, 32):
            self.at(at(day, 7, 30), self._prove)

    def _drill(self, job: str, back_s: float) -> None:
        now = self.clock.now()
        row = DrillRow(job, "heron", now, False)
        number = self.ledger.drills.begin(row)
        figures = DrillFigures(
            files=212, size=480_000_000, of_files=FILES[job], of_size=self.folders[job].size, took_s=240,
            back_s=back_s, soonest_s=back_s * 0.9, latest_s=back_s * 1.2,
        )  # fmt: skip
        ended = replace(row, ended=now + timedelta(minutes=4), outcome="whole", version="r", figures=figures)
        self.ledger.drills.end(number, ended)

    def _prove(self) -> None:
        now = self.clock.now()
        if self._reached(now) and not self.folders["photos"].left:
            number = self.ledger.proofs.begin(ProofRow("photos", "heron", now))
            row = ProofRow("photos", "heron", now, now, files=300, drawn=300, population=FILES["photos"], never=20_000)
            self.ledger.proofs.end(number, row)

    def _heal(self) -> None:
        """A night's proof finds a damaged file and sends it again before anybody has been told."""
        now, path = self.clock.now(), "2019/summer/beach.jpg"
        number = self.ledger.proofs.begin(ProofRow("photos", "heron", now))
        self.ledger.damages.note([DamagedFile("photos", path, "r", now, "it reads otherwise than it was sent")])
        self.ledger.proofs.note_healed(number, HealedDamage(1, path, now))
        self.ledger.damages.settle("photos", [path])
        row = ProofRow("photos", "heron", now, now, files=300, damaged=1, healed=1, never=15_000)
        self.ledger.proofs.end(number, row)

    def _reached(self, now: datetime) -> bool:
        return not any(begin <= now < end for begin, end in (UNPLUGGED, OTHER_KEY))

    def _do(self, records: ServiceRecords, chore: Chore) -> None:
        if chore.name != "digest":
            super()._do(records, chore)
            return
        digest.send(self.settings, self.ledger, self.clock, WatchInputs(), self._channels())
        records.end_chore(chore, None)

    def _probe_ends(self, records: ServiceRecords, chore: Chore, far: str) -> None:
        self._note_way(far, self.clock.now(), probe=True)
        records.end_chore(chore, None)

    def _note_way(self, far: str, now: datetime, *, probe: bool = False) -> bool:
        """What a probe, or the beginning of a run, writes down of the way; whether it goes through."""
        if UNPLUGGED[0] <= now < UNPLUGGED[1]:
            self.ledger.probes.note(far, now, ClimbResult((NO_ANSWER,)), answered=False)
        elif OTHER_KEY[0] <= now < OTHER_KEY[1]:
            self.ledger.probes.note(far, now, ClimbResult((WRONG_KEY,)), answered=False)
        else:
            self.ledger.answers.note(far, now)
            self.ledger.spaces.note(far, now, self._free(now), DISK)
            if probe:
                self.ledger.probes.note(far, now, ClimbResult((WELL,)), answered=True)
            return True
        return False

    def _free(self, now: datetime) -> int:
        ours = sum(folder.size - folder.left for folder in self.folders.values())
        others = int(max(0.0, (min(now, MADE_ROOM) - RELATIVES_FILMS) / timedelta(days=1)) * 30 * GB)
        return DISK - 900 * GB - ours - (others if now < MADE_ROOM else 0)

    def _note_answer(self, far: str, now: datetime, ended: RunEnding) -> None:
        """`_note_way` has done so."""

    def _fate(self, start: RunStart, now: datetime) -> tuple[RunEnding, float]:
        if not self._note_way(start.far, now):
            problem = NO_ANSWER if now < UNPLUGGED[1] else WRONG_KEY
            ending = "unreached" if now < UNPLUGGED[1] else "settled"
            return RunEnding("failed", ending, f"{problem.seen.text}; {problem.seen.advice}"), 5.0
        hold = self.ledger.holds.of(start.job)
        freed = hold is not None and hold.released is not None
        if start.job == "photos" and MOVED_AWAY[0] <= now < MOVED_AWAY[1] and not freed:
            return RunEnding("held", "settled", "12,300 of 41,000 files are gone"), 40.0
        folder = self.folders[start.job]
        if not folder.left:
            folder.left = A_NIGHT[start.job]
            folder.size += A_NIGHT[start.job]
        needed = 60.0 + folder.left / RATE
        if start.until is not None and start.until < now + timedelta(seconds=needed):
            return RunEnding("cut", "cut", WINDOW_ENDED), (start.until - now).total_seconds()
        return RunEnding("done", "settled"), float(int(needed))

    def _report(self, job: str, run: str, ended: RunEnding) -> RunReport:
        report = RunReport(job=job, run=run, outcome=ended.outcome, reason=ended.reason)
        if ended.outcome not in ("done", "cut"):
            return report
        folder = self.folders[job]
        begun = self.ledger.runs.rows(job=job, newest=1)[0].started
        took = (self.clock.now() - begun).total_seconds()
        sent = folder.left if ended.outcome == "done" else min(folder.left, int((took - 60) * RATE))
        report.files = FileCounts(seen=FILES[job], new=sent // 3_000_000, changed=3)
        report.bytes = ByteCounts(folder.size, folder.left, sent, int(sent * 1.03), 900_000, folder.left)
        report.seconds = StepSeconds(30.0, max(0.0, took - 60), 30.0, took)
        folder.left -= sent
        if ended.outcome == "done":
            self.ledger.answers.note("heron", self.clock.now())
        return report

    def _hold(self, job: str, run: str, ended: RunEnding) -> Hold:
        return Hold(job, run, self.clock.now(), ended.reason, 12_300, 0, FILES[job], None)


def _settings(where: Path) -> Settings:
    made = household(
        {
            "letters": {"at": "30 2 * * *"},
            "photos": {"at": "0 1 * * *", "window": "00:00-06:30", "back_within_hours": 72.0},
        },
        zone=ZONE.key,
    )
    told = AlertingSettings(
        mail=MailSettings(server="localhost", secure="none", sender="larch@example.net"),
        channel={"family": MailChannelSettings(kind="mail", to=("kim@example.net",))},
    )
    return made.model_copy(update={"told": told, "where": str(where)})


def headlines(mails: list[Message]) -> str:
    """Every mail's moment and subject, a line each, with their count."""
    lines = [f"{moment_text(mail.at, ZONE)}  {mail.subject}" for mail in mails]
    return "\n".join([f"{len(mails)} mails", *lines]) + "\n"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        played = HouseholdMonth(Path(folder))
        MAILS.write_text(headlines(played.mails), encoding="utf-8")
        if "--whole" in sys.argv:
            for mail in played.mails:
                print(f"==== {moment_text(mail.at, ZONE)}\n{mail.subject}\n\n{mail.text}")
