"""Sets the stage for a rehearsal: folders, settings with fresh keys, the stand-in far box; and clears it away again.

Knows nothing of what is played on it.
"""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from otherroof.base.errors import HomeTrouble, WrongUse
from otherroof.rehearsal.far_box.stand_in import StandIn, fresh_key

JOB = "household"
BASE = "/copies"

_MAIN = """\
# Written by `otherroof rehearse`. The far box is a stand-in on this machine that ends with the rehearsal.
[home]
name = "rehearsal"
zone = "UTC"

[far.stand-in]
address   = "{address}"
port      = {port}
account   = "copykeeper"
login_key = "keys/stand-in"
host_key  = "{host_key}"
base      = "{base}"
pause_s   = 0.2
"""

_JOB = """\
folder = "{folder}"
far    = "stand-in"
at     = "30 1 * * *"
"""


@dataclass(frozen=True, slots=True)
class RehearsalSetup:
    """Where everything of a rehearsal lies, and the far box that is up."""

    folder: str
    box: StandIn

    @property
    def household(self) -> str:
        """The folder that is protected."""
        return os.path.join(self.folder, "household")

    @property
    def settings(self) -> str:
        """The settings folder, with keys and state in it."""
        return os.path.join(self.folder, "settings")

    def back(self, name: str) -> str:
        """Where a version is restored to."""
        return os.path.join(self.folder, "restored", name)


@contextmanager
def set_up(keep: str) -> Iterator[RehearsalSetup]:
    """A stage in the folder `keep`, which must be new or empty and stays; if it is "", in a folder that is removed."""
    folder = _taken(keep) if keep else tempfile.mkdtemp(prefix="otherroof-rehearsal-")
    try:
        for name in ("household", "settings/keys", "settings/jobs", "far-box" + BASE, "restored"):
            os.makedirs(os.path.join(folder, name))
        private, public = fresh_key()
        with StandIn(os.path.join(folder, "far-box"), public) as box:
            stage = RehearsalSetup(folder, box)
            _write_settings(stage, private)
            yield stage
    finally:
        if not keep:
            remove_rehearsal(folder)


def _taken(keep: str) -> str:
    folder = os.path.abspath(keep)
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)
        if os.listdir(folder):
            raise WrongUse("the folder for the rehearsal is not empty", where=folder, advice="name a new or empty one")
    except OSError as problem:
        raise HomeTrouble(
            f"the rehearsal has no room: {problem.strerror}", where=folder, advice="name another folder with --keep"
        ) from problem
    return folder


def _write_settings(stage: RehearsalSetup, private: bytes) -> None:
    key_path = os.path.join(stage.settings, "keys", "stand-in")
    with os.fdopen(os.open(key_path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(private)
    box = stage.box
    text = _MAIN.format(address=box.address, port=box.port, host_key=box.host_key_line, base=BASE)
    _write(os.path.join(stage.settings, "otherroof.toml"), text)
    _write(os.path.join(stage.settings, "jobs", f"{JOB}.toml"), _JOB.format(folder=_quoted(stage.household)))


def _quoted(path: str) -> str:
    """`path` inside a TOML basic string."""
    return path.replace("\\", "\\\\").replace('"', '\\"')


def _write(path: str, text: str) -> None:
    with open(path, "w", encoding="utf-8") as file:
        file.write(text)


def remove_rehearsal(folder: str) -> None:
    """Remove `folder` with all in it, folders that cannot be written to as well."""

    def open_up(remove: Callable[[str], object], path: str, _problem: object) -> None:
        os.chmod(os.path.dirname(path), stat.S_IRWXU)
        remove(path)

    shutil.rmtree(folder, onerror=open_up)
