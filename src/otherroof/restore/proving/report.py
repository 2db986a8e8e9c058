"""What came of a proof. Values only, and how they are said to people."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from otherroof.far.place import Meter
from otherroof.far_copy.entry import Entry, path_text
from otherroof.far_copy.run_ids import listing_text
from otherroof.forecast.proof_pace import sample_said


@dataclass(slots=True, eq=False)
class FarDamage:
    """A far file that is not what a listing says. `path` in the job's folder, empty for the listing of `run` itself;
    `run` is the newest version that needs it, `name` the far file's.

    It was read back over the line: the far box's own word alone makes no damage. `healed`: the whole content stands
    there again, and was read back. `left`: why it is not, or what is left of it.
    """

    path: bytes
    run: str
    why: str
    name: bytes
    entry: Entry | None = None
    in_newest: bool = False
    healed: bool = False
    left: str = ""

    @property
    def shown(self) -> str:
        """The file for people."""
        return path_text(self.path) if self.path else listing_text(self.run)


@dataclass(slots=True)
class ProofProgress:
    """Files and bytes read back so far, of how many; sizes in bytes."""

    files: int = 0
    files_total: int = 0
    bytes_total: int = 0
    path: bytes = b""
    stage: str = "proving"
    meter: Meter = field(default_factory=Meter)


@dataclass(slots=True)
class ProofReport:
    """Files read back over the line, and what was found. Sizes are in bytes of content.

    `parts` of files that are too large for one night were compared with the files here.
    `drawn` of the `population` were drawn at random, of which `drawn_damaged` were damaged; the population is all files
    of up to `drawn_up_to` bytes, 0 if any. `word_files` are whole by
    the far box's own word of `word_at`. Of the newest version `never` files were not read back yet, of the others the
    first on the day with the number `oldest_day`. `extra` are far files that no version needs. `too_large` files
    had no room in this budget. `to_read` is about how many bytes on the wire it takes to read everything back once;
    `by_no_night` files are due that a night of the job's own budget has no room for, `largest` bytes being what the
    largest of them would need. `cut`: why it ended before it was through.
    """

    job: str
    whole: bool = False
    files: int = 0
    size: int = 0
    listings: int = 0
    parts: int = 0
    drawn: int = 0
    drawn_damaged: int = 0
    population: int = 0
    drawn_up_to: int = 0
    too_large: int = 0
    too_large_bytes: int = 0
    by_no_night: int = 0
    largest: int = 0
    word_files: int = 0
    word_at: datetime | None = None
    never: int = 0
    oldest_day: int = 0
    to_read: int = 0
    damaged: list[FarDamage] = field(default_factory=list)
    extra: list[bytes] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    cut: str = ""

    @property
    def healed(self) -> int:
        """How many damaged files are whole again."""
        return sum(one.healed for one in self.damaged)

    @property
    def sample_said(self) -> str:
        """What the files that were drawn at random say of all; empty if none were drawn."""
        return sample_said(self.drawn_damaged, self.drawn, self.population, self.drawn_up_to)
