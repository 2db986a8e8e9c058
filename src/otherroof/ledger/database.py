"""The ledger as the rest of the house uses it: one file, and a small class for each kind of thing that is in it.

Holds no rule about what a figure means: it writes down and gives back. A damaged file is set aside, and a new history
begins in its place, whether that shows at opening or later.
"""

from __future__ import annotations

import os
from datetime import datetime
from types import TracebackType
from typing import Self

from otherroof.base.errors import OtherroofError
from otherroof.base.sqlite_file import all_set_aside
from otherroof.ledger.alerts import AlertPage
from otherroof.ledger.copies.renamed import RenamedPage
from otherroof.ledger.drills import DrillPage
from otherroof.ledger.far_findings import DamagePage, SpacePage
from otherroof.ledger.file import LedgerFile
from otherroof.ledger.job_times import JobTimesPage, MarkPage
from otherroof.ledger.keeping import LetGoPage, PinPage, RulePage, ThinnedPage
from otherroof.ledger.last_look import LookPage
from otherroof.ledger.live.live_runs import LiveRuns
from otherroof.ledger.live.wishes import Wishes
from otherroof.ledger.messages import DigestPage, PostPage
from otherroof.ledger.planning.forecasts import ForecastPage
from otherroof.ledger.planning.line_readings import LinePage
from otherroof.ledger.probes import ProbePage, TunnelPage
from otherroof.ledger.proofs import ProofPage, ProvedPage
from otherroof.ledger.runs import AnswerPage, HoldPage, RunPage


class Ledger:
    """The history database in the state folder, page by page. Safe for several processes; one thread each.

    `live` and `wishes` are files beside it: what is under way now, and what people wish of it.
    """

    def __init__(self, path: str) -> None:
        self.file = LedgerFile(path)
        self.live = LiveRuns(os.path.dirname(path))
        self.wishes = Wishes(os.path.dirname(path))
        self.runs = RunPage(self.file, self.live)
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
        self.job_times = JobTimesPage(self.file)
        self.marks = MarkPage(self.file)
        self.thinned = ThinnedPage(self.file)
        self.pins = PinPage(self.file)
        self.let_go = LetGoPage(self.file)
        self.rules = RulePage(self.file)
        self.proofs = ProofPage(self.file)
        self.proved = ProvedPage(self.file)
        self.drills = DrillPage(self.file)
        self.lines = LinePage(self.file)
        self.forecasts = ForecastPage(self.file)
        self.renamed = RenamedPage(self.file)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, Exception) and not isinstance(error, OtherroofError):
            self.file.refuse_if_unsound(error)
        self.close()

    def close(self) -> None:
        """Close the file; nothing is lost without it."""
        self.file.close()

    def wire_bytes_since(self, far: str, since: datetime) -> int:
        """Bytes on the wire to and from a far box since then, both ways: of runs, proofs, drills and
        measurements."""
        pages = (self.runs, self.proofs, self.drills, self.lines)
        return sum(page.wire_bytes_since(far, since) for page in pages)

    def take_untold(self, now: datetime) -> list[str]:
        """What is to be told of ledgers that were damaged and set aside; each is told once."""
        told, known = [], self.marks.by_name()
        for aside in all_set_aside(self.file.path):
            mark = f"told of {os.path.basename(aside)}"
            if mark not in known:
                told.append(f"the history was damaged; it was set aside as {aside}, and a new one has begun")
                self.marks.note(mark, now)
        return told
