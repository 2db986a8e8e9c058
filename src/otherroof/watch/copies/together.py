"""Says of each folder, in one line, how all its copies stand: one that keeps its promise keeps the folder safe.

Pure. What is late, silent or damaged is the rules' to say; here it is put together by folder.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from otherroof.base.clock import stamp
from otherroof.base.local_time import day_text, morning_after, short_day_text, wall_time
from otherroof.base.units import count_text
from otherroof.settings.copies.names import stem_of
from otherroof.watch.facts import HEALED, Facts, FarFacts, Finding, JobFacts


@dataclass(frozen=True, slots=True)
class CopyStands:
    """One copy of a folder. `fresh`: as new as promised; `silent_since`: when its far box last answered, if that is
    silent (`never` if it never did); `damaged`: something there was found damaged."""

    job: str
    far: str
    fresh: bool
    newest: datetime | None = None
    silent_since: datetime | None = None
    never: bool = False
    damaged: bool = False

    @property
    def kept(self) -> bool:
        """Whether all could be got back from it, as new as promised."""
        return self.fresh and not self.damaged

    def said(self, now: datetime, zone: ZoneInfo) -> str:
        """How it stands, in a few words."""
        if self.never:
            how = "has never answered"
        elif self.silent_since is not None:
            how = f"silent since {day_text(self.silent_since, zone)}"
        elif self.newest is None:
            how = "none yet"
        elif self.damaged:
            how = "damaged"
        elif not self.fresh:
            how = f"too old, of {day_text(self.newest, zone)}"
        elif morning_after(self.newest, zone) == wall_time(now, zone).date():
            how = "last night"
        else:
            how = short_day_text(self.newest, zone)
        also = " and damaged" if self.damaged and how != "damaged" else ""
        return f"{self.far} {how}{also}"


@dataclass(frozen=True, slots=True)
class FolderStands:
    """A folder with all its copies under other roofs."""

    name: str
    copies: tuple[CopyStands, ...]

    @property
    def kept(self) -> bool:
        """Whether one copy at least is whole and as new as promised."""
        return any(copy.kept for copy in self.copies)

    def said(self, now: datetime, zone: ZoneInfo) -> str:
        """All copies in one line."""
        each = ", ".join(copy.said(now, zone) for copy in self.copies)
        return f"{count_text(len(self.copies), 'copy', 'copies')}: {each}"

    def as_json(self, now: datetime, zone: ZoneInfo) -> dict[str, Any]:
        """As `status` and `digest` print it."""
        return {
            "folder": self.name,
            "kept": self.kept,
            "said": self.said(now, zone),
            "copies": [
                {
                    "job": copy.job,
                    "far": copy.far,
                    "kept": copy.kept,
                    "newest": stamp(copy.newest) if copy.newest else None,
                    "silent_since": stamp(copy.silent_since) if copy.silent_since else None,
                    "damaged": copy.damaged,
                }
                for copy in self.copies
            ],
        }


def folders_of(facts: Facts, found: Iterable[Finding]) -> tuple[FolderStands, ...]:
    """Every folder with its copies, in the order of the facts. `found` is what the rules find in these."""
    damaged = {one.about for one in found if one.rule == "damage" and not one.mark.startswith(HEALED)}
    boxes = {far.name: far for far in facts.fars}
    folders: dict[str, list[CopyStands]] = {}
    for job in facts.jobs:
        stands = _stands(job, boxes.get(job.far), facts.now, damaged)
        folders.setdefault(stem_of(job.name), []).append(stands)
    return tuple(FolderStands(name, tuple(copies)) for name, copies in folders.items())


def _stands(job: JobFacts, far: FarFacts | None, now: datetime, damaged: Collection[str]) -> CopyStands:
    silent = far is not None and far.unheard
    return CopyStands(
        job.name,
        job.far,
        fresh=job.is_fresh(now),
        newest=job.newest,
        silent_since=far.answered if far is not None and silent else None,
        never=far is not None and silent and far.answered is None,
        damaged=job.name in damaged,
    )


def fresh_beside(facts: Facts, job: JobFacts) -> list[str]:
    """The other copies of the folder of `job` that are as new as promised, and nothing of them is known as damaged."""
    return [
        other.name
        for other in facts.jobs
        if other is not job
        and stem_of(other.name) == stem_of(job.name)
        and other.is_fresh(facts.now)
        and not other.damages
    ]
