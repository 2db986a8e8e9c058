"""The history database: runs, probes, tunnel sessions, sizes, durations, alerts. SQLite, one file."""

from otherroof.ledger.book import Ledger
from otherroof.ledger.runs import RunRow
from otherroof.ledger.ways import ProbeRow, TunnelSession

__all__ = ["Ledger", "ProbeRow", "RunRow", "TunnelSession"]
