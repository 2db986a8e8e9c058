"""What the steps of sending share: layout, notes, folder, and a way to be told to stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from otherroof.base.clock import Clock
from otherroof.copying.compare.plan import Plan
from otherroof.copying.home.chunks import ChunkList
from otherroof.copying.home.nature import Sampler
from otherroof.copying.home.read import Source
from otherroof.copying.progress import Progress
from otherroof.copying.send.stream import Reader
from otherroof.far_copy.ports import Layout


class Stop(Protocol):
    """Somebody may ask a run to stop; it then ends what is in flight and begins no more."""

    def asked(self) -> str:
        """Why the run should stop; empty while it should go on."""


class Chunks(Protocol):
    """Where chunk lists are kept from one run to the next; `key` is secret and stays the same."""

    key: bytes

    def get(self, path: bytes, digest: bytes) -> ChunkList | None: ...

    def put(self, path: bytes, digest: bytes, chunks: ChunkList) -> None: ...


@dataclass(slots=True)
class Sent:
    """Content in bytes that crossed the link."""

    bytes: int = 0


@dataclass(frozen=True, slots=True)
class Outfit:
    """All that sending works with.

    `unsure` tells that an earlier run was cut and its notes are lost: files may stand at the far end unknown to us.
    """

    layout: Layout
    plan: Plan
    source: Source
    reader: Reader
    chunks: Chunks
    clock: Clock
    stop: Stop
    progress: Progress
    tick: Callable[[], None]
    unsure: bool = False
    sent: Sent = field(default_factory=Sent)
    sampler: Sampler = field(default_factory=Sampler)
