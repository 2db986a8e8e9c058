"""The history database: runs, probes, tunnel sessions, sizes, durations, alerts. SQLite, one file."""

from otherroof.ledger.book import Ledger
from otherroof.ledger.runs import RunRow

__all__ = ["Ledger", "RunRow"]
