"""What is remembered of a job's far files from one proof to the next, kept in the ledger. It knows no far box."""

from __future__ import annotations

from datetime import datetime

from otherroof.base.clock import Clock
from otherroof.ledger import Ledger
from otherroof.ledger.far_findings import DamagedFile
from otherroof.ledger.proofs import ProvedDays, day_number
from otherroof.restore.proving.report import FarDamage

FLUSH_AT = 20_000  # names that wait to be written; a row of the ledger holds hundreds


class LedgerMemory:
    """The days of a job's far files. See `ProofMemory`. What was noted is safe after `flush`."""

    def __init__(self, ledger: Ledger, job: str, clock: Clock) -> None:
        self._ledger = ledger
        self._job = job
        self._clock = clock
        self.today = day_number(clock.now())
        self._days: ProvedDays | None = None
        self._line: list[bytes] = []
        self._word: dict[int, list[bytes]] = {}
        self._words = 0

    def day(self, name: bytes) -> int:
        """On which day this was last read back over the line."""
        if self._line:
            self.flush()
        if self._days is None:
            self._days = self._ledger.proved.days(self._job)
        return self._days.day(name)

    def proved(self, name: bytes) -> None:
        """It was read back over the line now, and is whole."""
        self._line.append(name)
        if len(self._line) >= FLUSH_AT:
            self.flush()

    def proved_by_word(self, name: bytes, at: datetime) -> None:
        """It was whole then by the far box's own word."""
        self._word.setdefault(day_number(at), []).append(name)
        self._words += 1
        if self._words >= FLUSH_AT:
            self._flush_words()

    def damaged(self, damage: FarDamage) -> None:
        """It is not what it should be."""
        mark = DamagedFile(
            self._job, damage.shown, damage.run, self._clock.now(), damage.why, damage.path, damage.in_newest
        )
        self._ledger.damages.note([mark])
        if damage.name:
            self.forget(damage.name)

    def forget(self, name: bytes) -> None:
        """No earlier proof of it counts any more."""
        self.flush()  # else a word that waits would be noted after this
        self._ledger.proved.forget(self._job, name)
        self._days = None

    def flush(self) -> None:
        """Write down what waits."""
        if self._line:
            self._ledger.proved.note(self._job, self._line, self.today)
            self._line.clear()
            self._days = None
        self._flush_words()

    def _flush_words(self) -> None:
        for day, names in self._word.items():
            self._ledger.proved.note(self._job, names, day, by_word=True)
        self._word.clear()
        self._words = 0
