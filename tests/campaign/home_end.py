"""A run of the campaign, in a process of its own that may be killed, and what a damaged disk does to home's files."""

from __future__ import annotations

import json
import os
import random
import shutil
import time
import traceback
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from support.killable import Killable
from support.main_job import JOB

START = "import campaign.home_end as home; home.serve_runs({broken!r}, {server!r})"
STATE_PARTS = ("catalogues", "notes", "chunks")
MISTAKE = 70  # the exit code of a child that ended in something else than an error of the house


@dataclass
class RunEnd:
    """How a run ended. `outcome` is empty if it was killed, or if it could not even be written down."""

    code: int
    outcome: str = ""
    run: str = ""
    error: str = ""
    problems: list[tuple[str, str]] = field(default_factory=list)
    moment: tuple[float, float] = (0.0, 0.0)

    @property
    def killed(self) -> bool:
        """Whether a signal ended it."""
        return self.code < 0

    @property
    def paths(self) -> list[str]:
        """The paths that it could not copy, as text for people."""
        return [path for path, _ in self.problems if path]


class Runs:
    """Carries out the runs of one household. Use as a context manager."""

    def __init__(self, where: Path, broken: str = "", server: str = "") -> None:
        """`broken`: the mistake of `campaign.breakages` that every run shall have, if any. `server`: what tells the
        machine from others, if it is not this one."""
        self.told = where / "told"
        self._end = where / "run-end"
        self._killable = Killable(self.told, START.format(broken=broken, server=server))

    def __enter__(self) -> Runs:
        self._killable.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self._killable.__exit__(*error)

    def start(self, config: str, shift_s: float) -> int:
        """Begin a run whose clock is `shift_s` ahead; answers its process."""
        self._end.unlink(missing_ok=True)
        self._shift_s = shift_s
        self._began = time.time() + shift_s
        return self._killable.start([config, str(shift_s), str(self._end)])

    def kill(self, pid: int) -> None:
        """SIGKILL, unless it has ended by itself."""
        self._killable.kill(pid)

    def end(self, before_reaping: Callable[[], None] = lambda: None) -> RunEnd:
        """Wait for its end. `before_reaping` is called when it may still be killed."""
        code, _ = self._killable.end(before_reaping)
        moment = (self._began, time.time() + self._shift_s)
        if not self._end.exists():
            return RunEnd(code, moment=moment)
        found = json.loads(self._end.read_text())
        return RunEnd(code, **found, moment=moment)


# -- in the runs' own processes --


class ShiftedClock:
    """The machine's clock, but for the time of day."""

    def __init__(self, shift_s: float) -> None:
        from otherroof.base.clock import SystemClock

        self._clock = SystemClock()
        self._shift = timedelta(seconds=shift_s)

    def now(self) -> datetime:
        return self._clock.now() + self._shift

    def monotonic(self) -> float:
        return self._clock.monotonic()

    def sleep(self, seconds: float) -> None:
        self._clock.sleep(seconds)


def serve_runs(broken: str, server: str) -> None:
    """The parent of all runs, on this machine or on another one."""
    from support.killable import serve

    def load() -> Callable[[list[str]], None]:
        from campaign.breakages import break_product
        from otherroof.jobs import open_job
        from otherroof.jobs import run as _run  # noqa: F401

        break_product(broken)
        if server:
            open_job.machine_mark = lambda: server  # type: ignore[attr-defined]
        return _carry_out

    serve(load)


def _carry_out(argv: list[str]) -> None:
    """One run, and its end in a file."""
    config, shift_s, told = argv
    try:
        end = _run_once(config, float(shift_s))
    except Exception:  # noqa: BLE001 - whatever it is, the campaign has to hear of it
        traceback.print_exc()
        os._exit(MISTAKE)
    spare = told + ".new"
    Path(spare).write_text(json.dumps(end))
    os.rename(spare, told)
    os._exit(0)


def _run_once(config: str, shift_s: float) -> dict[str, object]:
    from otherroof.base.errors import OtherroofError
    from otherroof.copying.progress import Progress
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.run import run_job
    from otherroof.ledger import Ledger
    from otherroof.settings import require_settings
    from support.main_job import level_way

    settings = require_settings(config)
    try:
        with level_way(), Ledger(settings.ledger) as ledger:
            ran = run_job(settings, JOB, JobContext(Progress(), ledger, ShiftedClock(shift_s)))
    except OtherroofError as problem:
        return {"error": str(problem)}
    report = ran.report
    problems = [(problem["path"], problem["why"]) for problem in map(asdict, report.problems)]
    error = str(ran.error) if ran.error is not None else ""
    return {"outcome": report.outcome, "run": report.run, "error": error, "problems": problems}


# -- what happens to home's own files --


def spoil(path: Path, dice: random.Random) -> None:
    """One kind of damage to a file, at a random place."""
    content = bytearray(path.read_bytes())
    if not content:
        return
    at = dice.randrange(len(content))
    match dice.randrange(4):
        case 0 | 1:
            content[at] ^= 1 << dice.randrange(8)
        case 2:
            del content[at:]
        case _:
            at -= at % 512
            content[at : at + 512] = dice.randbytes(len(content[at : at + 512]))
    path.write_bytes(content)


def state_files(state: Path, ledger: Path) -> list[Path]:
    """The files of home's own that can be made anew."""
    found = [path for part in STATE_PARTS for path in sorted((state / part).glob(f"{JOB}.db*"))]
    return [*found, *([ledger] if ledger.exists() else [])]


def lose_state(state: Path, ledger: Path, dice: random.Random) -> str:
    """Some of home's own files, or all of them, are gone; says which."""
    which = dice.choice((*STATE_PARTS, "ledger", "all"))
    if which == "all":
        shutil.rmtree(state, ignore_errors=True)
    elif which == "ledger":
        for path in ledger.parent.glob(ledger.name + "*"):
            path.unlink()
    else:
        shutil.rmtree(state / which, ignore_errors=True)
    return which


def damage_state(state: Path, ledger: Path, dice: random.Random) -> str:
    """One or several of home's own files are damaged; says which."""
    files = state_files(state, ledger)
    chosen = dice.sample(files, min(len(files), dice.choice((1, 1, 2, 9))))
    for path in chosen:
        spoil(path, dice)
    return ", ".join(path.name if path.parent != state else "ledger" for path in chosen)
