"""How far a restore is: plain numbers, for any display."""

from __future__ import annotations

from dataclasses import dataclass, field

from otherroof.far.place import Meter


@dataclass(slots=True)
class RestoreProgress:
    """Files and bytes that came back so far, of how many; sizes in bytes."""

    files: int = 0
    files_total: int = 0
    bytes_total: int = 0
    path: bytes = b""
    meter: Meter = field(default_factory=Meter)
