"""What home remembers of a far copy as a whole. Values only."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class CopyState:
    """What the catalogue is a record of: `run` is the newest that counts, `settled` one that was cut and looked into.

    `mounted` tells whether the folder was a mount point of its own. `top` is the line of the folder itself; it is
    only written into the listing. `lost` is a run that the far copy no longer held when it was looked at.
    """

    run: str
    home_id: str
    mounted: bool = False
    files: int = 0
    size: int = 0
    settled: str = ""
    top: str = ""
    lost: str = ""
    whole_run: str = ""  # the run whose listing holds every line, if `run` changed nothing
