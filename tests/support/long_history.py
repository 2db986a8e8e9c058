"""A ledger with a long history, written in one go: years of nightly runs, probes and readings of the far disk."""

from __future__ import annotations

import random
from datetime import datetime, timedelta

from otherroof.base.clock import stamp
from otherroof.ledger import Ledger


def write_history(ledger: Ledger, jobs: list[str], until: datetime, nights: int) -> int:
    """Fill `ledger` with `nights` nights of each job up to `until`, four probes a day. Returns the number of runs."""
    chance = random.Random(20)
    runs, probes, spaces = [], [], []
    for back in range(nights, 0, -1):
        night = until - timedelta(days=back) + timedelta(hours=2)
        for place, job in enumerate(jobs):
            begun = night + timedelta(minutes=9 * place)
            sent = int(chance.lognormvariate(18, 1))
            failed = chance.random() < 0.01
            runs.append(
                (
                    f"{begun:%Y-%m-%dT%H%M%SZ}-{place:04x}",
                    job,
                    "heron",
                    stamp(begun),
                    stamp(begun + timedelta(minutes=5)),
                    "failed" if failed else "done",
                    "no answer" if failed else "",
                    *(12_000, chance.randint(5, 40), chance.randint(5, 60), 80_000_000_000, sent, int(sent * 1.03)),
                    *(20.0, 270.0, 10.0, 300.0),
                )
            )
        for hour in (0, 6, 12, 18):
            at = night + timedelta(hours=hour)
            probes.append(("heron", stamp(at), 2.0, int(chance.random() > 0.02), 0, "", "", chance.uniform(18, 40)))
        spaces.append(("heron", stamp(night), int(3e12 - (nights - back) * 4e8), int(4e12)))
    with ledger.file.writing() as db:
        db.executemany(
            "INSERT INTO run (run, job, far, started, ended, outcome, reason, seen, new, changed, bytes_seen,"
            " bytes_sent, wire_up, scan_s, send_s, commit_s, total_s) VALUES (" + ",".join("?" * 17) + ")",
            runs,
        )
        db.executemany(
            "INSERT INTO probe (far, at, took_s, answered, exit_code, headline, advice, round_trip_ms)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            probes,
        )
        db.executemany("INSERT INTO space VALUES (?, ?, ?, ?)", spaces)
    ledger.answers.note("heron", until)
    return len(runs)
