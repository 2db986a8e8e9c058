"""Runs a command in a fresh, throwaway Debian that holds this checkout: `python tests/in_debian.py trixie COMMAND`.

For trying the tests on another release's Python than this machine's: root here, a person without rights in there
(`--root`: root in there too), this machine's network, nothing left behind. Output and exit code are the command's.

    python tests/in_debian.py trixie 'sh tests/run.sh tests/unit'
"""

from __future__ import annotations

import argparse
import subprocess
import sys

from support.debian_base import RELEASES, base_of
from support.home_machine import PERSON, HomeMachine
from support.lab import Estate


def main() -> int:
    """The command's exit code."""
    ask = argparse.ArgumentParser(description="Runs a command in a throwaway Debian that holds this checkout.")
    ask.add_argument("release", choices=RELEASES)
    ask.add_argument("command", help="a line for sh, run in the checkout")
    ask.add_argument("--root", action="store_true", help="run it as root; without this, as a person without rights")
    ask.add_argument("--minutes", type=float, default=60, help="end it after so long (60)")
    asked = ask.parse_args()
    with Estate() as estate:
        machine = HomeMachine(estate, base_of(asked.release))
        argv = machine.shell_argv(asked.command, "root" if asked.root else PERSON)
        try:
            return subprocess.run(machine.argv(argv), timeout=asked.minutes * 60, check=False).returncode
        except subprocess.TimeoutExpired:
            print(f"ended: it took more than {asked.minutes:g} minutes", file=sys.stderr)
            return 1


if __name__ == "__main__":
    sys.exit(main())
