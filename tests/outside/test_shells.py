"""Completion as the shells themselves do it: a line is begun on a terminal, the tab key is pressed, and what the shell
makes of it is what the program is called with.

bash finds the script through bash-completion (https://github.com/scop/bash-completion), zsh in a folder of its fpath
(zshcompsys(1), "Autoloaded files"), fish in a vendor folder (https://fishshell.com/docs/current/completions.html).
"""

from __future__ import annotations

import contextlib
import os
import pty
import shlex
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.cli.parser import completion
from support.fresh_start import START
from support.household import write_household
from support.lab.need import require_programs
from support.outside import COMMON, outside

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

SCRIPTS = Path(completion.__file__).parent
BASH_COMPLETION = Path("/usr/share/bash-completion/bash_completion")
PATIENCE_S = 60.0


class Terminal:
    """A shell on a terminal of its own. In it `otherroof` completes as it does, and otherwise only notes its words."""

    def __init__(self, argv: list[str], where: Path) -> None:
        self._noted = where / "noted"
        program = where / "bin" / "otherroof"
        program.parent.mkdir()
        start = f"{shlex.quote(sys.executable)} -c {shlex.quote(START)}"
        program.write_text(
            f'#!/bin/sh\n[ -z "$OTHERROOF_COMPLETE" ] || exec {start} "$@"\n'
            f'printf "%s\\n" "$@" >{self._noted}.new && mv {self._noted}.new {self._noted}\n'
        )
        program.chmod(0o755)
        sudo = program.with_name("sudo")  # people complete behind it, so it stands there and changes nothing
        sudo.write_text('#!/bin/sh\nexec "$@"\n')
        sudo.chmod(0o755)
        env = {
            **{"HOME": str(where), "TERM": "xterm", "LC_ALL": "C.UTF-8", "PATH": f"{program.parent}:/usr/bin:/bin"},
            **{"XDG_DATA_DIRS": f"{where}/share:/usr/share", "ZDOTDIR": str(where)},
        }
        ours, theirs = pty.openpty()
        self._ours = ours
        argv = ["setsid", "--ctty", *argv]
        self._process = subprocess.Popen(argv, stdin=theirs, stdout=theirs, stderr=theirs, env=env, cwd=where)
        os.close(theirs)
        self.shown = b""
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):  # the terminal is gone
            while piece := os.read(self._ours, 4096):
                self.shown += piece

    def type(self, keys: str) -> None:
        os.write(self._ours, keys.encode())

    def completed(self, line: str) -> list[str]:
        """The words with which `otherroof` is called when `line` is begun, tab pressed, and then enter."""
        self.type(f"{line}\t\n")
        until = time.monotonic() + PATIENCE_S
        while not self._noted.exists():
            assert time.monotonic() < until, self.shown.decode(errors="replace")
            time.sleep(0.05)
        words = self._noted.read_text().splitlines()
        self._noted.unlink()
        return words

    def close(self) -> None:
        self._process.kill()
        self._process.wait(timeout=20)
        os.close(self._ours)


def put(script: str, path: Path) -> None:
    path.parent.mkdir(parents=True)
    path.write_text((SCRIPTS / script).read_text())


@pytest.fixture(params=["bash", "zsh", "fish"])
def terminal(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Terminal]:
    shell = str(request.param)
    require_programs(shell)
    argv = {"bash": ["bash", "--norc", "--noprofile", "-i"], "zsh": ["zsh", "-f", "-i"], "fish": ["fish", "-i"]}
    if shell == "bash":
        if not BASH_COMPLETION.exists():
            pytest.skip("bash-completion is not installed")
        put("complete.bash", tmp_path / "share/bash-completion/completions/otherroof")
    elif shell == "zsh":
        put("complete.zsh", tmp_path / "site-functions/_otherroof")
    else:
        put("complete.fish", tmp_path / "share/fish/vendor_completions.d/otherroof.fish")
    made = Terminal(argv[shell], tmp_path)
    if shell == "bash":
        made.type(f"source {BASH_COMPLETION}\n")
    if shell == "zsh":
        made.type(f"fpath=({tmp_path}/site-functions $fpath); autoload -Uz compinit; compinit -u -D\n")
    yield made
    made.close()


@outside(
    "bash-completion, zshcompsys(1) and fish",
    "bash, zsh and fish themselves",
    "what the tab key completes",
    value="recomputed",
)
def test_verbs_options_names_and_folders_are_completed(terminal: Terminal, tmp_path: Path) -> None:
    config = write_household(tmp_path / "config", jobs={"photos": "", "papers": ""})
    assert terminal.completed("otherroof rele") == ["release"]
    assert terminal.completed("otherroof run --rer") == ["run", "--reread"]
    assert terminal.completed(f"otherroof --config {config} run pho") == ["--config", config, "run", "photos"]
    assert terminal.completed(f"otherroof run --config={config} papers pho")[-2:] == ["papers", "photos"]
    assert terminal.completed(f"sudo otherroof --config {config} release pho")[2:] == ["release", "photos"]
    assert terminal.completed("otherroof restore photos --if-there rep")[-1] == "replace"
    (tmp_path / "target" / "inner").mkdir(parents=True)
    assert terminal.completed("otherroof restore photos --into target/inn")[-1].rstrip("/") == "target/inner"


@outside(COMMON, "", "no noise while a line is typed", value="recomputed")
def test_settings_that_cannot_be_read_are_passed_over_quietly(terminal: Terminal, tmp_path: Path) -> None:
    before = len(terminal.shown)
    assert terminal.completed(f"otherroof run --config {tmp_path}/nowhere pho")[-1] == "pho"
    told = terminal.shown[before:].decode(errors="replace")
    assert "Traceback" not in told
    assert "is not there" not in told


@outside("ShellCheck", "shellcheck --shell=bash", "the completion script has no slip", value="recomputed")
def test_the_script_for_bash_has_no_slip() -> None:
    require_programs("shellcheck")
    subprocess.run(["shellcheck", "--shell=bash", str(SCRIPTS / "complete.bash")], check=True, timeout=60)
