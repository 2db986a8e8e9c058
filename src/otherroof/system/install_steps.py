"""What it takes to install the service on this machine, as a list of steps, and to take it away again.

Pure: what was found goes in, steps come out, each with the words that are shown before anything is done. `install`
looks and carries out. Settings, state and keys are never among what is removed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from otherroof.base.errors import INSTALLED, typed

ACCOUNT = "otherroof"
UNIT, CONF = "otherroof.service", "otherroof.conf"
SETTINGS, JOBS, KEYS = INSTALLED, f"{INSTALLED}/jobs", f"{INSTALLED}/keys"
SOCKETS = "/run/wireguard"
STATE, STATE_LINK = "/var/lib/otherroof", "/etc/otherroof/state"
UNIT_PATH = f"/etc/systemd/system/{UNIT}"
ACCOUNT_PATH, FOLDERS_PATH = f"/etc/sysusers.d/{CONF}", f"/etc/tmpfiles.d/{CONF}"
PROGRAM_LINE = re.compile(r"^ExecStart=\S+ serve$", re.MULTILINE)
# Without the letters that a unit file reads in its own way: blanks, quotes, % and $ (systemd.syntax(7)).
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
    """How the machine stands. `files` are those of ours for systemd, by their path; `link` is where the state link
    points, "" if there is none; `state` is the state folder that the settings name, "" if there are none yet;
    `mistake` why the settings that are there cannot be used at all."""

    files: Mapping[str, str] = field(default_factory=dict)
    account: bool = False
    folders: Mapping[str, FolderOwner] = field(default_factory=dict)
    link: str = ""
    state_is_folder: bool = False
    enabled: bool = False
    settings: bool = False
    state: str = ""
    mistake: str = ""


@dataclass(frozen=True, slots=True)
class WriteFile:
    """A file that anybody may read."""

    path: str
    text: str


@dataclass(frozen=True, slots=True)
class RemoveFile:
    """A file goes."""

    path: str


@dataclass(frozen=True, slots=True)
class Call:
    """One call of a tool of systemd's. `live`: only makes sense on the running machine, not in a folder that stands for
    one."""

    words: tuple[str, ...]
    live: bool = False


Deed = WriteFile | RemoveFile | Call


@dataclass(frozen=True, slots=True)
class InstallStep:
    """One step: what it does, in words, and the deed itself; None if it is so already. `shown`: what is shown below
    the words of a step that is yet to be done."""

    text: str
    deed: Deed | None
    shown: str = ""


def unit_for(text: str, program: str) -> str:
    """The unit `text` with the path of the program in it. Raises ValueError for a path that systemd would misread."""
    if not PLAIN_PATH.match(program):
        raise ValueError(
            f"{program!r} cannot stand in a unit file; a path of letters, digits and _./+@- only is wanted, "
            "such as /opt/otherroof/bin/otherroof"
        )
    return PROGRAM_LINE.sub(f"ExecStart={program} serve", text)


def install_steps(found: MachineState, files: Mapping[str, str]) -> list[InstallStep]:
    """What brings a machine that stands as `found` to one that runs the service from `files`, ours for systemd by their
    path. Raises ValueError if a person has to decide first."""
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
    reload = Call(("systemctl", "daemon-reload"), live=True)
    account, folders = ("systemd-sysusers", CONF), ("systemd-tmpfiles", "--create", CONF)
    steps = [
        _write(found, files, ACCOUNT_PATH),
        _step(
            f"make the system account {ACCOUNT}, which nobody can log in to, by `{' '.join(account)}`; the service "
            "runs as it and may read every file on this machine, so guard it like root",
            Call(account),
            done=found.account,
        ),
        _write(found, files, FOLDERS_PATH),
        _step(
            f"make the folders, or put their owners and modes right, by `{' '.join(folders)}`",
            Call(folders),
            done=folders_right(found, files),
        ),
        _write(found, files, UNIT_PATH),
        _step("let systemd read its units anew", reload, done=found.files.get(UNIT_PATH) == files[UNIT_PATH]),
        _step("start the service whenever the machine starts", Call(("systemctl", "enable", UNIT)), done=found.enabled),
    ]
    # With unusable settings a new service would end at once; a running one goes on with the settings it has.
    if found.settings and not found.mistake:
        steps.append(InstallStep("start it now, or anew", Call(("systemctl", "restart", UNIT), live=True)))
    return steps


def folders_right(found: MachineState, files: Mapping[str, str]) -> bool:
    """Whether all is so that our file for systemd-tmpfiles wants. To be asked after a call of it, too: what it does not
    dare to touch, such as a link in place of a folder, it passes over and still reports success."""
    lines = files[FOLDERS_PATH].splitlines()
    return all(_is_so(line.split(), found) for line in lines if line and not line.startswith("#"))


def undo_steps(found: MachineState) -> list[InstallStep]:
    """What takes the service off the machine. Settings, state, keys and the account that owns them stay."""
    installed = UNIT_PATH in found.files
    stop, reload = Call(("systemctl", "disable", "--now", UNIT)), Call(("systemctl", "daemon-reload"), live=True)
    return [
        _step("stop the service and no longer start it with the machine", stop, done=not installed),
        *(
            _step(f"remove {path}", RemoveFile(path), done=path not in found.files)
            for path in (UNIT_PATH, FOLDERS_PATH, ACCOUNT_PATH)
        ),
        _step("let systemd read its units anew", reload, done=not installed),
    ]


def install_warnings(found: MachineState, exposed: str) -> list[str]:
    """What a person should know before they go on. `exposed`: a path through which others could change the program."""
    warnings = []
    if exposed:
        warnings.append(
            f"caution: {exposed} can be changed by others than root, and through it what the service does; it reads "
            "everyone's files. Better install Otherroof below /opt as root and run this from there"
        )
    if found.mistake:
        warnings.append(
            f"caution: the settings cannot be used, so the service is not started, nor anew: {found.mistake}; "
            + typed("once `otherroof check` finds nothing wrong, `systemctl restart otherroof`")
        )
    if found.state and not f"{found.state}/".startswith(f"{STATE}/"):
        warnings.append(
            f"caution: the settings keep the state in {found.state}, where the service may not write; take home.state "
            f"out of them, or let it (`sudo systemctl edit {ACCOUNT}`: [Service] ReadWritePaths={found.state})"
        )
    return warnings


def undo_leaves() -> list[str]:
    """What an undo leaves, one line each, with how to remove it by hand."""
    return [
        f"left in place: {SETTINGS} (settings, keys) and {STATE} (history, catalogues)",
        "without these keys nobody can reach the far box; keep them as long as the far copy is wanted",
        f"left in place: the account {ACCOUNT}, because the keys belong to it; "
        f"once both folders are gone, `sudo userdel {ACCOUNT}` removes it",
        "left in place: a tunnel that is to stay up, with its firewall table, until this machine restarts",
        "close the tunnel's port in the router, if nothing else uses it",
    ]


def next_steps_text(found: MachineState) -> list[str]:
    """What a person does after an install."""
    if found.mistake:
        return [typed("next: `otherroof check`, then `systemctl restart otherroof`")]
    if found.settings:
        return [typed("`systemctl status otherroof` and `otherroof status` show how it is")]
    return [
        typed("next: `otherroof pair NAME`, which asks what it needs and writes the settings; NAME, such as heron, is"),
        f"what you call the far box. Or write {SETTINGS}/otherroof.toml by hand",
        typed(f"then: a file for each folder to protect in {JOBS}, `otherroof check`, `systemctl start otherroof`"),
    ]


def _step(text: str, deed: Deed, *, done: bool) -> InstallStep:
    return InstallStep(text, None if done else deed)


def _write(found: MachineState, files: Mapping[str, str], path: str) -> InstallStep:
    text = f"write {path}"
    if path in found.files:
        text += (
            f" anew (changes of your own belong into `sudo systemctl edit {ACCOUNT}`)" if path == UNIT_PATH else " anew"
        )
    shown = "" if path == UNIT_PATH else files[path]  # the unit is several screens long
    done = found.files.get(path) == files[path]
    return InstallStep(text, None if done else WriteFile(path, files[path]), shown)


def _is_so(words: list[str], found: MachineState) -> bool:
    """Whether what a line of tmpfiles.d(5) wants is so; of that format, it knows what our file uses and no more."""
    kind, path, mode, owner, group = words[:5]
    if kind == "L":
        return found.link == words[-1]
    now = found.folders.get(path)
    if kind == "Z":
        return now is not None and not now.strays
    return now is not None and (now.owner, now.group, now.mode) == (owner, group, int(mode, 8))
