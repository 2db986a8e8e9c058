"""The command line in an interpreter of its own: how a verb starts when nothing has been imported yet."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass

START = "from otherroof.cli.main import main; main()"
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
