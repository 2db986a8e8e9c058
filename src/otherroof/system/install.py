"""Looks at a machine and carries out the steps of `install`; `root` may be a folder that stands for a machine."""

from __future__ import annotations

import importlib.resources
import os
import stat
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from otherroof.base.atomic_file import replace_file
from otherroof.base.errors import HomeTrouble
from otherroof.settings import read_settings
from otherroof.system import install_steps as plan
from otherroof.system.install_steps import Call, Deed, FolderOwner, InstallStep, MachineState, RemoveFile, WriteFile

COMMAND_S = 120.0
ENVIRONMENT = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C"}


@dataclass(frozen=True, slots=True)
class Machine:
    """The running machine, or with another `root` a folder that holds the files of one."""

    root: str = "/"

    @property
    def live(self) -> bool:
        """Whether this is the running machine."""
        return self.root == "/"

    def path(self, inside: str) -> str:
        """Where a path of the machine lies as we see it."""
        return inside if self.live else self.root.rstrip("/") + inside


def packaged(name: str) -> str:
    """The text of a file for systemd that this package brings along."""
    return importlib.resources.files(__package__).joinpath(name).read_text(encoding="utf-8")


def packaged_files(program: str) -> dict[str, str]:
    """Our files for systemd by their path; the unit starts `program`. Raises ValueError for one it would misread."""
    return {
        plan.ACCOUNT_PATH: packaged("sysusers.conf"),
        plan.FOLDERS_PATH: packaged("tmpfiles.conf"),
        plan.UNIT_PATH: plan.unit_for(packaged(plan.UNIT), program),
    }


def this_program() -> str:
    """The path of the program that the service should start: the one beside the interpreter that runs now."""
    script = os.path.join(os.path.dirname(sys.executable), "otherroof")
    return script if os.path.exists(script) else os.path.abspath(sys.argv[0])


def find_writable_program_path(program: str) -> str:
    """The first part of the paths of program, library and interpreter that others than root may change; "" if none.

    Whoever can change the program can do what the service can.
    """
    for path in (program, os.path.dirname(os.path.abspath(__file__)), sys.executable):
        part = os.path.realpath(path)
        while True:
            found = os.stat(part)
            # In a sticky folder such as /tmp others can add files, but neither remove nor rename those of root.
            sticky = bool(found.st_mode & stat.S_ISVTX)
            if found.st_uid != 0 or (found.st_mode & 0o022 and not sticky):
                return part
            if part == "/":
                break
            part = os.path.dirname(part)
    return ""


def read_machine(machine: Machine) -> MachineState:
    """How the machine stands. Raises HomeTrouble if that cannot be read."""
    try:
        users, groups = (_names(machine.path(file)) for file in ("/etc/passwd", "/etc/group"))
        link = machine.path(plan.STATE_LINK)
        wants = f"/etc/systemd/system/multi-user.target.wants/{plan.UNIT}"
        written = os.path.exists(machine.path(f"{plan.SETTINGS}/otherroof.toml"))
        state, mistake = _settings(machine) if written else ("", "")
        ours = (plan.ACCOUNT_PATH, plan.FOLDERS_PATH, plan.UNIT_PATH)
        return MachineState(
            files={path: _text(machine.path(path)) for path in ours if os.path.exists(machine.path(path))},
            account=plan.ACCOUNT in users.values(),
            folders=dict(_folders(machine, users, groups)),
            link=os.readlink(link) if os.path.islink(link) else "",
            state_is_folder=os.path.isdir(link) and not os.path.islink(link),
            # The link that `systemctl enable` makes. It may lead nowhere, seen from outside a folder that stands for a
            # machine.
            enabled=os.path.lexists(machine.path(wants)),
            settings=written,
            state=state,
            mistake=mistake,
        )
    except OSError as problem:
        raise _trouble(problem, str(problem.filename)) from problem


def texts_at(machine: Machine, paths: Iterable[str]) -> dict[str, str]:
    """Those of `paths` that are there, with what stands in them. Raises HomeTrouble if one cannot be read."""
    try:
        return {path: _text(machine.path(path)) for path in paths if os.path.exists(machine.path(path))}
    except OSError as problem:
        raise _trouble(problem, str(problem.filename)) from problem


def carry_out_steps(machine: Machine, steps: Iterable[InstallStep], told: Callable[[InstallStep], None]) -> None:
    """Do what the steps say, in order; `told` hears of each before it is done. Raises HomeTrouble at the first that
    fails; those before it stay done, and the whole can be run again."""
    usual = os.umask(0o022)  # folders made on the way are for everybody to look into, whatever root's habit is
    try:
        for step in steps:
            told(step)
            if step.deed is not None:
                _do(machine, step.deed)
    finally:
        os.umask(usual)


def _do(machine: Machine, deed: Deed) -> None:
    match deed:
        case WriteFile(path, text):
            _guarded(path, lambda: os.makedirs(os.path.dirname(machine.path(path)), exist_ok=True))
            replace_file(machine.path(path), text)
        case RemoveFile(path):
            _guarded(path, lambda: os.unlink(machine.path(path)))
        case Call(words, live):
            if machine.live:
                _call(*words)
            elif not live:
                # systemd's tools can work on a folder; `--now` is about units that run, of which a folder has none.
                _call(words[0], f"--root={machine.root}", *(word for word in words[1:] if word != "--now"))


def _settings(machine: Machine) -> tuple[str, str]:
    """The state folder that the settings name, with links followed, as the machine itself sees it; and, if the
    settings cannot be used at all, the first mistake."""
    settings, mistakes = read_settings(machine.path(plan.SETTINGS))
    if settings is None:
        return "", mistakes[0].line()
    inside = settings.state if machine.live else settings.state.removeprefix(machine.root.rstrip("/"))
    return plan.STATE if inside == plan.STATE_LINK else os.path.realpath(inside) if machine.live else inside, ""


def _folders(machine: Machine, users: dict[int, str], groups: dict[int, str]) -> Iterator[tuple[str, FolderOwner]]:
    for path in (plan.SETTINGS, plan.JOBS, plan.KEYS, plan.STATE, plan.SOCKETS):
        if os.path.isdir(machine.path(path)):
            found = os.stat(machine.path(path))
            strays = any(_owner(inner) not in (found.st_uid, None) for inner in _inside(machine.path(path)))
            owner, group = users.get(found.st_uid, ""), groups.get(found.st_gid, "")
            yield path, FolderOwner(owner, group, stat.S_IMODE(found.st_mode), strays)


def _inside(path: str) -> Iterator[str]:
    for folder, folders, files in os.walk(path):
        yield from (os.path.join(folder, name) for name in (*folders, *files))


def _owner(path: str) -> int | None:
    """Whose it is; None if it is gone by now: the service that works there makes and removes files all the time."""
    try:
        return os.lstat(path).st_uid
    except FileNotFoundError:
        return None


def _names(path: str) -> dict[int, str]:
    """The names by number in a file in the manner of passwd(5) or group(5). Read as a file, since it may be another
    machine's; 0 is root also if that has no such file yet, as systemd's tools take it."""
    lines = (line.split(":") for line in _text(path).splitlines())
    return {0: "root"} | {int(words[2]): words[0] for words in lines if len(words) > 2 and words[2].isdigit()}


def _text(path: str) -> str:
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            return file.read()
    except FileNotFoundError:
        return ""


def _guarded(path: str, deed: Callable[[], None]) -> None:
    try:
        deed()
    except OSError as problem:
        raise _trouble(problem, path) from problem


def _call(*argv: str) -> None:
    try:
        done = subprocess.run(
            argv,
            capture_output=True,
            text=True,
            timeout=COMMAND_S,
            check=False,
            env=ENVIRONMENT,
            stdin=subprocess.DEVNULL,
        )
    except (OSError, subprocess.TimeoutExpired) as problem:
        raise HomeTrouble(
            f"cannot be run: {problem}", where=argv[0], advice="install it, or see why it hangs"
        ) from problem
    if done.returncode != 0:
        said = " ".join((done.stderr or done.stdout).split()) or f"exit code {done.returncode}"
        raise HomeTrouble(said, where=" ".join(argv), advice="mend that, then run this again")


def _trouble(problem: OSError, path: str) -> HomeTrouble:
    advice = (
        "run this as root"
        if isinstance(problem, PermissionError)
        else "see to that disk or folder, then run this again"
    )
    return HomeTrouble(f"{problem.strerror}", where=path, advice=advice)
