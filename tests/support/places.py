"""Every kind of place, for the contracts: a folder, plain and taped, the stand-in with and without its extensions, a
real sshd."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from otherroof.far import requests
from otherroof.far.local.disk import look_at_disk
from otherroof.far.local.disk_place import DiskPlace
from otherroof.far.local.place import LocalPlace
from otherroof.far.place import Meter, Place
from otherroof.far.requests import Script
from otherroof.far.session import SshTarget
from otherroof.far.sftp.place import SftpPlace
from support.faulty_box import Offers
from support.lab import EXTENSIONS, FarSshd, ServerOptions, require_sshd
from support.main_job import Door, stand_in_door
from support.power_place import TapedPlace

# What sftp-server(8) must be told to leave out so that it is as an old server. posix-rename is not used by us.
OLD = tuple(name for name in EXTENSIONS if name not in ("expand-path", "home-directory", "users-groups-by-id"))


@dataclass(frozen=True)
class Standing:
    """A place, where its base is as this machine sees it, and how to open it once more."""

    place: Place
    here: Path
    kind: str


def ask(op: requests.Op) -> Script[Any]:
    """A script of a single request."""
    return (yield op)


def open_door(door: Door, connections: int = 1) -> SftpPlace:
    """The base behind a door, as a run opens it."""
    target = SshTarget(door.address, door.port, door.account, door.login_key, door.host_key_line, answer_s=20.0)
    return SftpPlace(target, door.base.encode(), connections=connections)


@contextmanager
def standing(kind: str, where: Path, connections: int = 1) -> Iterator[Standing]:
    """A place of this kind below `where`."""
    if kind == "local folder":
        (where / "base").mkdir()
        yield Standing(LocalPlace(bytes(where / "base")), where / "base", kind)
        return
    if kind == CARRIED:
        (where / "base").mkdir()
        place = DiskPlace(str(where / "base"), look_at_disk(str(where / "base")), Meter())
        try:
            yield Standing(place, where / "base", kind)
        finally:
            place.close()
        return
    if kind == TAPED:
        (where / "base").mkdir()
        yield Standing(TapedPlace(bytes(where / "base"), lambda _: None, random.Random(1)), where / "base", kind)
        return
    if kind.startswith("stand-in"):
        offers = Offers.none() if kind.endswith("without extensions") else Offers()
        with stand_in_door(where, offers) as door:
            yield from _opened(door, kind, connections)
        return
    require_sshd()
    options = ServerOptions(without=OLD if kind.endswith("without extensions") else ())
    with FarSshd(options=options) as sshd:
        yield from _opened(sshd, kind, connections)


def _opened(door: Door, kind: str, connections: int) -> Iterator[Standing]:
    place = open_door(door, connections)
    place.widen()
    try:
        yield Standing(place, Path(door.base_path), kind)
    finally:
        place.close()


TAPED = "taped folder"
CARRIED = "carried disk"
KINDS = ("local folder", CARRIED, "stand-in", "stand-in without extensions")
REAL_KINDS = ("OpenSSH", "OpenSSH without extensions")
