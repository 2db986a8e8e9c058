"""What is to come back, out of which version, and what came of it. Values only."""

from __future__ import annotations

from dataclasses import dataclass, field

from otherroof.copying.report import Problem
from otherroof.far_copy.listing import Header


@dataclass(frozen=True, slots=True)
class Selection:
    """What is to come back: everything, or these paths and what is below them."""

    paths: tuple[bytes, ...] = ()

    def has(self, path: bytes) -> bool:
        """Whether this entry is wanted itself."""
        return not self.paths or any(path == wanted or path.startswith(wanted + b"/") for wanted in self.paths)

    def leads_to(self, path: bytes) -> bool:
        """Whether this folder is needed to hold something that is wanted."""
        return any(wanted.startswith(path + b"/") for wanted in self.paths)


@dataclass(slots=True)
class RestoreReport:
    """What came of it. `damaged` are files that could not be had as the listing says; `problems` smaller matters."""

    header: Header
    files: int = 0
    folders: int = 0
    size: int = 0
    kept: int = 0
    damaged: list[Problem] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
