"""The service's account in other hands: a process that changes a folder of its own at random moments, while root works
there, to have root change something outside.

Also takes down how everything outside stands. This file is run as a program too.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import stat
import subprocess
import sys
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

ACCOUNT = 64123  # no account of this number exists, nor needs to
ELSEWHO = 64124
START = "import support.intruder as i; i.intrude()"
# What root-run verbs open or make below the state folder, whether it is there yet or not.
NAMES = (
    *("ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm", "settings.json", "serve.lock"),
    *("locks/papers.lock", "locks/far.heron.lock", "tunnels/heron.use", "tunnels/heron.turn", "tunnels/heron.json"),
    *("tunnels/heron.made", "catalogues/papers.db", "notes/papers.db", "notes/papers.db-commits", "chunks/papers.db"),
    *("locks", "scratch", "catalogues", "notes", "chunks", "tunnels"),
)
MOST_WRITERS = 200
_WRITERS: deque[int] = deque()
LONGEST_S = 0.004  # for which something stands in another's place; short, so that checks are passed and deeds caught
PACES_S = (0.001, 0.01, 0.1, 0.4)  # at most, between two deeds; with the slow ones, verbs come far


@contextmanager
def at_work_in(folder: Path, outside: Path, seed: int) -> Iterator[None]:
    """While inside, the intruder changes what lies in `folder`, with links to what lies in `outside`."""
    tests = str(Path(__file__).resolve().parent.parent)
    process = subprocess.Popen(
        [sys.executable, "-c", START, str(folder), str(outside), str(seed)],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": tests},
        start_new_session=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == b"at work\n"
        yield
        assert process.poll() is None, "the intruder ended before its time"
    finally:
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=10)


def intrude() -> None:
    """Become that account, and go on until killed."""
    folder, outside, seed = sys.argv[1:]
    os.setgroups([])
    os.setgid(ACCOUNT)
    os.setuid(ACCOUNT)
    os.chdir(folder)
    dice = random.Random(int(seed))
    pace = PACES_S[int(seed) % len(PACES_S)]
    targets = [os.path.join(outside, name) for name in ("empty", "text", "new", "folder")]
    deeds: tuple[Callable[[random.Random, str, str], None], ...] = (_link, _link, _link, _pipe, _swap, _remove)
    sys.stdout.write("at work\n")
    sys.stdout.flush()
    while True:
        name, target = dice.choice(NAMES if dice.random() < 0.7 else _there() or NAMES), dice.choice(targets)
        with contextlib.suppress(OSError):  # what it meets changes under its own hands, too
            dice.choice(deeds)(dice, name, target)
        time.sleep(dice.random() * pace)


def _there() -> list[str]:
    return [os.path.join(folder, name) for folder, folders, files in os.walk(".") for name in (*folders, *files)]


@contextmanager
def _away(dice: random.Random, name: str) -> Iterator[None]:
    """While inside, what is called `name` has another name."""
    aside = f"{name}.aside-{dice.randrange(10**6)}"
    os.makedirs(os.path.dirname(name) or ".", exist_ok=True)
    with contextlib.suppress(FileNotFoundError):
        os.rename(name, aside)
    yield
    time.sleep(dice.random() * LONGEST_S)
    with contextlib.suppress(OSError):
        os.unlink(name)
    os.rename(aside, name)


def _link(dice: random.Random, name: str, target: str) -> None:
    with _away(dice, name):
        os.symlink(target, name)


def _pipe(dice: random.Random, name: str, _target: str) -> None:
    """A pipe that always has a writer, who never writes: what reads it waits, what only opens it does not. SQLite opens
    the folder of its file before it syncs it, and could be made to wait there without end, which harms nothing else."""
    with _away(dice, name):
        os.mkfifo(name)
        _WRITERS.append(os.open(name, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC))
        if len(_WRITERS) > MOST_WRITERS:
            os.close(_WRITERS.popleft())


def _swap(dice: random.Random, name: str, _target: str) -> None:
    other = dice.choice(NAMES)
    with _away(dice, name):
        os.rename(other, name)


def _remove(_dice: random.Random, name: str, _target: str) -> None:
    os.unlink(name)


Standing = dict[str, tuple[int, int, int, bytes]]


def standing(*tops: Path) -> Standing:
    """Owner, group, mode and content (a link's target, a folder's names) of all that lies there."""
    found: Standing = {}
    for top in tops:
        for folder, folders, files in os.walk(top):
            for path in (folder, *(os.path.join(folder, name) for name in (*folders, *files))):
                found[path] = _one(path)
    return found


def _one(path: str) -> tuple[int, int, int, bytes]:
    looked = os.lstat(path)
    if stat.S_ISLNK(looked.st_mode):
        content = os.fsencode(os.readlink(path))
    elif stat.S_ISDIR(looked.st_mode):
        content = "\n".join(sorted(os.listdir(path))).encode()
    else:
        content = Path(path).read_bytes()
    return looked.st_uid, looked.st_gid, looked.st_mode, content


def outside_of_reach(where: Path) -> Path:
    """A folder of root's that an account would like to change something in; anybody may look in."""
    outside = where / "outside"
    (outside / "folder").mkdir(parents=True)
    for name in ("empty", "text", "folder/locks", "folder/papers.db", "folder/papers.lock"):
        (outside / name).write_text("" if name == "empty" else "keep me")
    (outside / "text").chmod(0o600)
    os.chown(outside / "folder" / "locks", ELSEWHO, ELSEWHO)
    return outside
