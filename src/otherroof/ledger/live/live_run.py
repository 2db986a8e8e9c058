"""A run under way as its process tells of it, and how one ended: values, and the JSON in which they are left.

What is read may have been cut off by a power cut, or put there by anybody who has the service's account: it is
believed only as far as it has the right shape. It must not know where the files lie.
"""

from __future__ import annotations

import json
import math
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from datetime import MAXYEAR, MINYEAR, datetime
from typing import Any, Literal

from otherroof.base.clock import from_stamp, stamp
from otherroof.base.printable import escaped
from otherroof.copying.report import FIGURES, OUTCOMES, RunReport, parts_of
from otherroof.far_copy.entry import path_text
from otherroof.forecast.advance import Advance, ProgressReading
from otherroof.forecast.pace import TimeLeft
from otherroof.ledger.live.small_file import MOST, NOT_OURS

By = Literal["hand", "service", "disk"]  # disk: by hand, onto a disk that is carried
# Of a run that has ended: so much of the names of other disks and of what it said, as they are written. A longer text
# would not be read as a whole, and the run would be taken for a killed one.
MOST_OF_DISKS = MOST_SAID = MOST // 8
MOST_OF_ENDS = MOST // 2
ENDS_KEPT = 4  # more than can come between two looks of somebody who waits for one of them
# Beyond these it is no run's own figure, and no screen could show it.
MOST_EXIT_CODE = 255  # the kernel keeps eight bits of it (wait(2))
MOST_COUNTED, MOST_RATE, LONGEST_LEFT_S = 2**63 - 1, 1e15, 1e12
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
        **{name: getattr(ended, name) for name in ("token", "wish", "exit_code", "by_hand")},
        "said": _that_fits(ended.said, MOST_SAID),
        "job": report.job,
        "run": report.run,
        "outcome": report.outcome,
        "reason": _that_fits(report.reason, MOST_SAID),
        "figures": list(report.figures.values()),
        "other_disks": _those_that_fit(report.other_disks, MOST_OF_DISKS),
    }
    return json.dumps({"ended": parts})


def read_live(text: bytes) -> LiveRun | None:
    """The run that such a text tells of; None if it is none."""
    try:
        return _live(json.loads(text)["live"])
    except NOT_OURS:
        return None


def ends_text(before: bytes, ended: EndedRun) -> str:
    """The ends that stand in `before`, and this one: the newest few, a line for each, the newest last."""
    lines = [*(ended_text(one) for one in read_ends(before)), ended_text(ended)][-ENDS_KEPT:]
    while len(lines) > 1 and sum(map(len, lines)) > MOST_OF_ENDS:
        del lines[0]
    return "".join(f"{line}\n" for line in lines)


def read_ends(text: bytes) -> list[EndedRun]:
    """The ends that such a text tells; what is none is passed over."""
    found = []
    for line in text.splitlines():
        with suppress(*NOT_OURS):
            found.append(_ended(json.loads(line)["ended"]))
    return found


def exit_code_of(value: object) -> int:
    """`value` as the exit code of a program. Raises ValueError if it is none."""
    if not isinstance(value, int) or not 0 <= value <= MOST_EXIT_CODE:
        raise ValueError("not an exit code")
    return value


def _those_that_fit(texts: list[str], room: int) -> list[str]:
    """So many of the first `texts` as have room in that much of JSON."""
    kept = []
    for text in texts:
        room -= len(json.dumps(text)) + 2
        if room < 0:
            break
        kept.append(text)
    return kept


def _that_fits(text: str, room: int) -> str:
    """`text`, or its beginning if it takes more room than that as JSON."""
    while len(json.dumps(text)) > room:
        text = text[: len(text) * 3 // 4] + "…"
    return text


_PLAIN = ("token", "job", "far", "by", "pid", "run", "before", "wish", "wire_up", "wire_down", "stopping")


def _live(parts: dict[str, Any]) -> LiveRun:
    one = parts["reading"]
    files, files_total, done, total = (_count(one[name]) for name in ("files", "files_total", "done", "total"))
    reading = ProgressReading(_word(one["stage"]), files, files_total, done, total, bytes.fromhex(one["path"]))
    left = _left(parts["left"]) if parts["left"] else None
    words = {name: _word(parts[name]) for name in ("token", "job", "far", "run", "before", "wish", "stopping")}
    return LiveRun(
        **words,
        by=_by(parts["by"]),
        pid=_count(parts["pid"]),
        since=_moment(parts["since"]),
        at=_moment(parts["at"]),
        advance=Advance(reading, _within(float(parts["rate"]), MOST_RATE), left),
        wire_up=_count(parts["wire_up"]),
        wire_down=_count(parts["wire_down"]),
    )


def _ended(parts: dict[str, Any]) -> EndedRun:
    job, run, outcome, reason = _word(parts["job"]), _word(parts["run"]), parts["outcome"], _word(parts["reason"])
    if outcome not in OUTCOMES or len(parts["figures"]) != len(FIGURES):
        raise ValueError("not a report of ours")
    figures = [_within(number + 0, MOST_COUNTED) for number in parts["figures"]]
    report = RunReport(job, run, outcome, *parts_of(figures), reason=reason)
    report.other_disks = [_word(disk) for disk in parts["other_disks"]]
    return EndedRun(
        _word(parts["token"]),
        _word(parts["wish"]),
        exit_code_of(parts["exit_code"]),
        _word(parts["said"]),
        parts["by_hand"] is True,
        report,
    )


def _by(value: object) -> By:
    return "service" if value == "service" else "disk" if value == "disk" else "hand"


def _left(parts: list[Any]) -> TimeLeft:
    least, most = float(parts[0]), float(parts[1])
    if not 0 <= least <= most:
        raise ValueError("not a stretch of time")
    return TimeLeft(min(least, LONGEST_LEFT_S), most if most <= LONGEST_LEFT_S else math.inf)


def _within(value: Any, most: Any) -> Any:
    """`value`, or the nearest one from 0 to `most`; 0 if it is no number at all."""
    return min(max(0, value), most)


def _moment(text: str) -> datetime:
    """A moment that can be told in any zone. Raises ValueError."""
    moment = from_stamp(text)
    if not MINYEAR < moment.year < MAXYEAR:
        raise ValueError("not a moment of ours")
    return moment


def _word(value: Any) -> str:
    """A text that a terminal can be given. Raises TypeError if it is none."""
    if not isinstance(value, str):
        raise TypeError("not a text")
    return escaped(value)


def _count(value: Any) -> int:
    if not isinstance(value, int) or not 0 <= value <= MOST_COUNTED:
        raise ValueError("not a count")
    return value
