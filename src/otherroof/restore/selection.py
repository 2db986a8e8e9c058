"""What is to come back, out of which version, and what came of it. Values only."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from otherroof.base.errors import WrongUse
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import Entry, path_text
from otherroof.far_copy.listing import Header
from otherroof.restore.finding.like import Like, is_meant


@dataclass(frozen=True, slots=True)
class Selection:
    """What is to come back: everything, or these paths and what is below them; of that, if there is a pattern, only
    what it means, and what is below such a folder.

    `on_the_way` are folders that hold something that a pattern means: see `among`.
    """

    paths: tuple[bytes, ...] = ()
    like: Like | None = None
    on_the_way: frozenset[bytes] = frozenset()

    @property
    def is_all(self) -> bool:
        """Whether all of a version is wanted."""
        return not self.paths and self.like is None

    def has(self, path: bytes) -> bool:
        """Whether this entry is wanted itself."""
        named = not self.paths or any(path == wanted or path.startswith(wanted + b"/") for wanted in self.paths)
        return named and (self.like is None or is_meant(self.like, path))

    def leads_to(self, path: bytes) -> bool:
        """Whether this folder is needed to hold something that is wanted."""
        if self.like is not None:
            return path in self.on_the_way
        return any(wanted.startswith(path + b"/") for wanted in self.paths)

    def among(self, entries: Iterable[Entry]) -> Selection:
        """The same, knowing through which folders a pattern leads. Raises WrongUse if it means none."""
        if self.like is None:
            return self
        found: set[bytes] = set()
        nothing = True
        for entry in entries:
            if self.has(entry.path):
                nothing = False
                above = entry.path.rpartition(b"/")[0]
                while above and above not in found:
                    found.add(above)
                    above = above.rpartition(b"/")[0]
        if nothing:
            raise WrongUse(
                "nothing in this version is called like that",
                where=self.like.pattern,
                advice="`otherroof files JOB --like PATTERN` shows what a pattern means",
            )
        return replace(self, on_the_way=frozenset(found))


class UnmetPaths:
    """The paths of a selection of which a version has shown nothing yet."""

    def __init__(self, wanted: Selection) -> None:
        # Whether a pattern means anything, `among` has found out.
        self._left = set(wanted.paths) if wanted.like is None else set()

    def met(self, path: bytes) -> None:
        """The version has an entry at `path`."""
        if self._left:
            self._left -= {one for one in self._left if Selection((one,)).has(path)}

    def require_none(self, header: Header) -> None:
        """Raises WrongUse if one is left at the end of the version's entries."""
        if self._left:
            raise WrongUse(
                f"this version holds no {path_text(min(self._left)) or 'path without a name'}",
                where=f"{header.job}/{header.run}",
                advice="`otherroof versions JOB PATH` tells which versions hold a path; give it as it lies in the job's"
                " folder, or none for everything",
            )


@dataclass(frozen=True, slots=True)
class FromElsewhere:
    """A file that this copy does not have whole, and `why`; its content came from another `copy` of the folder."""

    path: bytes
    why: str
    copy: str

    @property
    def problem(self) -> Problem:
        """What is wrong with it here."""
        return Problem(path_text(self.path), self.why)


@dataclass(slots=True)
class RestoreReport:
    """What came of it. `damaged` are files that could not be had as the listing says from anywhere, `elsewhere` those
    that came from another copy; `problems` are smaller matters."""

    header: Header
    files: int = 0
    folders: int = 0
    size: int = 0
    kept: int = 0
    damaged: list[Problem] = field(default_factory=list)
    elsewhere: list[FromElsewhere] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
