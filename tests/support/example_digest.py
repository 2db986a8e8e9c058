"""The digest in `examples/`: five invented weeks of the Larch household, made anew by

    PYTHONPATH=tests python -m support.example_digest

A test holds the files in `examples/` to what this makes.
"""

from __future__ import annotations

import os
import random
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from otherroof.base.clock import SteppedClock, stamp
from otherroof.copying.report import ByteCounts, FileCounts, RunReport, StepSeconds
from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillFigures, DrillRow
from otherroof.settings import Settings, read_settings
from otherroof.watch import digest
from otherroof.watch.digest.values import UnprotectedFolders
from otherroof.watch.gather import WatchInputs

EXAMPLES = Path(__file__).parent.parent.parent / "examples"
NOW = datetime(2031, 4, 7, 9, 30, tzinfo=UTC)
WEEKS = 5
# Job → hour and minute (UTC) of its runs, how often in days, files, content bytes, bytes of a usual night.
BESIDE = (UnprotectedFolders("/srv/larch", ("music", "scanner-inbox")),)
JOBS = {
    "letters": (22, 0, 1, 18_400, 9_200_000_000, 14_000_000),
    "photos": (4, 0, 1, 96_300, 380_000_000_000, 210_000_000),
    "recipes-database": (5, 15, 1, 4, 82_000_000, 3_100_000),
    "server": (4, 40, 7, 2_900, 41_000_000, 900_000),
}


def example_settings(state: str) -> Settings:
    """The settings in `examples/`, with a state folder of their own."""
    settings, _ = read_settings(str(EXAMPLES))
    assert settings is not None
    return settings.model_copy(update={"home": settings.home.model_copy(update={"state": state})})


def live(ledger: Ledger) -> None:
    """Five weeks of nights, probes and readings; one night the far box was silent."""
    chance = random.Random(6)
    begin = NOW - timedelta(weeks=WEEKS)
    for name, (hour, minute, every, files, size, usual) in JOBS.items():
        at = begin.replace(hour=hour, minute=minute)
        grown = size
        while at < NOW:
            sent = int(usual * chance.lognormvariate(0, 0.6))
            grown += sent // 2
            silent = timedelta(days=9) < NOW - at < timedelta(days=10)
            took = 130.0 if silent else 40 + sent / 1_400_000
            report = RunReport(
                name,
                f"{at:%Y-%m-%dT%H%M%SZ}-{chance.randrange(65536):04x}",
                "failed" if silent else "done",
                FileCounts(files + (at - begin).days * 3, chance.randint(1, 12), min(files, chance.randint(0, 30))),
                ByteCounts(grown, sent, 0 if silent else sent, int(sent * 1.04), 900_000),
                StepSeconds(12.0, took - 15, 3.0, took),
                reason="192.0.2.2:22: no answer within 60 s" if silent else "",
            )
            ledger.runs.begin(name, report.run, "heron", at)
            ledger.runs.end(report, at + timedelta(seconds=took))
            at += timedelta(days=every)
    _probe(ledger, begin, chance)
    _drill(ledger)


def _drill(ledger: Ledger) -> None:
    """The last drill of each job but one: photos on a slow line, a database with a check of its own."""
    figures = {
        "letters": DrillFigures(
            1_012, 488_000_000, 18_400, 9_200_000_000, took_s=240, back_s=4_500, soonest_s=4_000, latest_s=5_200
        ),
        "photos": DrillFigures(
            131, 471_000_000, 96_300, 380_000_000_000, took_s=231, back_s=186e3, soonest_s=165e3, latest_s=214e3
        ),
        "recipes-database": DrillFigures(
            4, 82_000_000, 4, 82_000_000, took_s=47, back_s=44, soonest_s=38, latest_s=52, check_code=0, check_said="ok"
        ),
    }
    for days, (name, counted) in enumerate(figures.items(), start=12):
        began = NOW - timedelta(days=days, hours=3)
        row = DrillRow(name, "heron", began, False)
        ended = began + timedelta(seconds=counted.took_s)
        version = f"{began:%Y-%m-%d}T013000Z-7f3a"
        ledger.drills.end(
            ledger.drills.begin(row), replace(row, version=version, ended=ended, outcome="whole", figures=counted)
        )


def _probe(ledger: Ledger, begin: datetime, chance: random.Random) -> None:
    at, free = begin, 1_240e9
    while at < NOW:
        answered = not timedelta(days=9) < NOW - at < timedelta(days=10)
        with ledger.file.writing() as db:
            db.execute(
                "INSERT INTO probe (far, at, took_s, answered, exit_code, headline, advice, round_trip_ms)"
                " VALUES ('heron', ?, 2.1, ?, ?, '', '', ?)",
                (stamp(at), int(answered), 0 if answered else 3, chance.uniform(38, 47) if answered else None),
            )
        if answered:
            ledger.spaces.note("heron", at, int(free), 2_000_000_000_000)
            ledger.answers.note("heron", at)
        free -= 60e6 * chance.uniform(0.7, 1.3)
        at += timedelta(hours=6)


def made() -> dict[str, str]:
    """File name in `examples/` → its text."""
    with tempfile.TemporaryDirectory() as state:
        settings = example_settings(state)
        with Ledger(settings.ledger) as ledger:
            live(ledger)
            # What stands beside the folders on the machine that makes this is nobody's example.
            found = replace(digest.make(settings, ledger, SteppedClock(NOW), WatchInputs()), uncovered=BESIDE)
    return {"digest.txt": digest.as_text(found), "digest.html": digest.as_html(found)}


if __name__ == "__main__":
    for name, text in made().items():
        with open(os.path.join(EXAMPLES, name), "w", encoding="utf-8") as file:
            file.write(text)
