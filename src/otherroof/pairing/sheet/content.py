"""What a recovery sheet says, gathered from settings, ledger and pairing: values, so that text and HTML say the same.

It reads, and shows no key. How it is laid out is for `render`; how files are got out of a far copy by hand is handed
in, since only a layout knows that.
"""

from __future__ import annotations

import base64
import hashlib
import os
import shlex
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from otherroof import __version__
from otherroof.base.clock import stamp
from otherroof.base.local_time import day_text
from otherroof.base.text.words import list_text
from otherroof.base.units import count_text, size_text, span_text
from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillRow
from otherroof.pairing.record import find_record
from otherroof.settings import FarBox, Job, Settings, WireguardTunnel
from otherroof.settings.copies.names import stem_of
from otherroof.settings.copies.roofs import roofs
from otherroof.settings.tunnel import CommandTunnel

# As the README has them.
INSTALL = (
    "sudo apt update",
    "sudo apt install --no-install-recommends python3-venv git wireguard-tools nftables",
    "sudo python3 -m venv /opt/otherroof",
    "sudo /opt/otherroof/bin/pip install .",
    "sudo ln -s /opt/otherroof/bin/otherroof /usr/local/bin/otherroof",
)
TAKE = "sudo otherroof sheet --take"
# A new machine has these folders, with files of its own in them.
_OF_THE_SYSTEM = ("/etc", "/usr", "/root", "/boot", "/bin", "/lib", "/sbin")
BACK = "/srv/back"


@dataclass(frozen=True, slots=True)
class SheetJob:
    """One folder: where it is at home, where its copy lies, and what was last known of that."""

    name: str
    folder: str
    far: str
    lies_at: str
    layout: str
    newest: str
    size: str
    drilled: str
    restore: str


@dataclass(frozen=True, slots=True)
class SheetBox:
    """One far box: where it stands, and how it is reached."""

    name: str
    stands: str
    login: str
    host_key: str
    way: str
    prepare: str


@dataclass(frozen=True, slots=True)
class SheetContent:
    """All that a sheet says but for its keys. `by_hand`: what to do with the disk alone, by layout."""

    home: str
    printed: datetime
    zone: ZoneInfo
    jobs: tuple[SheetJob, ...]
    boxes: tuple[SheetBox, ...]
    ask: tuple[str, ...]
    tool: str
    by_hand: Mapping[str, str] = field(default_factory=dict)
    version: str = __version__

    @property
    def day(self) -> str:
        """The day it is made."""
        return day_text(self.printed, self.zone)

    @property
    def probes(self) -> list[str]:
        """The commands that try the way to each far box."""
        return [f"sudo otherroof probe {box.name}" for box in self.boxes]

    @property
    def restores(self) -> list[str]:
        """The commands that bring each folder back, once however many copies it has."""
        return list(dict.fromkeys(job.restore for job in self.jobs))

    @property
    def preparations(self) -> list[str]:
        """What the ways to the far boxes need on a new machine, each thing once."""
        return list(dict.fromkeys(box.prepare for box in self.boxes if box.prepare))

    def as_json(self) -> dict[str, Any]:
        """As `sheet --json` prints it."""
        return {
            "home": self.home,
            "printed": stamp(self.printed),
            "version": self.version,
            "jobs": [asdict(job) for job in self.jobs],
            "far": [asdict(box) for box in self.boxes],
            "ask": list(self.ask),
            "tool": self.tool,
            "by_hand": dict(self.by_hand),
            "commands": [*INSTALL, TAKE, *self.probes, *self.restores],
        }


def sheet_content(settings: Settings, ledger: Ledger, now: datetime, by_hand: Mapping[str, str]) -> SheetContent:
    """What a sheet says at this moment. Raises HomeTrouble if the ledger cannot be used, WrongSettings if what is known
    of a pairing cannot be understood."""
    told = settings.told.sheet
    called = {name: record.plan for name in settings.far if (record := find_record(settings.where, name))}
    contacts = [plan.contact for plan in called.values() if plan.contact]
    # A box that was set up by hand: where its account sees the copies, which may lie deeper on its disk.
    disks = {name: (called[name].folder if name in called else "") + far.base for name, far in settings.far.items()}
    jobs = [_job(settings, ledger, name, now, disks) for name in sorted(settings.jobs)]
    layouts = {job.layout for job in jobs}
    return SheetContent(
        settings.home.name,
        now,
        settings.zone,
        tuple(jobs),
        tuple(_box(name, settings.far, told.stands.get(name, "")) for name in sorted(settings.far)),
        told.ask or tuple(dict.fromkeys(contacts)),
        told.tool,
        {layout: text for layout, text in by_hand.items() if layout in layouts},
    )


def _job(settings: Settings, ledger: Ledger, name: str, now: datetime, disks: Mapping[str, str]) -> SheetJob:
    job, zone = settings.jobs[name], settings.zone
    row = ledger.runs.newest_good(name, now, far=job.far)
    newest = row.report.run if row is not None else ""
    size = ""
    if row is not None and row.report.files.seen:
        size = f"{count_text(row.report.files.seen, 'file')}, {size_text(row.report.bytes.seen)}"
    drill = ledger.drills.last(name, job.far, now)
    drilled = (
        "no practice restore yet"
        if drill is None
        else f"practice restore of {day_text(drill.started, zone)}: {_came_back(drill)}"
    )
    lies_at = os.path.join(disks[job.far], stem_of(name))
    restore = f"sudo otherroof restore {stem_of(name)} --into {shlex.quote(_back_to(name, job))}"
    return SheetJob(name, job.folder, job.far, lies_at, job.layout, newest, size, drilled, restore)


def _came_back(row: DrillRow) -> str:
    figures = row.figures
    damaged = f", {figures.damaged:,} damaged" if figures.damaged else ""
    back = f"; all takes {span_text(figures.back_s)}" if figures.back_s is not None else ""
    return f"{count_text(figures.files, 'file')} came back{damaged}{back}"


def _back_to(name: str, job: Job) -> str:
    """Where the files come back to on a new machine: where they were, unless the machine itself lives there."""
    top = "/" + job.folder.split("/")[1]
    return f"{BACK}/{stem_of(name)}" if top in _OF_THE_SYSTEM or job.folder == top else job.folder


def _box(name: str, boxes: Mapping[str, FarBox], stands: str) -> SheetBox:
    far = boxes[name]
    login = f"SSH account {far.account} at {far.address}, port {far.port}"
    way, prepare = _way(far)
    same = [other for other in roofs(boxes)[name] if other != name]
    beside = f"; it stands under one roof with {list_text(same)}" if same else ""
    return SheetBox(name, stands, login, _fingerprint(far.host_key), way + beside, prepare)


def _way(far: FarBox) -> tuple[str, str]:
    """How the far box is reached, and what has to be prepared for that on a new machine; the latter may be empty."""
    tunnel = far.tunnel
    if isinstance(tunnel, CommandTunnel):
        return (f"through a tunnel that commands of this household bring up: {' '.join(tunnel.up)}",
                "Put those commands in place again first.")  # fmt: skip
    if not isinstance(tunnel, WireguardTunnel):
        return (
            "directly: no tunnel of Otherroof's leads there",
            "Let this machine stand where the old one stood, or see that it reaches the far box.",
        )
    if tunnel.role == "call":
        return f"through a WireGuard tunnel: home calls it at {tunnel.far_name}", ""
    called = f"{tunnel.own_name or 'home'}, UDP port {tunnel.port}"
    return (
        f"through a WireGuard tunnel: it calls home at {called}",
        f"{tunnel.own_name or 'The name that the far box calls'} must lead to your router, which must pass UDP port "
        f"{tunnel.port}, and nothing else, on to this machine. The old server must be off.",
    )


def _fingerprint(host_key: str) -> str:
    """As OpenSSH shows it: SHA-256 of the key in base64, without the filling at its end."""
    digest = hashlib.sha256(base64.b64decode(host_key.split()[1])).digest()
    return "SHA256:" + base64.b64encode(digest).decode().rstrip("=")
