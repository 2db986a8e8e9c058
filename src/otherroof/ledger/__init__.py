"""The history database: runs, probes, tunnel sessions, sizes, durations, alerts. SQLite, one file."""

from otherroof.ledger.database import Ledger
from otherroof.ledger.probes import ProbeRow, TunnelSession
from otherroof.ledger.runs import RunRow

__all__ = ["Ledger", "ProbeRow", "RunRow", "TunnelSession"]
