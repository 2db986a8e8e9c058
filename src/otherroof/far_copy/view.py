"""What a look at a job's far folder shows. Values only; what home remembers of the far copy is in `state`."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class FarCopyView:
    """What stands in a job's far folder. Run ids are in order of time; `mark` is empty if nobody has been there.

    `runs` have a listing, `earlier` have replaced or removed something, `under_way` have begun; `incoming` are names
    of what is half sent. `ready`: everything that a run needs to find is there.
    """

    mark: str = ""
    runs: list[str] = field(default_factory=list)
    earlier: list[str] = field(default_factory=list)
    under_way: list[str] = field(default_factory=list)
    incoming: list[bytes] = field(default_factory=list)
    ready: bool = False

    @property
    def cut(self) -> list[str]:
        """Runs that began to change the copy and never wrote their listing."""
        # A run leaves its first trace before its first change, and its listing after its last.
        known = set(self.runs)
        return sorted({run for run in (*self.earlier, *self.under_way) if run not in known})

    @property
    def newest(self) -> str:
        """The newest run that counts, or nothing."""
        return self.runs[-1] if self.runs else ""

    @property
    def last_seen(self) -> str:
        """The newest run of which there is any trace."""
        return max((*self.runs, *self.earlier, *self.under_way), default="")
