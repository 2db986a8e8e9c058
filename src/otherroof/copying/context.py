"""What the steps of a run share: time, a way to be told to stop, who watches, and all that sending works with.

One object for each, so that nothing has to be handed from step to step by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from otherroof.base.clock import Clock
from otherroof.base.errors import RunCut
from otherroof.copying.compare.catalogue import Catalogue
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.home.chunks import ChunkList
from otherroof.copying.home.looks_encrypted import EncryptionSampler
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.progress import Progress
from otherroof.copying.send.landed import LandedFiles
from otherroof.copying.send.own_secrets import OwnSecrets
from otherroof.copying.send.stream import ReadAhead
from otherroof.far_copy.writer import Writer

STEP_S = 1.0  # of a wait, between two looks at the stop sign


class StopRequest(Protocol):
    """Tells whether somebody asked the run to stop; then it begins nothing new, and what is in flight is finished or
    settled by the next run."""

    def asked(self) -> str:
        """Why the run should stop; empty while it should go on."""


class ChunkLists(Protocol):
    """Where chunk lists are kept from one run to the next; `key` is secret and stays the same."""

    key: bytes

    def get(self, path: bytes, digest: bytes) -> ChunkList | None: ...

    def put(self, path: bytes, digest: bytes, chunks: ChunkList) -> None: ...


@dataclass(frozen=True, slots=True)
class RunContext:
    """Time, the stop sign, the display, and what to call about every second.

    `renamed` hears if the run's id had to be another than the report began with: old, new. `secrets` are never sent.
    """

    clock: Clock
    stop: StopRequest
    progress: Progress
    tick: Callable[[], None]
    renamed: Callable[[str, str], None] = lambda old, new: None
    secrets: OwnSecrets = field(default_factory=OwnSecrets)

    def check_stop(self, job: str = "") -> None:
        """Raises RunCut if the run was asked to stop."""
        why = self.stop.asked()
        if why:
            raise RunCut(why, where=job, advice="the next run goes on from there")

    def wait(self, seconds: float, job: str = "") -> None:
        """Let so much time pass. Raises RunCut, within about a second, if the run was asked to stop."""
        until = self.clock.monotonic() + seconds
        while self.clock.monotonic() < until:
            self.check_stop(job)
            self.clock.sleep(min(STEP_S, max(0.01, until - self.clock.monotonic())))
            self.tick()


@dataclass(slots=True)
class SendTotals:
    """What was sent so far, over all connections: content in bytes that crossed the link, and samples of it."""

    bytes: int = 0
    sampler: EncryptionSampler = field(default_factory=EncryptionSampler)


@dataclass(frozen=True, slots=True)
class SendContext:
    """All that sending works with while one connection lasts.

    `landed` are the files that are not durable yet. `unsure` tells that an earlier run was cut and its notes are lost:
    files may stand at the far end unknown to us.
    """

    run: RunContext
    writer: Writer
    plan: RunPlan
    source: SourceFolder
    reader: ReadAhead
    chunks: ChunkLists
    totals: SendTotals
    landed: LandedFiles
    catalogue: Catalogue
    unsure: bool
