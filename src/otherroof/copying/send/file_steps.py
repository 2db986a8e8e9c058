"""What is known of the files that are being brought at this moment: the step each is at, and what waits for what.

Values only; the file sender decides what follows from them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Literal

from otherroof.base.errors import FarTrouble, OtherroofError
from otherroof.copying.compare.change import PlannedChange
from otherroof.copying.send.stream import FileStream
from otherroof.far.place import Task

FileStep = Literal["put", "from far", "adopt", "prepare", "upload", "finish", "forget"]


@dataclass(slots=True, eq=False)
class FileUnderWay:
    """A file under way and the step it is at."""

    change: PlannedChange
    step: FileStep
    data: bytes = b""
    stream: FileStream | None = None
    has_old: bool = False
    uploads: int = 0  # under way
    connections: int = 0  # connections that were given a share of this file
    failure: OtherroofError | None = None
    tries: int = 1


@dataclass(slots=True)
class SendState:
    """State of one call of FileSender.send: queues, files under way, and what waits."""

    next: deque[Task[FileUnderWay, object]] = field(default_factory=deque)
    ready: list[Task[FileUnderWay, object]] = field(default_factory=list)
    ready_bytes: int = 0
    under_way: int = 0
    uploading: list[FileUnderWay] = field(default_factory=list)
    plain: set[bytes] = field(default_factory=set)  # paths whose content is to be sent, wherever it may be
    stuck: int = 0  # rounds in a row in which nothing could be sent, because every file left waits for another
    taken: set[bytes] = field(default_factory=set)  # if stuck: paths begun in this round
    lent: set[bytes] = field(default_factory=set)  # if stuck: other files are made from these
    deferred: int = 0
    refusal: FarTrouble | None = None
    refused_size: int = 0
    refusals: int = 0
