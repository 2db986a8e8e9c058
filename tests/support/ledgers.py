"""A ledger for a test's household, closed when the household goes."""

from __future__ import annotations

import weakref

from otherroof.ledger import Ledger


def ledger_of(owner: object, path: str) -> Ledger:
    """The ledger at `path`, open as long as `owner` is there: since Python 3.13 one that is just dropped is a warning,
    and a warning fails a test."""
    ledger = Ledger(path)
    weakref.finalize(owner, ledger.close)
    return ledger
