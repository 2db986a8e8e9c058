"""What a proof is asked to read, and what is remembered from one to the next. It knows neither settings nor ledger."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from otherroof.restore.proving.report import FarDamage


class ProofMemory(Protocol):
    """What is remembered of far files by their names: when each was proved last, as numbers of days (0: never)."""

    def day(self, name: bytes) -> int: ...

    def proved(self, name: bytes) -> None: ...

    def proved_by_word(self, name: bytes, at: datetime) -> None: ...

    def damaged(self, damage: FarDamage) -> None: ...

    def forget(self, name: bytes) -> None: ...


@dataclass(frozen=True, slots=True)
class ProofRequest:
    """What to read: `whole` everything; else `share` (0 to 1) of it, or what `budget` bytes on the wire allow.

    `known_runs` counted by home's own history, so their listings should be there. `every_nights`: within so many nights
    each listing is to have its turn, `today` being the number of this day. `nightly` is what
    the service may read in a night, whatever is asked for now.
    """

    job: str
    whole: bool = False
    budget: int | None = None
    share: float = 0.0
    known_runs: frozenset[str] = frozenset()
    every_nights: float = 90.0
    today: int = 0
    nightly: int = 0
