"""Who owns which namespace, process, mount and folder of the lab, so that nothing outlives its owner.

An `Estate` writes down each thing before it is made, in a journal under `JOURNALS`. `release` undoes the journal
backwards. Should the owner die without doing so, a guardian process that waits at the other end of a pipe does it at
once; should that die as well, `sweep` does it when the next estate is opened. Things are ended by their own name and,
for processes, by number and start time together, so that a stranger who got the same number is left alone.

This file is run as a program too (`python -I ownership.py FOLDER` is the guardian at work): standard library only.
"""

from __future__ import annotations

import contextlib
import fcntl
import itertools
import json
import os
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from typing import IO, Any

ROOT_JOURNALS = "/run/otherroof-lab"
JOURNAL = "owned.jsonl"
DEATH_WAIT_S = 5.0
# The guardian is a shell until there is something to do: an interpreter for each of hundreds of estates costs half a
# minute of a processor.
_WATCH = 'trap "" INT; while read -r _; do :; done; [ -d "$2" ] || exit 0; exec "$0" -I -S "$1" "$2"'
_counter = itertools.count()


def journals() -> str:
    """The folder of all journals: under /run for root (chroots need such a path) or where OTHERROOF_LAB says, else in
    the temporary folder."""
    if os.geteuid() == 0:
        return os.environ.get("OTHERROOF_LAB", ROOT_JOURNALS)
    return os.path.join(tempfile.gettempdir(), f"otherroof-lab-{os.geteuid()}")


def started(pid: int) -> int:
    """When process `pid` started, in clock ticks after boot; 0 if there is no such process or it is a zombie."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:
            fields = file.read().rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return 0
    return 0 if fields[0] in "ZX" else int(fields[19])


def descendants(pid: int) -> list[int]:
    """Every living process below `pid`, nearest first."""
    children: dict[int, list[int]] = {}
    for name in os.listdir("/proc"):
        if name.isdigit():
            with contextlib.suppress(FileNotFoundError, ProcessLookupError), open(f"/proc/{name}/stat", "rb") as file:
                children.setdefault(int(file.read().rpartition(b")")[2].split()[1]), []).append(int(name))
    found: list[int] = []
    ahead = [pid]
    while ahead:
        below = children.get(ahead.pop(0), [])
        found += below
        ahead += below
    return found


def end_process(pid: int, start: int) -> None:
    """SIGKILL the process `pid` that started at `start`, and wait until it is gone (at most DEATH_WAIT_S seconds)."""
    try:
        handle = os.pidfd_open(pid)
    except ProcessLookupError:
        return
    try:
        if start and started(pid) == start:
            signal.pidfd_send_signal(handle, signal.SIGKILL)
            select.select([handle], [], [], DEATH_WAIT_S)
    except ProcessLookupError:
        pass  # it has just ended by itself
    finally:
        os.close(handle)


class Estate:
    """Everything that one helper of one process made. Use as a context manager, or call `release` yourself.

    `folder` is its own, readable by all and writable by its owner alone; it goes with the estate.
    """

    def __init__(self) -> None:
        sweep()
        self.token = f"{os.getpid()}-{started(os.getpid())}-{next(_counter)}"
        self.folder = os.path.join(journals(), self.token)
        self._children: list[subprocess.Popen[Any]] = []
        os.makedirs(self.folder, mode=0o755)
        self._guardian = subprocess.Popen(
            ["sh", "-c", _WATCH, sys.executable, os.path.abspath(__file__), self.folder],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            start_new_session=True,
        )

    def __enter__(self) -> Estate:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()

    @property
    def number(self) -> str:
        """A short name of this estate, unique among the living ones, fit for an interface name."""
        return f"{os.getpid()}x{self.token.rpartition('-')[2]}"

    def note(self, kind: str, **what: Any) -> None:
        """Write down that something of `kind` is about to be made."""
        with open(os.path.join(self.folder, JOURNAL), "a", encoding="utf-8") as file:
            file.write(json.dumps({"kind": kind, **what}) + "\n")

    def spawn(self, argv: Sequence[str], **options: Any) -> subprocess.Popen[Any]:
        """Start a process that this estate ends with itself; `options` are those of `subprocess.Popen`."""
        child = subprocess.Popen(list(argv), **options)
        self._children.append(child)
        self.note("process", pid=child.pid, start=started(child.pid))
        return child

    def release(self) -> None:
        """Undo everything, newest first. May be called twice."""
        if not os.path.isdir(self.folder):
            return
        release_folder(self.folder)
        for child in self._children:
            child.wait(DEATH_WAIT_S)
            for stream in (child.stdin, child.stdout, child.stderr):
                if stream is not None:
                    stream.close()
        assert self._guardian.stdin is not None
        self._guardian.stdin.close()
        self._guardian.wait(DEATH_WAIT_S)


def sweep() -> list[str]:
    """Release the estates of processes that are gone; returns their folders' names."""
    os.makedirs(journals(), mode=0o755, exist_ok=True)
    swept = []
    with _lock():
        for token in sorted(os.listdir(journals())):
            parts = token.split("-")
            if len(parts) == 3 and started(int(parts[0])) != int(parts[1]):
                release_folder(os.path.join(journals(), token))
                swept.append(token)
    return swept


@contextlib.contextmanager
def _lock() -> Iterator[IO[str]]:
    with open(os.path.join(journals(), "lock"), "w", encoding="utf-8") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield file


def release_folder(folder: str) -> None:
    """Undo the journal in `folder`, newest entry first, then remove the folder."""
    try:
        with open(os.path.join(folder, JOURNAL), encoding="utf-8") as file:
            entries = [json.loads(line) for line in file if line.endswith("\n")]
    except FileNotFoundError:
        entries = []
    for entry in reversed(entries):
        _UNDO[entry.pop("kind")](**entry)
    shutil.rmtree(folder, ignore_errors=True)


def _end_family(pid: int, start: int) -> None:
    if start and started(pid) == start:
        family = [(one, started(one)) for one in descendants(pid)]
        end_process(pid, start)
        for one, its_start in family:
            end_process(one, its_start)


def _remove_namespace(name: str) -> None:
    inside = subprocess.run(["ip", "netns", "pids", name], capture_output=True, text=True, timeout=20, check=False)
    for pid in map(int, inside.stdout.split()):
        if pid != os.getpid():
            end_process(pid, started(pid))
    subprocess.run(["ip", "netns", "delete", name], capture_output=True, timeout=20, check=False)
    shutil.rmtree(f"/etc/netns/{name}", ignore_errors=True)
    with contextlib.suppress(OSError):
        os.rmdir("/etc/netns")


def _unmount(path: str) -> None:
    subprocess.run(["umount", "--lazy", path], capture_output=True, timeout=20, check=False)


def _remove_folder(path: str) -> None:
    shutil.rmtree(path, ignore_errors=True)


def _remove_file(path: str) -> None:
    with contextlib.suppress(FileNotFoundError):
        os.unlink(path)


def _remove_cgroup(path: str) -> None:
    """Control groups go from the inside out, as soon as no process is in them any more."""
    until = time.monotonic() + DEATH_WAIT_S
    while os.path.isdir(path) and time.monotonic() < until:
        for folder, _, _ in os.walk(path, topdown=False):
            with contextlib.suppress(OSError):
                os.rmdir(folder)
        time.sleep(0.02)


_UNDO: dict[str, Callable[..., None]] = {
    "process": _end_family,
    "namespace": _remove_namespace,
    "mount": _unmount,
    "folder": _remove_folder,
    "cgroup": _remove_cgroup,
    "file": _remove_file,
}


def _guard(folder: str) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    while sys.stdin.buffer.read(1):
        pass
    if os.path.isdir(folder):
        release_folder(folder)


if __name__ == "__main__":
    _guard(sys.argv[1])
