"""The command line in an interpreter of its own: how a verb starts when nothing has been imported yet."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

START = "from otherroof.cli.main import main; main()"
OTHERROOF = str(Path(sys.executable).with_name("otherroof"))  # as it is installed beside this Python
_LOOKED_AT = """
import json, sys
code = 0
try:
    from otherroof.cli.main import main
    main(json.loads(sys.argv[1]))
except SystemExit as left:
    code = left.code
print("\\0" + json.dumps([code, sorted(sys.modules)]))
"""
WAIT_S = 60


@dataclass(frozen=True)
class Started:
    """How a verb ended: exit code, what it told, its error lines, and every module that had been imported by then."""

    code: int
    told: str
    errors: str
    modules: frozenset[str]

    def has(self, module: str) -> bool:
        """Whether `module` or anything inside it was imported."""
        return any(one == module or one.startswith(f"{module}.") for one in self.modules)


def fresh_argv(*words: str) -> list[str]:
    """The command line with `words`, in a process of its own."""
    return [sys.executable, "-c", START, *words]


def started(*argv: str) -> Started:
    """Run the command line with `argv` in a fresh interpreter and look at what it imported."""
    done = subprocess.run(
        [sys.executable, "-c", _LOOKED_AT, json.dumps(argv)],
        capture_output=True,
        text=True,
        timeout=WAIT_S,
        check=False,
    )
    told, mark, seen = done.stdout.rpartition("\0")
    assert mark, done.stderr
    code, modules = json.loads(seen)
    return Started(code, told, done.stderr, frozenset(modules))


_FORKS = """
import json, os, sys
from otherroof.cli.main import main

def end(argv):
    try:
        main(argv)
    except SystemExit as left:
        return left.code
    return 0

sent, sys.stdout = sys.stdout, open(os.devnull, "w")
end(json.loads(sys.argv[1]))
sys.stdout = sent
for line in sys.stdin:
    argv, told, errors, seen = json.loads(line)
    pid = os.fork()
    if pid == 0:
        sys.stdout, sys.stderr = open(told, "w"), open(errors, "w")
        os.dup2(sys.stdout.fileno(), 1)
        os.dup2(sys.stderr.fileno(), 2)
        code = end(argv)
        sys.stdout.flush()
        sys.stderr.flush()
        with open(seen, "w") as file:
            json.dump([code, sorted(sys.modules)], file)
        os._exit(0)
    os.waitpid(pid, 0)
    print(flush=True)
"""


class StartedOnce:
    """An interpreter that has told the help of one verb, and does everything else in a child of its own: what a child
    has imported is what that help needs and what its own command needs. Use as a context manager."""

    def __init__(self, where: Path, *first: str) -> None:
        self._where = where
        self._first = first

    def __enter__(self) -> StartedOnce:
        argv = [sys.executable, "-c", _FORKS, json.dumps(self._first)]
        self._process = subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate(timeout=WAIT_S)

    def started(self, *argv: str) -> Started:
        """Run the command line with `argv` in a child and look at what it imported."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        told, errors, seen = (self._where / name for name in ("told", "errors", "seen"))
        seen.unlink(missing_ok=True)
        self._process.stdin.write(json.dumps([argv, str(told), str(errors), str(seen)]) + "\n")
        self._process.stdin.flush()
        assert self._process.stdout.readline(), "the interpreter ended"
        assert seen.exists(), errors.read_text()
        code, modules = json.loads(seen.read_text())
        return Started(code, told.read_text(), errors.read_text(), frozenset(modules))
