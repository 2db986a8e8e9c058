"""The ledger as the rest of the house uses it: one file, and a small class for each kind of thing that is in it.

Holds no rule about what a figure means: it writes down and gives back.
"""

from __future__ import annotations

from types import TracebackType
from typing import Self

from otherroof.ledger.alerts import AlertPage
from otherroof.ledger.file import LedgerFile
from otherroof.ledger.job_times import MarkPage, TurnPage
from otherroof.ledger.last_look import LookPage
from otherroof.ledger.messages import DigestPage, PostPage
from otherroof.ledger.probes import ProbePage, TunnelPage
from otherroof.ledger.runs import AnswerPage, HoldPage, RunPage
from otherroof.ledger.space import DamagePage, SpacePage


class Ledger:
    """The history database in the state folder, page by page. Safe for several processes; one thread each."""

    def __init__(self, path: str) -> None:
        self.file = LedgerFile(path)
        self.runs = RunPage(self.file)
        self.holds = HoldPage(self.file)
        self.answers = AnswerPage(self.file)
        self.probes = ProbePage(self.file)
        self.tunnels = TunnelPage(self.file)
        self.spaces = SpacePage(self.file)
        self.damages = DamagePage(self.file)
        self.alerts = AlertPage(self.file)
        self.posts = PostPage(self.file)
        self.digests = DigestPage(self.file)
        self.looks = LookPage(self.file)
        self.turns = TurnPage(self.file)
        self.marks = MarkPage(self.file)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; nothing is lost without it."""
        self.file.close()
