"""The ledger's pages on the way there: sessions of the tunnel, and probes with their rungs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from otherroof.base.clock import from_stamp, stamp
from otherroof.base.errors import EXIT_UNREACHED, EXIT_WRONG_USE
from otherroof.copying.report import GOOD
from otherroof.ledger.file import LedgerFile, Page
from otherroof.ledger.runs import IS_GOOD, OVER_THE_LINE
from otherroof.probe.ladder import ClimbResult

_PROBE_COLUMNS = "number, far, at, took_s, answered, exit_code, headline, advice, round_trip_ms"
RUNGS_KEPT_DAYS = 90  # rungs of probes that found all well; those of others are kept for good


@dataclass(frozen=True, slots=True)
class TunnelSession:
    """One time that the tunnel was up. `down` is None while it is, and if it was cut; bytes are the tunnel's own.

    `handshake_s` is None before the first handshake, and if this kind of tunnel does not tell, as are the bytes.
    """

    number: int
    far: str
    tunnel: str
    up: datetime
    handshake_s: float | None
    down: datetime | None
    sent: int | None
    received: int | None
    cut: bool

    def as_json(self) -> dict[str, Any]:
        """The session as `ledger --json` prints it."""
        return {
            "far": self.far,
            "tunnel": self.tunnel,
            "up": stamp(self.up),
            "handshake_s": self.handshake_s,
            "down": stamp(self.down) if self.down else None,
            "sent": self.sent,
            "received": self.received,
            "cut": self.cut,
        }


@dataclass(frozen=True, slots=True)
class ProbeRow:
    """One probe: whether the host key was proved, the exit code, and the headline. Rungs are asked for by number."""

    number: int
    far: str
    at: datetime
    took_s: float
    answered: bool
    exit_code: int
    headline: str
    advice: str
    round_trip_ms: float | None = None


@dataclass(frozen=True, slots=True)
class WayStop:
    """The check at which the way to a far box stops: what it saw last and what to do, and since when it stops there."""

    rung: str
    seen: str
    advice: str
    since: datetime
    at: datetime


class TunnelPage(Page):
    """Every time that a tunnel was up."""

    def begin(self, far: str, tunnel: str, at: datetime) -> int:
        """The tunnel to `far` is up; the session's number. One that never wrote its end counts as cut."""
        with self.file.writing() as db:
            db.execute("UPDATE tunnel_session SET cut=1 WHERE far=? AND down IS NULL", (far,))
            row = db.execute("INSERT INTO tunnel_session (far, tunnel, up) VALUES (?, ?, ?)", (far, tunnel, stamp(at)))
            return int(row.lastrowid or 0)

    def note_handshake(self, session: int, at: datetime) -> None:
        """The session's first handshake was at `at`, to about a second; later ones change nothing."""
        with self.file.writing() as db:
            query = "SELECT up FROM tunnel_session WHERE number=? AND handshake_s IS NULL"
            row = db.execute(query, (session,)).fetchone()
            if row is not None:
                after_s = max(0.0, (at - from_stamp(row[0])).total_seconds())
                db.execute("UPDATE tunnel_session SET handshake_s=? WHERE number=?", (after_s, session))

    def end(self, session: int, at: datetime, sent: int | None, received: int | None) -> None:
        """The tunnel was taken down, having carried so many bytes each way (None: not counted)."""
        with self.file.writing() as db:
            query = "UPDATE tunnel_session SET down=?, sent=?, received=?, cut=0 WHERE number=?"
            db.execute(query, (stamp(at), sent, received, session))

    def rows(self, *, since: datetime | None = None) -> list[TunnelSession]:
        """Sessions, newest first; since a moment if one is given."""
        columns = "number, far, tunnel, up, handshake_s, down, sent, received, cut"
        rows = _newest(self.file, f"SELECT {columns} FROM tunnel_session", "up", "", since)
        return [_as_session(row) for row in rows]


class ProbePage(Page):
    """Every probe, and the rungs of those that are kept."""

    def note(self, far: str, at: datetime, climb: ClimbResult, answered: bool) -> None:
        """Write down a climb with its rungs. `answered`: the far box proved its host key."""
        took = sum(rung.took_s for rung in climb.rungs)
        measured = [rung.seen.round_trip_ms for rung in climb.rungs if rung.seen.round_trip_ms is not None]
        round_trip = measured[0] if measured else None
        with self.file.writing() as db:
            row = db.execute(
                "INSERT INTO probe (far, at, took_s, answered, exit_code, headline, advice, round_trip_ms)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (far, stamp(at), took, answered, climb.exit_code, climb.headline, climb.advice, round_trip),
            )
            db.executemany(
                "INSERT INTO probe_rung (probe, place, rung, state, took_s, seen, advice) VALUES (?, ?, ?, ?, ?, ?, ?)",
                [
                    (row.lastrowid, place, rung.rung, rung.seen.state, rung.took_s, rung.seen.text, rung.seen.advice)
                    for place, rung in enumerate(climb.rungs)
                ],
            )
            db.execute(
                "DELETE FROM probe_rung WHERE probe IN (SELECT number FROM probe WHERE at < ? AND exit_code = 0)",
                (stamp(at - timedelta(days=RUNGS_KEPT_DAYS)),),
            )

    def rows(self, *, far: str = "", since: datetime | None = None) -> list[ProbeRow]:
        """Probes, newest first; of one far box and since a moment, if these are given."""
        rows = _newest(self.file, f"SELECT {_PROBE_COLUMNS} FROM probe", "at", far, since)
        return [_as_probe(row) for row in rows]

    def last(self, far: str, before: datetime) -> ProbeRow | None:
        """The newest probe of a far box that is no later than `before`."""
        query = f"SELECT {_PROBE_COLUMNS} FROM probe WHERE far=? AND at<=? ORDER BY at DESC, number DESC LIMIT 1"
        with self.file.guarded():
            row = self.file.db.execute(query, (far, stamp(before))).fetchone()
        return _as_probe(row) if row else None

    def stop(self, far: str, before: datetime, heard: datetime | None) -> WayStop | None:
        """Where the way to a far box stops, by its newest probe no later than `before`; None if that went through.

        What is newer counts: an answer (`heard` is the last one) or a run that made its copy after the probe.
        """
        # The check that stopped a climb is the last that failed: after it nothing was tried.
        query = (
            "SELECT p.at, p.answered, p.exit_code, r.rung, r.seen, r.advice FROM probe p LEFT JOIN probe_rung r"
            " ON r.probe = p.number AND r.place ="
            " (SELECT max(place) FROM probe_rung WHERE probe = p.number AND state = 'not ok')"
            " WHERE p.far=?1 AND p.at<=?2 AND p.at > (SELECT coalesce(max(coalesce(ended, started)), '') FROM run"
            f" WHERE far=?1 AND coalesce(ended, started)<=?2 AND {IS_GOOD} AND {OVER_THE_LINE})"
            " ORDER BY p.at DESC, p.number DESC"
        )
        last_heard = stamp(heard) if heard is not None else ""
        found: WayStop | None = None
        with self.file.guarded():
            for at, answered, exit_code, rung, seen, advice in self.file.db.execute(query, (far, stamp(before), *GOOD)):
                # A login that is refused is an answer too, so an answer does not end it, but for a newer one.
                over = at < last_heard and not (found is not None and answered)
                if (
                    exit_code not in (EXIT_WRONG_USE, EXIT_UNREACHED)
                    or rung is None
                    or over
                    or (found is not None and rung != found.rung)
                ):
                    break
                moment = from_stamp(at)
                found = replace(found, since=moment) if found else WayStop(rung, seen, advice, moment, moment)
        return found

    def last_unanswered(self, far: str, before: datetime) -> datetime | None:
        """When a far box last did not answer a probe, no later than `before`."""
        with self.file.guarded():
            row = self.file.db.execute(
                "SELECT at FROM probe WHERE far=? AND answered=0 AND at<=? ORDER BY at DESC LIMIT 1",
                (far, stamp(before)),
            ).fetchone()
        return from_stamp(row[0]) if row else None


def _newest(file: LedgerFile, query: str, when: str, far: str, since: datetime | None) -> list[tuple[Any, ...]]:
    where, given = ["1"], []
    if far:
        where.append("far = ?")
        given.append(far)
    if since is not None:
        where.append(f"{when} >= ?")
        given.append(stamp(since))
    query = f"{query} WHERE {' AND '.join(where)} ORDER BY {when} DESC, number DESC"
    with file.guarded():
        return file.db.execute(query, given).fetchall()


def _as_session(row: tuple[Any, ...]) -> TunnelSession:
    number, far, tunnel, up, handshake_s, down, sent, received, cut = row
    ended = from_stamp(down) if down else None
    return TunnelSession(number, far, tunnel, from_stamp(up), handshake_s, ended, sent, received, bool(cut))


def _as_probe(row: tuple[Any, ...]) -> ProbeRow:
    number, far, at, took_s, answered, exit_code, headline, advice, round_trip_ms = row
    return ProbeRow(number, far, from_stamp(at), took_s, bool(answered), exit_code, headline, advice, round_trip_ms)
