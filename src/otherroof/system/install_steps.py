"""What it takes to install the service on this machine, as a list of steps, and to take it away again.

Pure: what was found goes in, steps come out, each with the words that are shown before anything is done. `installing`
looks and carries out. Settings, state and keys are never among what is removed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

ACCOUNT = "otherroof"
UNIT = "otherroof.service"
SETTINGS, JOBS, KEYS = "/etc/otherroof", "/etc/otherroof/jobs", "/etc/otherroof/keys"
STATE, STATE_LINK = "/var/lib/otherroof", "/etc/otherroof/state"
UNIT_PATH = f"/etc/systemd/system/{UNIT}"
PROGRAM_LINE = re.compile(r"^ExecStart=\S+ serve$", re.MULTILINE)
PLAIN_PATH = re.compile(r"/[A-Za-z0-9_./+@-]+\Z")


@dataclass(frozen=True, slots=True)
class FolderOwner:
    """A folder as it is: owner and group by name ("" if the number has none), permission bits, and whether
    something inside belongs to somebody else than the folder itself."""

    owner: str
    group: str
    mode: int
    strays: bool = False


@dataclass(frozen=True, slots=True)
class MachineState:
    """How the machine stands. `link` is where the state link points, "" if there is none; `state` is the state
    folder that the settings name, "" if there are none yet; `mistake` why the settings that are there cannot be used
    at all."""

    account: bool = False
    folders: Mapping[str, FolderOwner] | None = None
    link: str = ""
    state_is_folder: bool = False
    unit: str = ""
    enabled: bool = False
    settings: bool = False
    state: str = ""
    mistake: str = ""


@dataclass(frozen=True, slots=True)
class MakeAccount:
    """A system account that nobody can log in to."""

    name: str


@dataclass(frozen=True, slots=True)
class MakeSystemFolder:
    """A folder with owner, group and permission bits; with `inside`, all in it is given to the owner too."""

    path: str
    owner: str
    group: str
    mode: int
    inside: bool = False


@dataclass(frozen=True, slots=True)
class MakeLink:
    """A symbolic link."""

    path: str
    target: str


@dataclass(frozen=True, slots=True)
class WriteUnit:
    """The unit file."""

    path: str
    text: str


@dataclass(frozen=True, slots=True)
class RemoveUnit:
    """The unit file goes."""

    path: str


@dataclass(frozen=True, slots=True)
class Systemctl:
    """One call of systemctl. `live`: only makes sense on the running machine, not in a folder that stands for one."""

    words: tuple[str, ...]
    live: bool


Deed = MakeAccount | MakeSystemFolder | MakeLink | WriteUnit | RemoveUnit | Systemctl


@dataclass(frozen=True, slots=True)
class InstallStep:
    """One step: what it does, in words, and the deed itself; None if it is so already."""

    text: str
    deed: Deed | None


_FOLDERS = (
    (MakeSystemFolder(SETTINGS, "root", ACCOUNT, 0o750), "settings"),
    (MakeSystemFolder(JOBS, "root", ACCOUNT, 0o750), "one file for each job"),
    (MakeSystemFolder(KEYS, ACCOUNT, ACCOUNT, 0o700, inside=True), "keys, readable by the service alone"),
    (MakeSystemFolder(STATE, ACCOUNT, ACCOUNT, 0o700, inside=True), "ledger and catalogues"),
)


def unit_for(text: str, program: str) -> str:
    """The unit `text` with the path of the program in it. Raises ValueError for a path that systemd would misread."""
    if not PLAIN_PATH.match(program):
        raise ValueError(
            f"{program!r} cannot stand in a unit file; a path of letters, digits and _./+@- only is wanted, "
            "such as /opt/otherroof/bin/otherroof"
        )
    return PROGRAM_LINE.sub(f"ExecStart={program} serve", text)


def install_steps(found: MachineState, unit: str) -> list[InstallStep]:
    """What brings a machine that stands as `found` to one that runs the service from `unit`. Raises ValueError if
    a person has to decide first."""
    if found.state_is_folder:
        raise ValueError(
            f"{STATE_LINK} is a folder of its own, which the service could not write to; "
            f"if it is in use, `mv {STATE_LINK} {STATE}` while nothing runs, then install again"
        )
    if found.link not in ("", STATE):
        raise ValueError(
            f"{STATE_LINK} leads to {found.link}, which the service could not write to; "
            f"move what is there to {STATE} and remove the link while nothing runs, then install again"
        )
    steps = [
        _step(
            f"make the system account {ACCOUNT}, which nobody can log in to; the service runs as it and may read every "
            "file on this machine, so guard it like root",
            MakeAccount(ACCOUNT),
            done=found.account,
        )
    ]
    steps += [_folder_step(deed, use, (found.folders or {}).get(deed.path)) for deed, use in _FOLDERS]
    link = MakeLink(STATE_LINK, STATE)
    text = f"link {STATE_LINK} to {STATE}, where the service may write"
    steps.append(_step(text, link, done=found.link == STATE))
    changed = found.unit != unit
    steps.append(_step(_unit_text(found.unit), WriteUnit(UNIT_PATH, unit), done=not changed))
    steps.append(_step("let systemd read its units anew", Systemctl(("daemon-reload",), live=True), done=not changed))
    enable = Systemctl(("enable", UNIT), live=False)
    steps.append(_step("start the service whenever the machine starts", enable, done=found.enabled))
    # With unusable settings a new service would end at once; a running one goes on with the settings it has.
    if found.settings and not found.mistake:
        steps.append(InstallStep("start it now, or anew", Systemctl(("restart", UNIT), live=True)))
    return steps


def undo_steps(found: MachineState) -> list[InstallStep]:
    """What takes the service off the machine. Settings, state, keys and the account that owns them stay."""
    stop = Systemctl(("disable", "--now", UNIT), live=False)
    return [
        _step("stop the service and no longer start it with the machine", stop, done=not found.unit),
        _step(f"remove {UNIT_PATH}", RemoveUnit(UNIT_PATH), done=not found.unit),
        _step("let systemd read its units anew", Systemctl(("daemon-reload",), live=True), done=not found.unit),
    ]


def install_warnings(found: MachineState, exposed: str) -> list[str]:
    """What a person should know before they go on. `exposed`: a path through which others could change the program."""
    told = []
    if exposed:
        told.append(
            f"caution: {exposed} can be changed by others than root, and through it what the service does; it reads "
            "everyone's files. Better install Otherroof below /opt as root and run this from there"
        )
    if found.mistake:
        told.append(
            f"caution: the settings cannot be used, so the service is not started, nor anew: {found.mistake}; "
            "once `otherroof check` finds nothing wrong, `systemctl restart otherroof`"
        )
    if found.state and not f"{found.state}/".startswith(f"{STATE}/"):
        told.append(
            f"caution: the settings keep the state in {found.state}, where the service may not write; take home.state "
            f"out of them, or let it (`systemctl edit {ACCOUNT}`: [Service] ReadWritePaths={found.state})"
        )
    return told


def undo_leaves() -> list[str]:
    """What an undo leaves, one line each, with how to remove it by hand."""
    return [
        f"left in place: {SETTINGS} (settings, keys) and {STATE} (history, catalogues)",
        "without these keys nobody can reach the far box; keep them as long as the far copy is wanted",
        f"left in place: the account {ACCOUNT}, because the keys belong to it; "
        f"once both folders are gone, `userdel {ACCOUNT}` removes it",
        "left in place: a tunnel that is to stay up, with its firewall table, until this machine restarts",
        "close the tunnel's port in the router, if nothing else uses it",
    ]


def next_steps_text(found: MachineState) -> list[str]:
    """What a person does after an install."""
    if found.mistake:
        return ["next: `otherroof check`, then `systemctl restart otherroof`"]
    if found.settings:
        return ["`systemctl status otherroof` and `otherroof status` show how it is"]
    return [
        f"next: write {SETTINGS}/otherroof.toml and a job in {JOBS}, then `otherroof check`",
        "then: `systemctl start otherroof`",
    ]


def _step(text: str, deed: Deed, *, done: bool) -> InstallStep:
    return InstallStep(text, None if done else deed)


def _folder_step(deed: MakeSystemFolder, use: str, now: FolderOwner | None) -> InstallStep:
    text = f"make {deed.path} for {use} (owner {deed.owner}, group {deed.group}, mode {deed.mode:04o})"
    right = now is not None and (now.owner, now.group, now.mode) == (deed.owner, deed.group, deed.mode)
    return _step(text, deed, done=right and not (deed.inside and now is not None and now.strays))


def _unit_text(before: str) -> str:
    if before:
        return f"write {UNIT_PATH} anew (changes of your own belong into `systemctl edit {ACCOUNT}`)"
    return f"write {UNIT_PATH}"
