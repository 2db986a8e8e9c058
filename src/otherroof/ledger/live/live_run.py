"""A run under way as its process tells of it, and how one ended: values, and the JSON in which they are left.

What is read may have been cut off by a power cut, or put there by anybody who has the service's account: it is
believed only as far as it has the right shape. It must not know where the files lie.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any, Literal

from otherroof.base.clock import from_stamp, stamp
from otherroof.base.printable import escaped
from otherroof.copying.report import OUTCOMES, RunReport
from otherroof.far_copy.entry import path_text
from otherroof.forecast.advance import Advance, ProgressReading
from otherroof.forecast.pace import TimeLeft

By = Literal["hand", "service"]
MOST_DISKS = 100  # other disks that are named of a run that has ended
_NOTHING_YET = Advance(ProgressReading("beginning", 0, 0, 0, 0))


@dataclass(frozen=True, slots=True)
class LiveRun:
    """A run whose process lives.

    `token` is this run's alone, and empty if its process lives but could not say more. `by` says who runs it, `wish`
    the token of the wish that it fulfils, `since` when it began, `at` when this was written. `run` is its id in the
    history, empty before it has one, and `before` the id that it had to give up. `stopping`: why it was asked to stop.
    Wire bytes are those so far.
    """

    token: str
    job: str
    far: str
    by: By
    pid: int
    since: datetime
    at: datetime
    run: str = ""
    before: str = ""
    wish: str = ""
    advance: Advance = _NOTHING_YET
    wire_up: int = 0
    wire_down: int = 0
    stopping: str = ""

    def is_run(self, run: str) -> bool:
        """Whether the history's `run` may be this one."""
        return not self.token or run in (self.run, self.before)

    def as_json(self) -> dict[str, Any]:
        """For `--json`: share from 0 to 1, rate in bytes a second, times left in seconds (null if endless)."""
        one, left = self.advance.reading, self.advance.left
        return {
            "by": self.by,
            "since": stamp(self.since),
            "at": stamp(self.at),
            "stage": one.stage,
            "share": self.advance.share,
            "files": one.files,
            "files_total": one.files_total,
            "bytes": one.done,
            "bytes_total": one.total,
            "rate": round(self.advance.rate),
            "left_least_s": round(left.least) if left else None,
            "left_most_s": round(left.most) if left and math.isfinite(left.most) else None,
            "wire_up": self.wire_up,
            "wire_down": self.wire_down,
            "path": path_text(one.path),
            "stopping": self.stopping,
        }


@dataclass(frozen=True, slots=True)
class EndedRun:
    """How a run came to its end, for whoever waits for it: `said` is its error's line, empty if there was none;
    `by_hand`: a person stopped it. The report is without its problems, which the history has."""

    token: str
    wish: str
    exit_code: int
    said: str
    by_hand: bool
    report: RunReport = field(default_factory=lambda: RunReport("", ""))


def live_text(run: LiveRun) -> str:
    """`run` as it is left for others."""
    advance = run.advance
    left = [advance.left.least, advance.left.most] if advance.left else None
    parts = {
        **{name: getattr(run, name) for name in _PLAIN},
        "since": stamp(run.since),
        "at": stamp(run.at),
        "reading": asdict(advance.reading) | {"path": advance.reading.path.hex()},
        "rate": advance.rate,
        "left": left,
    }
    return json.dumps({"live": parts})


def ended_text(ended: EndedRun) -> str:
    """`ended` as it is left for others."""
    report = ended.report
    parts = {
        **{name: getattr(ended, name) for name in ("token", "wish", "exit_code", "said", "by_hand")},
        "job": report.job,
        "run": report.run,
        "outcome": report.outcome,
        "reason": report.reason,
        "figures": list(report.figures.values()),
        "other_disks": report.other_disks[:MOST_DISKS],
    }
    return json.dumps({"ended": parts})


def read_run(text: bytes) -> LiveRun | EndedRun | None:
    """What such a text tells; None if it is none."""
    try:
        parts = json.loads(text)
        if "ended" in parts:
            return _ended(parts["ended"])
        return _live(parts["live"])
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError):
        return None


_PLAIN = ("token", "job", "far", "by", "pid", "run", "before", "wish", "wire_up", "wire_down", "stopping")


def _live(parts: dict[str, Any]) -> LiveRun:
    one = parts["reading"]
    files, files_total, done, total = (_count(one[name]) for name in ("files", "files_total", "done", "total"))
    reading = ProgressReading(_word(one["stage"]), files, files_total, done, total, bytes.fromhex(one["path"]))
    left = TimeLeft(float(parts["left"][0]), float(parts["left"][1])) if parts["left"] else None
    if left is not None and not (0 <= left.least <= left.most and math.isfinite(left.least)):
        raise ValueError("not a stretch of time")
    words = {name: _word(parts[name]) for name in ("token", "job", "far", "run", "before", "wish", "stopping")}
    return LiveRun(
        **words,
        by="service" if parts["by"] == "service" else "hand",
        pid=_count(parts["pid"]),
        since=from_stamp(parts["since"]),
        at=from_stamp(parts["at"]),
        advance=Advance(reading, max(0.0, float(parts["rate"])), left),
        wire_up=_count(parts["wire_up"]),
        wire_down=_count(parts["wire_down"]),
    )


def _ended(parts: dict[str, Any]) -> EndedRun:
    report = RunReport(_word(parts["job"]), _word(parts["run"]), reason=_word(parts["reason"]))
    if parts["outcome"] not in OUTCOMES or len(parts["figures"]) != len(report.figures):
        raise ValueError("not a report of ours")
    report.outcome = parts["outcome"]
    report.take_figures([max(0, number + 0) for number in parts["figures"]])
    report.other_disks = [_word(disk) for disk in parts["other_disks"]]
    return EndedRun(
        _word(parts["token"]),
        _word(parts["wish"]),
        _count(parts["exit_code"]),
        _word(parts["said"]),
        parts["by_hand"] is True,
        report,
    )


def _word(value: Any) -> str:
    """A text that a terminal can be given. Raises TypeError if it is none."""
    if not isinstance(value, str):
        raise TypeError("not a text")
    return escaped(value)


def _count(value: Any) -> int:
    if not isinstance(value, int) or value < 0:
        raise ValueError("not a count")
    return value
