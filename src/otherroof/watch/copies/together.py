"""Says of each folder, in one line, how all its copies stand: one that keeps its promise keeps the folder safe.

Pure. What is late, silent or damaged is the rules' to say; here it is put together by folder.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from otherroof.base.clock import stamp
from otherroof.base.local_time import day_text, morning_after, short_day_text, wall_time
from otherroof.base.units import count_text, percent_text
from otherroof.settings.copies.names import stem_of
from otherroof.watch.facts import HEALED, Facts, FarFacts, Finding, JobFacts
from otherroof.watch.first_copy import first_copy_short, still_text


@dataclass(frozen=True, slots=True)
class CopyStands:
    """One copy of a folder. `fresh`: as new as promised; `silent_since`: when its far box last answered, if that is
    silent (`never` if it never did); `damaged`: something there was found damaged; `first`: that a first copy is
    under way or stands still, in words; `share`: how much of that is there, from 0 to 1."""

    job: str
    far: str
    fresh: bool
    newest: datetime | None = None
    silent_since: datetime | None = None
    never: bool = False
    damaged: bool = False
    first: str = ""
    share: float = 0.0

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
            how += "" if self.newest is not None else f" ({self._no_more})"
        elif self.newest is None:
            how = self.first or "none yet"
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

    @property
    def _no_more(self) -> str:
        """What is there of a copy that is none."""
        return f"first copy {percent_text(self.share)} there" if self.share else "no copy yet"


@dataclass(frozen=True, slots=True)
class FolderStands:
    """A folder with all its copies, under so many other `roofs`."""

    name: str
    copies: tuple[CopyStands, ...]
    roofs: int

    @property
    def kept(self) -> bool:
        """Whether one copy at least is whole and as new as promised."""
        return any(copy.kept for copy in self.copies)

    def said(self, now: datetime, zone: ZoneInfo) -> str:
        """All copies in one line."""
        each = ", ".join(copy.said(now, zone) for copy in self.copies)
        roofs = "one roof" if self.roofs == 1 else count_text(self.roofs, "roof")
        under = f" under {roofs}" if self.roofs < len(self.copies) else ""
        return f"{count_text(len(self.copies), 'copy', 'copies')}{under}: {each}"

    def as_json(self, now: datetime, zone: ZoneInfo) -> dict[str, Any]:
        """As `status` and `digest` print it."""
        return {
            "folder": self.name,
            "kept": self.kept,
            "roofs": self.roofs,
            "said": self.said(now, zone),
            "copies": [
                {
                    "job": copy.job,
                    "far": copy.far,
                    "kept": copy.kept,
                    "newest": stamp(copy.newest) if copy.newest else None,
                    "silent_since": stamp(copy.silent_since) if copy.silent_since else None,
                    "damaged": copy.damaged,
                    "first_copy": copy.first,
                }
                for copy in self.copies
            ],
        }


def folders_of(facts: Facts, found: Iterable[Finding]) -> tuple[FolderStands, ...]:
    """Every folder with its copies, in the order of the facts. `found` is what the rules find in these."""
    found = list(found)
    damaged = {one.about for one in found if one.rule == "damage" and not one.mark.startswith(HEALED)}
    late = {one.about for one in found if one.rule == "late"}
    boxes = {far.name: far for far in facts.fars}
    folders: dict[str, list[CopyStands]] = {}
    for job in facts.jobs:
        stands = _stands(job, boxes.get(job.far), facts.now, damaged)
        copy = job.copy_under_way(facts.now, facts.zone)
        if copy is not None:
            still = still_text(copy, job.got_on(facts.now), facts.zone) if job.name in late else ""
            stands = replace(stands, first=still or first_copy_short(copy, facts.now, facts.zone), share=copy.share)
        folders.setdefault(stem_of(job.name), []).append(stands)
    under = {name: far.roof or (name,) for name, far in boxes.items()}
    return tuple(
        FolderStands(name, tuple(copies), len({under.get(copy.far, (copy.far,)) for copy in copies}))
        for name, copies in folders.items()
    )


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
