"""Writes the kit that a person carries to the far box: `set-up.sh`, the files it puts in place, and a page to read.

Everything in it follows from the plan, apart from one secret, the shared tunnel key, which lies in a file that says
so in its name. This module knows nothing of who carries the kit, nor of what the far box answers.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from functools import lru_cache

from jinja2 import Environment

from otherroof.base.atomic_file import FOR_ALL, FOR_OWNER, make_folder, replace_file
from otherroof.base.errors import WrongUse
from otherroof.base.text.templates import templates_of
from otherroof.base.units import count_text
from otherroof.pairing.answers import ANSWER
from otherroof.pairing.plan import BASE, KEEPALIVE_S, PairingPlan
from otherroof.tunnel.silence import REJECT_S

SECRET = "files/SECRET-shared.key"
SUMS = "SUMS"
PAGES = ("set-up.sh", "READ-ME-FIRST.txt")
FILES = (
    "firewall.nft",
    "hidden-ssh.service",
    "hidden-ssh.socket",
    "home",
    "login",
    "new-ssh.nft",
    "note.service",
    "note.sh",
    "note.timer",
    "ssh.conf",
    "tunnel-again.service",
    "tunnel-again.timer",
    "tunnel.service",
    "tunnel.sh",
    "updates.conf",
)
DAY_S = 86_400
# Of the far box's looks, two a minute: time enough for a home that restarts, so that its port is not changed for that.
LOOKS_A_PORT = 4


def kit_files(plan: PairingPlan, shared_key: str) -> dict[str, str]:
    """Every file of the kit by its path in it: text. Pure; the same plan gives the same kit."""
    templates = _templates()
    facts = _facts(plan)
    names = {f"files/{name}": name for name in FILES} | {name: name for name in PAGES}
    made = {path: templates.get_template(f"{name}.j2").render(facts) for path, name in names.items()}
    made[SECRET] = shared_key + "\n"
    # In the form that `sha256sum -c` reads (two blanks before the name), a tool that every Linux has.
    made[SUMS] = "".join(f"{_digest(text)}  {path}\n" for path, text in sorted(made.items()))
    return made


@lru_cache(maxsize=1)
def _templates() -> Environment:
    return templates_of("otherroof.pairing", sh=_quoted)


def write_kit(folder: str, files: Mapping[str, str]) -> list[str]:
    """Write the kit into `folder`; says which files were written, none if it stood there already.

    Raises WrongUse if the folder holds other things, HomeTrouble if it cannot be written.
    """
    # Among other files a kit could be carried along incomplete, or with something in it that nobody meant.
    strangers = sorted(_paths_in(folder) - set(files))
    if strangers:
        raise WrongUse(
            f"{strangers[0]} lies in it, which is not part of a kit",
            where=folder,
            advice="name an empty or a new folder with --kit",
        )
    make_folder(os.path.join(folder, "files"))
    written = []
    for path, text in files.items():
        target = os.path.join(folder, path)
        content = text.encode("utf-8")
        if not _holds(target, content):
            replace_file(target, content, FOR_OWNER if path == SECRET else FOR_ALL)
            written.append(path)
    return written


def _quoted(text: str) -> str:
    """One word for the shell, whatever is in it; quoted always, so that a reader need not wonder."""
    # Between single quotes the shell takes everything as it is but a single quote: end the word, escape one, begin
    # again.
    return "'" + text.replace("'", "'\\''") + "'"


def _facts(plan: PairingPlan) -> dict[str, object]:
    # By role: home answers, so the far box calls home; or home calls there.
    called = plan.own_name if plan.role == ANSWER else plan.far_name
    return {
        "plan": plan,
        "base": BASE,
        "calls_home": plan.role == ANSWER,
        "endpoint": f"[{called}]:{plan.port}" if ":" in called else f"{called}:{plan.port}",
        "keepalive_s": KEEPALIVE_S,
        # WireGuard paper §6.1: a session older than this carries nothing any more, so nobody answered since.
        "stale_s": REJECT_S,
        "looks_a_port": LOOKS_A_PORT,
        "silent": count_text(plan.silent_days, "day"),
        "silent_s": round(plan.silent_days * DAY_S),
    }


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _paths_in(folder: str) -> set[str]:
    found = set()
    for top, _, names in os.walk(folder):
        found |= {os.path.relpath(os.path.join(top, name), folder) for name in names}
    return found


def _holds(path: str, content: bytes) -> bool:
    try:
        with open(path, "rb") as file:
            return file.read() == content
    except OSError:
        return False  # ignored here: writing the file will raise the same error
