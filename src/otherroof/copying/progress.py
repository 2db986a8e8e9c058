"""How far a run is: plain numbers that the run writes and any display may read, from any thread."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from otherroof.far.place import Meter

Stage = Literal[
    "waiting for its turn",
    "connecting",
    "looking",
    "comparing",
    "sending",
    "waiting for the far disk",
    "writing its list",
]


@dataclass(slots=True)
class Progress:
    """Files and bytes of the stage that runs now; totals are 0 while they are not known. Sizes are in bytes."""

    stage: Stage = "connecting"
    files: int = 0
    files_total: int = 0
    bytes_total: int = 0
    path: bytes = b""
    put: int = 0  # bytes of small files that have arrived; large ones are counted by the meter as they flow
    meter: Meter = field(default_factory=Meter)

    def begin(self, stage: Stage, files_total: int = 0, bytes_total: int = 0) -> None:
        """A stage begins; totals in files and bytes, 0 if they are not known."""
        self.stage, self.files, self.path = stage, 0, b""
        self.files_total, self.bytes_total = files_total, bytes_total

    @property
    def landed(self) -> int:
        """Bytes of content that have arrived."""
        return self.put + self.meter.landed
