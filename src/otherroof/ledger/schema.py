"""The ledger's tables, step by step: each migration brings the file from one `user_version` to the next.

Steps are only ever added. A file with a higher version than this program knows is refused.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from otherroof.base.errors import HomeTrouble
from otherroof.base.sqlite_file import UNLIKELY, DamagedDatabase

RUNS = """
CREATE TABLE run (
    run TEXT NOT NULL, job TEXT NOT NULL, far TEXT NOT NULL,
    started TEXT NOT NULL, ended TEXT, outcome TEXT, reason TEXT NOT NULL DEFAULT '',
    seen INTEGER NOT NULL DEFAULT 0, new INTEGER NOT NULL DEFAULT 0, changed INTEGER NOT NULL DEFAULT 0,
    moved INTEGER NOT NULL DEFAULT 0, removed INTEGER NOT NULL DEFAULT 0, problems INTEGER NOT NULL DEFAULT 0,
    left_out INTEGER NOT NULL DEFAULT 0,
    bytes_seen INTEGER NOT NULL DEFAULT 0, bytes_new INTEGER NOT NULL DEFAULT 0,
    bytes_sent INTEGER NOT NULL DEFAULT 0, wire_up INTEGER NOT NULL DEFAULT 0,
    wire_down INTEGER NOT NULL DEFAULT 0,
    scan_s REAL NOT NULL DEFAULT 0, send_s REAL NOT NULL DEFAULT 0, commit_s REAL NOT NULL DEFAULT 0,
    total_s REAL NOT NULL DEFAULT 0,
    PRIMARY KEY (job, run)
);
CREATE INDEX run_by_start ON run (started);
CREATE TABLE run_problem (
    job TEXT NOT NULL, run TEXT NOT NULL, path TEXT NOT NULL, why TEXT NOT NULL
);
CREATE INDEX run_problem_by_run ON run_problem (job, run);
CREATE TABLE answer (far TEXT PRIMARY KEY, at TEXT NOT NULL);
CREATE TABLE hold (
    job TEXT PRIMARY KEY, run TEXT NOT NULL, at TEXT NOT NULL, why TEXT NOT NULL,
    removed INTEGER NOT NULL, changed INTEGER NOT NULL, of_files INTEGER NOT NULL, released TEXT
);
"""

# Tunnel sessions and probes.
WAYS = """
CREATE TABLE tunnel_session (
    number INTEGER PRIMARY KEY, far TEXT NOT NULL, tunnel TEXT NOT NULL, up TEXT NOT NULL,
    handshake_s REAL, down TEXT, sent INTEGER, received INTEGER, cut INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX tunnel_session_by_far ON tunnel_session (far, up);
CREATE TABLE probe (
    number INTEGER PRIMARY KEY, far TEXT NOT NULL, at TEXT NOT NULL, took_s REAL NOT NULL,
    answered INTEGER NOT NULL, exit_code INTEGER NOT NULL, headline TEXT NOT NULL, advice TEXT NOT NULL,
    round_trip_ms REAL
);
CREATE INDEX probe_by_far ON probe (far, at);
CREATE TABLE probe_rung (
    probe INTEGER NOT NULL, place INTEGER NOT NULL, rung TEXT NOT NULL, state TEXT NOT NULL,
    took_s REAL NOT NULL, seen TEXT NOT NULL, advice TEXT NOT NULL, PRIMARY KEY (probe, place)
) WITHOUT ROWID;
"""

# Alerts, messages, the far boxes' space, findings, and what the watch remembers between two looks.
ALERTS = """
CREATE INDEX run_by_job ON run (job, started, run);
CREATE TABLE alert (
    id INTEGER PRIMARY KEY, key TEXT NOT NULL, rule TEXT NOT NULL, about TEXT NOT NULL,
    headline TEXT NOT NULL, help TEXT NOT NULL, mark TEXT NOT NULL,
    begun TEXT NOT NULL, raised TEXT NOT NULL, told TEXT NOT NULL, times INTEGER NOT NULL,
    quiet_until TEXT, ended TEXT
);
CREATE UNIQUE INDEX alert_standing ON alert (key) WHERE ended IS NULL;
CREATE INDEX alert_by_end ON alert (ended) WHERE ended IS NOT NULL;
CREATE TABLE post (
    id INTEGER PRIMARY KEY, channel TEXT NOT NULL, kind TEXT NOT NULL, about TEXT NOT NULL,
    made TEXT NOT NULL, subject TEXT NOT NULL, text TEXT NOT NULL, html TEXT NOT NULL, facts TEXT NOT NULL,
    tries INTEGER NOT NULL DEFAULT 0, next_try TEXT NOT NULL, problem TEXT NOT NULL DEFAULT '', sent TEXT
);
CREATE INDEX post_waiting ON post (channel, about) WHERE sent IS NULL;
CREATE INDEX post_sent ON post (sent) WHERE sent IS NOT NULL;
CREATE TABLE channel (
    name TEXT PRIMARY KEY, failing_since TEXT, fails INTEGER NOT NULL, problem TEXT NOT NULL, last_sent TEXT
);
CREATE TABLE digest (at TEXT PRIMARY KEY, since TEXT NOT NULL, safe INTEGER NOT NULL);
CREATE TABLE space (
    far TEXT NOT NULL, at TEXT NOT NULL, free INTEGER NOT NULL, total INTEGER NOT NULL,
    PRIMARY KEY (far, at)
) WITHOUT ROWID;
CREATE TABLE damage (
    job TEXT NOT NULL, path TEXT NOT NULL, run TEXT NOT NULL, at TEXT NOT NULL, why TEXT NOT NULL,
    PRIMARY KEY (job, path, run)
);
CREATE TABLE run_nature (
    job TEXT NOT NULL, run TEXT NOT NULL, sampled INTEGER NOT NULL, dense INTEGER NOT NULL,
    endings_changed INTEGER NOT NULL, PRIMARY KEY (job, run)
);
CREATE TABLE watched (subject TEXT PRIMARY KEY, since TEXT NOT NULL);
CREATE TABLE look (
    one INTEGER PRIMARY KEY CHECK (one = 1), at TEXT NOT NULL, monotonic_s REAL NOT NULL, asleep_s REAL NOT NULL,
    boot TEXT NOT NULL, awake_since TEXT NOT NULL, jumped_at TEXT, jumped_s REAL NOT NULL
);
"""

# How far each job is with the time it is due, and when recurring things last happened.
TURNS = """
CREATE TABLE turn (
    job TEXT PRIMARY KEY, times TEXT NOT NULL, since TEXT NOT NULL, begun TEXT, ended TEXT, ending TEXT,
    tries INTEGER NOT NULL, waiting TEXT NOT NULL
);
CREATE TABLE mark (name TEXT PRIMARY KEY, at TEXT NOT NULL);
CREATE INDEX run_by_far ON run (far, started);
"""

# Messages that go out together as one, and alerts that are told as the consequence of another.
BUNDLES = """
ALTER TABLE post ADD COLUMN bundle INTEGER NOT NULL DEFAULT 0;
UPDATE post SET bundle = id;
ALTER TABLE alert ADD COLUMN because TEXT NOT NULL DEFAULT '';
"""

# What was read back of the far copies: each proof as a whole, and for every file the day of its last one, packed. Of
# damage the path as its bytes are, and whether it lies in the newest copy, from which runs make new content.
PROOFS = """
CREATE TABLE proof (
    number INTEGER PRIMARY KEY, job TEXT NOT NULL, far TEXT NOT NULL, started TEXT NOT NULL, ended TEXT,
    reason TEXT NOT NULL DEFAULT '', whole INTEGER NOT NULL DEFAULT 0,
    files INTEGER NOT NULL DEFAULT 0, size INTEGER NOT NULL DEFAULT 0, drawn INTEGER NOT NULL DEFAULT 0,
    drawn_damaged INTEGER NOT NULL DEFAULT 0, population INTEGER NOT NULL DEFAULT 0,
    damaged INTEGER NOT NULL DEFAULT 0, healed INTEGER NOT NULL DEFAULT 0, by_word INTEGER NOT NULL DEFAULT 0,
    never INTEGER NOT NULL DEFAULT 0, since TEXT, wire_up INTEGER NOT NULL DEFAULT 0,
    wire_down INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX proof_by_job ON proof (job, started);
CREATE INDEX proof_by_far ON proof (far, started);
CREATE TABLE proved (
    job TEXT NOT NULL, shelf INTEGER NOT NULL, line BLOB NOT NULL, word BLOB NOT NULL, PRIMARY KEY (job, shelf)
) WITHOUT ROWID;
ALTER TABLE damage ADD COLUMN name BLOB NOT NULL DEFAULT x'';
ALTER TABLE damage ADD COLUMN in_newest INTEGER NOT NULL DEFAULT 0;
"""

# Practice restores.
DRILLS = """
CREATE TABLE drill (
    number INTEGER PRIMARY KEY, job TEXT NOT NULL, far TEXT NOT NULL, started TEXT NOT NULL,
    from_nothing INTEGER NOT NULL, version TEXT NOT NULL DEFAULT '', ended TEXT,
    outcome TEXT NOT NULL DEFAULT '', reason TEXT NOT NULL DEFAULT '',
    files INTEGER NOT NULL DEFAULT 0, size INTEGER NOT NULL DEFAULT 0, of_files INTEGER NOT NULL DEFAULT 0,
    of_size INTEGER NOT NULL DEFAULT 0, damaged INTEGER NOT NULL DEFAULT 0,
    changed_at_home INTEGER NOT NULL DEFAULT 0, wire_up INTEGER NOT NULL DEFAULT 0,
    wire_down INTEGER NOT NULL DEFAULT 0, took_s REAL NOT NULL DEFAULT 0,
    back_s REAL, soonest_s REAL, latest_s REAL, check_code INTEGER, check_said TEXT NOT NULL DEFAULT ''
);
CREATE INDEX drill_by_job ON drill (job, far, started);
CREATE INDEX drill_by_far ON drill (far, started);
"""

# Versions that went, why some are pinned, and the rule that each job is thinned by.
KEEPING = """
CREATE TABLE thinned (number INTEGER PRIMARY KEY, at TEXT NOT NULL, job TEXT NOT NULL, runs TEXT NOT NULL,
    freed INTEGER NOT NULL);
CREATE INDEX thinned_by_time ON thinned (at);
CREATE TABLE pin (job TEXT NOT NULL, run TEXT NOT NULL, why TEXT NOT NULL, at TEXT NOT NULL, PRIMARY KEY (job, run));
CREATE TABLE keeping_rule (
    job TEXT PRIMARY KEY, rule TEXT NOT NULL, shortened TEXT NOT NULL, since TEXT, until TEXT, recalled TEXT
);
"""

# What a run had still to send as it began.
TO_SEND = "ALTER TABLE run ADD COLUMN bytes_to_send INTEGER NOT NULL DEFAULT 0;"

# Of a proof: which files its sample was drawn from, what all would take, and what it healed, for the alert about that.
PROOFS_TOLD = """
ALTER TABLE proof ADD COLUMN drawn_up_to INTEGER NOT NULL DEFAULT 0;
ALTER TABLE proof ADD COLUMN to_read INTEGER NOT NULL DEFAULT 0;
ALTER TABLE proof ADD COLUMN too_large INTEGER NOT NULL DEFAULT 0;
ALTER TABLE proof ADD COLUMN largest INTEGER NOT NULL DEFAULT 0;
ALTER TABLE proof ADD COLUMN mended INTEGER NOT NULL DEFAULT 0;
ALTER TABLE proof ADD COLUMN mended_path TEXT NOT NULL DEFAULT '';
ALTER TABLE proof ADD COLUMN mended_at TEXT NOT NULL DEFAULT '';
"""

# What the line to a far box carried when it was measured, and the forecasts that were made, in JSON.
THINKING_AHEAD = """
CREATE TABLE line_reading (
    far TEXT NOT NULL, at TEXT NOT NULL, up_mbit REAL NOT NULL, down_mbit REAL NOT NULL, idle_ms REAL NOT NULL,
    loaded_up_ms REAL NOT NULL, loaded_down_ms REAL NOT NULL, wire_up INTEGER NOT NULL, wire_down INTEGER NOT NULL,
    PRIMARY KEY (far, at)
) WITHOUT ROWID;
CREATE TABLE forecast (job TEXT NOT NULL, at TEXT NOT NULL, told TEXT NOT NULL, PRIMARY KEY (job, at)) WITHOUT ROWID;
"""

# Damaged versions that a person lets go, whatever the rule says.
LET_GO = """
CREATE TABLE let_go (job TEXT NOT NULL, run TEXT NOT NULL, at TEXT NOT NULL, PRIMARY KEY (job, run)) WITHOUT ROWID;
"""

# Runs onto a disk that is carried: the folder on it, and when it was found standing at the far box.
CARRIED = """
ALTER TABLE run ADD COLUMN onto TEXT NOT NULL DEFAULT '';
ALTER TABLE run ADD COLUMN landed TEXT;
"""

# Asked at the beginning of each run and at each look of the watch, over a history of many years: which runs have no
# end, and when a job's first copy was whole.
RUNS_AT_ONCE = """
CREATE INDEX run_open ON run (job) WHERE outcome IS NULL;
CREATE INDEX run_good ON run (job, far, coalesce(landed, ended, started))
    WHERE outcome IN ('done', 'done with problems');
"""

MIGRATIONS: tuple[str, ...] = (
    RUNS,
    WAYS,
    ALERTS,
    TURNS,
    BUNDLES,
    PROOFS,
    DRILLS,
    KEEPING,
    TO_SEND,
    PROOFS_TOLD,
    THINKING_AHEAD,
    LET_GO,
    CARRIED,
    RUNS_AT_ONCE,
)


def migrate(db: sqlite3.Connection, path: str, steps: tuple[str, ...] = MIGRATIONS) -> None:
    """Bring `db` to the newest schema, all steps in one transaction: several processes may start at the same moment.

    Raises HomeTrouble if the file was written by a newer program.
    """
    # The usual case, without a lock: nobody who only reads is to wait for one who writes.
    if _version(db) == len(steps):
        return
    with transaction(db):
        # Asked once more under the lock: another process may have migrated it since the look above.
        version = _version(db)
        _refuse_newer(version, len(steps), path)
        for step in steps[version:]:
            for statement in _statements(step):
                db.execute(statement)
        db.execute(f"PRAGMA user_version = {len(steps)}")


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """One write transaction, kept whole or not at all; `db` can be used again whatever became of it."""
    # IMMEDIATE takes the write lock at the beginning, where SQLite waits for another (its time-out). A transaction that
    # begins by reading and wants to write later is refused at once, without waiting, if another wrote meanwhile.
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        # On a full disk SQLite may have rolled back by itself, and a refused COMMIT leaves the transaction open.
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def _refuse_newer(version: int, known: int, path: str) -> None:
    if not 0 <= version <= known + UNLIKELY:
        raise DamagedDatabase("is damaged", where=path)
    if version > known:
        raise HomeTrouble(
            f"was written by a newer Otherroof (schema {version}, known here: {known})",
            where=path,
            advice="install that version again, or set this file aside to start a new history",
        )


def _version(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def _statements(script: str) -> Iterator[str]:
    """One after the other; `executescript` would end the transaction that holds them together."""
    begun = ""
    for part in script.split(";"):
        begun += part + ";"
        if sqlite3.complete_statement(begun):
            yield begun
            begun = ""
