"""A million files and four hundred versions: how long the rule and the preview take, and how much memory.

    python tests/bench/thinning.py FOLDER [--files 1000000] [--versions 400] [--changes 2000]

Home's record of changes is made up first: two listings are taken into it as the service does each night, which is
timed, and what 398 more would have left there is put in directly. Then a process of its own does what `otherroof thin
JOB` does at home: the rule, then what goes with what it lets go. Headers and clocks of the far box are not asked here.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.restore.thinning.changes import VersionChanges
from otherroof.restore.thinning.rule import KeepingRule, going_versions
from otherroof.restore.versions import Version
from otherroof.settings.versions import spacing_lines

RULE = {"7 days": "every run", "30 days": "one a day", "1 year": "one a week", "5 years": "one a month"}
START = datetime(2031, 1, 1, 1, 30, tzinfo=UTC)


def versions(count: int) -> list[Version]:
    moments = [START + timedelta(days=number) for number in range(count)]
    return [Version(f"{at:%Y-%m-%dT%H%M%SZ}-0000", at) for at in moments]


def line(number: int, state: int) -> bytes:
    """A file's line, in its so-manieth state."""
    return (
        f'{{"path":"{number // 1000:04d}/{number:07d} letter.txt","kind":"file","size":{1000 + number % 90_000},'
        f'"mtime_ns":1900000000000000000,"mode":"0644","uid":1000,"gid":1000,"user":"odalys","group":"odalys",'
        f'"digest":"{digest(number, state).hex()}"}}'
    ).encode()


def digest(number: int, state: int) -> bytes:
    return hashlib.blake2b(b"%d %d" % (number, state), digest_size=32).digest()


def make(path: str, files: int, count: int, changes: int) -> None:
    """Two listings are read as they are each night, and timed; the rows of all further nights are put in directly."""
    listed = versions(count)
    first, second = listed[0].run, listed[1].run
    with closing(VersionChanges(path)) as record:
        for runs in ([first], [first, second]):
            begun = time.monotonic()
            changed = changes if len(runs) == 2 else 0
            record.follow(runs, {}, lambda _, new=changed: (line(n, int(n < new)) for n in range(files)))  # type: ignore[misc]
            print(f"a listing of {files} lines taken into the record: {time.monotonic() - begun:.1f} s", flush=True)
    with closing(sqlite3.connect(path)) as db:
        db.executemany("INSERT INTO version VALUES (?, ?)", [(n + 1, v.run) for n, v in enumerate(listed) if n > 1])
        state: dict[int, tuple[int, int]] = dict.fromkeys(range(changes), (2, 1))
        for night in range(3, count + 1):
            rows = []
            for at in range(changes):  # half of them are the same files each night, half are others
                number = at if at % 2 else (night * changes + at * 37) % files
                born, known = state.get(number, (0, 0))
                name = b"%04d/%07d letter.txt" % (number // 1000, number)
                rows.append((name, born, night, 1000 + number % 90_000, digest(number, known)))
                state[number] = (night, known + 1)
            db.executemany("INSERT OR REPLACE INTO item VALUES (?, ?, ?, ?, ?)", rows)
        db.commit()
        print(f"{db.execute('SELECT count(*) FROM item').fetchone()[0]} changes in the record")


def ask(path: str, count: int) -> None:
    begun = time.monotonic()
    listed = versions(count)
    now = listed[-1].taken + timedelta(hours=1)
    going = going_versions(listed, KeepingRule(spacing_lines(RULE), 10), now, ZoneInfo("Europe/Berlin"))
    ruled = time.monotonic()
    with closing(VersionChanges(path)) as record:
        loss = record.loss({one.version.run for one in going}, shared=True)
    ended = time.monotonic()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{len(going)} of {count} versions go, with {loss.files} contents of {loss.size / 1e6:.0f} MB")
    print(f"rule {ruled - begun:.3f} s, preview {ended - ruled:.2f} s, peak memory {peak:.0f} MiB")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder")
    parser.add_argument("--files", type=int, default=1_000_000)
    parser.add_argument("--versions", type=int, default=400)
    parser.add_argument("--changes", type=int, default=2000)
    parser.add_argument("--ask", action="store_true", help="only the second half")
    asked = parser.parse_args()
    record_path = os.path.join(asked.folder, "changes.sqlite")
    if asked.ask:
        ask(record_path, asked.versions)
    else:
        make(record_path, asked.files, asked.versions, asked.changes)
        subprocess.run([sys.executable, __file__, asked.folder, "--ask", "--versions", str(asked.versions)], check=True)
