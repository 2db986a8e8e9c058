"""One folder of a household that goes to two far boxes, both stand-ins, driven by the calls that the verbs make."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from otherroof.base.clock import Clock, SystemClock
from otherroof.copying.progress import Progress
from otherroof.copying.report import RunReport
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import run_job
from otherroof.ledger import Ledger
from otherroof.settings import Settings, require_settings
from support.lab.household import toml_text, write_settings
from support.main_job import StandInDoor, level_way, stand_in_door

STEM = "photos"
NOBODY = 1  # a port at which nothing of this machine listens
QUICK = {"connections": 1, "pause_s": 0.01, "answer_s": 20.0, "tries": 1}


@dataclass
class TwoBoxes:
    """A folder, and doors to the far boxes `heron` and `wren`."""

    where: Path
    doors: Mapping[str, StandInDoor]
    clock: Clock = field(default_factory=SystemClock)
    off: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.folder = self.where / "home" / STEM
        self.folder.mkdir(parents=True)
        self.config = str(self.where / "settings")
        self.goes_to(["heron", "wren"])

    def goes_to(self, far: str | list[str], **more: Any) -> None:
        """From now on the folder goes to these far boxes."""
        self._far = far
        heron = self.doors["heron"]
        job = {"folder": str(self.folder), "far": far, **more}
        write_settings(self.config, heron, {STEM: job}, far_more=QUICK | self._port("heron"))  # type: ignore[arg-type]
        wren = self.doors["wren"]
        key = Path(self.config, "keys", "wren")
        key.write_bytes(Path(wren.login_key).read_bytes())
        key.chmod(0o600)
        box = {"address": wren.address, "port": wren.port, "account": wren.account, "login_key": "keys/wren"}
        box |= {"host_key": wren.host_key_line, "base": wren.base, **QUICK, **self._port("wren")}
        with Path(self.config, "otherroof.toml").open("a", encoding="utf-8") as file:
            file.write("\n" + toml_text({"far": {"wren": box}}))

    def unplug(self, box: str) -> None:
        """This far box is off: nothing answers there."""
        self.off.add(box)
        self.goes_to(self._far)

    def _port(self, box: str) -> dict[str, int]:
        return {"port": NOBODY if box in self.off else self.doors[box].port}

    @property
    def settings(self) -> Settings:
        return require_settings(self.config)

    def put(self, name: str, content: bytes | str) -> Path:
        """A file in the folder."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    def latest(self, box: str, name: str = "") -> Path:
        """The newest copy at a far box, or a file of it, as this machine sees it."""
        return Path(self.doors[box].base_path, STEM, "latest", name)

    @contextmanager
    def ledger(self) -> Iterator[Ledger]:
        with Ledger(self.settings.ledger) as ledger:
            yield ledger

    def done(self, job: str) -> RunReport:
        """One run of this copy that must go well to the last file."""
        with self.ledger() as ledger:
            ran = run_job(self.settings, job, JobContext(Progress(), ledger, self.clock))
        assert ran.error is None, ran.error
        assert (ran.report.outcome, ran.report.problems) == ("done", [])
        return ran.report


@contextmanager
def two_boxes(where: Path) -> Iterator[TwoBoxes]:
    """A household with two stand-in far boxes."""
    with ExitStack() as stack:
        doors = {}
        for box in ("heron", "wren"):
            (where / box).mkdir()
            doors[box] = stack.enter_context(stand_in_door(where / box))
        stack.enter_context(level_way())
        yield TwoBoxes(where, doors)
