"""What the steps of sending share: layout, notes, folder, and a way to be told to stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from otherroof.base.clock import Clock
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.home.chunks import ChunkList
from otherroof.copying.home.looks_encrypted import EncryptionSampler
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.progress import Progress
from otherroof.copying.send.stream import ReadAhead
from otherroof.far_copy.ports import Writer


class StopRequest(Protocol):
    """Somebody may ask a run to stop; it then ends what is in flight and begins no more."""

    def asked(self) -> str:
        """Why the run should stop; empty while it should go on."""


class ChunkLists(Protocol):
    """Where chunk lists are kept from one run to the next; `key` is secret and stays the same."""

    key: bytes

    def get(self, path: bytes, digest: bytes) -> ChunkList | None: ...

    def put(self, path: bytes, digest: bytes, chunks: ChunkList) -> None: ...


@dataclass(slots=True)
class SentBytes:
    """Content in bytes that crossed the link."""

    bytes: int = 0


@dataclass(frozen=True, slots=True)
class SendContext:
    """All that sending works with.

    `unsure` tells that an earlier run was cut and its notes are lost: files may stand at the far end unknown to us.
    """

    layout: Writer
    plan: RunPlan
    source: SourceFolder
    reader: ReadAhead
    chunks: ChunkLists
    clock: Clock
    stop: StopRequest
    progress: Progress
    tick: Callable[[], None]
    unsure: bool = False
    sent: SentBytes = field(default_factory=SentBytes)
    sampler: EncryptionSampler = field(default_factory=EncryptionSampler)
