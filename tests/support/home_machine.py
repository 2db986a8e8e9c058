"""A throwaway Debian that plays the home server: it holds the checkout, and pip reaches there what it reaches here.

For the lab. Until it boots it is in this machine's network, so that packages can be fetched; after that in one of its
own, with nobody else in it.
"""

from __future__ import annotations

import ast
import os
import shlex
import shutil
import sys
from pathlib import Path

from support.lab import Estate, call
from support.throwaway_debian import ThrowawayDebian

CHECKOUT = "/srv/checkout"
PERSON = "ruth"
ENVIRONMENT = "/etc/lab-environment"
LONGEST_S = 600.0
LAYER_MB = 3000
NOT_CARRIED = (".git", ".venv", "__pycache__", "*.egg-info", "build", "dist", ".*_cache", ".hypothesis")
# Which of pip's settings say where packages come from; the others are this machine's own affair.
WHERE_FROM = {
    "cert",
    "client-cert",
    "default-timeout",
    "extra-index-url",
    "find-links",
    "index-url",
    "proxy",
    "retries",
}
PROXIES = ("http_proxy", "https_proxy", "no_proxy", "HTTP_PROXY", "HTTPS_PROXY", "NO_PROXY")


class HomeMachine(ThrowawayDebian):
    """A fresh Debian with python3 and python3-venv, a person without rights on it, and the checkout in her hands."""

    def __init__(self, estate: Estate, base: str) -> None:
        super().__init__(estate, base, layer_mb=LAYER_MB)
        shutil.copyfile("/etc/resolv.conf", self.path("/etc/resolv.conf"))
        self.write("/usr/local/bin/sudo", '#!/bin/sh\nexec "$@"\n', 0o755)
        self.run("useradd", "--create-home", "--shell", "/bin/sh", PERSON)
        here = Path(__file__).parents[2]
        shutil.copytree(here, self.path(CHECKOUT), symlinks=True, ignore=shutil.ignore_patterns(*NOT_CARRIED))
        self.run("chown", "-R", f"{PERSON}:{PERSON}", CHECKOUT)
        self.write(ENVIRONMENT, self._where_packages_come_from())

    def shell(self, script: str, *, person: str = "root") -> tuple[int, str]:
        """What `person` types in the checkout: exit code, and all that was said."""
        return self.try_out(*self.shell_argv(script, person), wait_s=LONGEST_S)

    def shell_argv(self, script: str, person: str = "root") -> list[str]:
        """The same as words to start in there."""
        home = "/root" if person == "root" else f"/home/{person}"
        who = ["setpriv", f"--reuid={person}", f"--regid={person}", "--init-groups"]
        with_settings = f". {ENVIRONMENT}; cd {CHECKOUT}; set -e\n{script}"
        return [*who, "env", f"HOME={home}", "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
                "sh", "-c", with_settings]  # fmt: skip

    def _where_packages_come_from(self) -> str:
        """pip's settings here as a shell script for in there; what they name on this machine's disk is lent."""
        found = {name: os.environ[name] for name in PROXIES if name in os.environ}
        lent = set()
        for line in call([sys.executable, "-m", "pip", "config", "list"], wait_s=60).splitlines():
            name, _, quoted = line.partition("=")
            option = name.rpartition(".")[2]
            if option in WHERE_FROM:
                words = str(ast.literal_eval(quoted)).split()
                found[f"PIP_{option.upper().replace('-', '_')}"] = " ".join(words)
                # An index refers to the files beside it.
                lent |= {word.removeprefix("file://").removesuffix("/simple") for word in words}
        for path in sorted(lent):
            if path.startswith("/") and os.path.exists(path):
                self.lend(path)
        return "".join(f"export {name}={shlex.quote(value)}\n" for name, value in found.items())
