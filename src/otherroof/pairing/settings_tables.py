"""Writes the far box's tables into `otherroof.toml` without touching a word that a person wrote there.

New tables are added at the end of the text. The result is read back as TOML and compared with what it should be
before anything is written, so a file that cannot be extended so is left alone and the person is told. The text
work is pure; `add_tables` is its thin driver.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from otherroof.base.atomic_file import make_folder, replace_file
from otherroof.base.errors import HomeTrouble, WrongSettings
from otherroof.pairing.answers import ANSWER
from otherroof.pairing.plan import BASE, PairingPlan, key_names
from otherroof.pairing.reply import Reply
from otherroof.settings.mistake_words import NOT_TOML, mistake_in_plain_words
from otherroof.settings.models import FarBox
from otherroof.settings.reader import MAIN_FILE

Table = Mapping[str, Any]
_ESCAPED = {'"': '\\"', "\\": "\\\\", "\t": "\\t"}


def far_table(plan: PairingPlan, reply: Reply) -> dict[str, Any]:
    """What `[far.NAME]` will say."""
    tunnel_key, shared_key, login_key = key_names(plan.far)
    tunnel: dict[str, Any] = {
        "kind": "wireguard",
        "role": plan.role,
        "interface": plan.home_interface,
        "own_address": f"{plan.home_address}/{plan.prefix}",
        "port": plan.port,
        "key_file": tunnel_key,
        "shared_key_file": shared_key,
        "far_key": reply.tunnel_key,
        "reach": [f"{plan.far_address}/32"],
    }
    if plan.role == ANSWER:
        tunnel["own_name"] = plan.own_name
    else:
        host = f"[{plan.far_name}]" if ":" in plan.far_name else plan.far_name
        tunnel["far_name"] = f"{host}:{plan.port}"
    if plan.mtu:
        tunnel["mtu"] = plan.mtu
    return {
        "address": plan.far_address,
        "port": plan.ssh_port,
        "account": plan.account,
        "login_key": login_key,
        "host_key": reply.host_key,
        "base": BASE,
        "silent_days": plan.silent_days,
        "tunnel": tunnel,
    }


def with_far_tables(text: str, plan: PairingPlan, table: Table) -> str:
    """`text` with the far box's tables at its end, and `[home]` if it has none; `text` itself if all is there.

    Raises WrongSettings if a different table of that name stands already, or the text cannot take a new one.
    """
    # Text is added to text, because Python reads TOML and does not write it, and a writer would lose the household's
    # comments and order.
    before = _parsed(text)
    far = before.get("far", {})
    if not isinstance(far, dict):
        raise WrongSettings("far is not a table", where=MAIN_FILE)
    if plan.far in far:
        if far[plan.far] == table:
            return text
        raise WrongSettings(
            f"[far.{plan.far}] is there already and says something else",
            where=MAIN_FILE,
            advice=f"take [far.{plan.far}] and its tunnel out by hand if this box replaces it, then finish again",
        )
    home = {} if "home" in before else {"home": {"name": plan.home, "zone": plan.zone}}
    if home and not plan.zone:
        raise WrongSettings("[home] is gone since the pairing began", where=MAIN_FILE, advice="write it again first")
    added = "".join(_table_text(name, rows) for name, rows in home.items()) + _far_text(plan.far, table)
    # As the file has them: somebody may edit it on another system.
    newline = "\r\n" if "\r\n" in text else "\n"
    body = text if not text or text.endswith("\n") else text + newline
    after = body + (newline if body else "") + added.strip("\n").replace("\n", newline) + newline
    # TOML has ways to close a table (`far = { … }` on one line) that no later text can extend; this finds out.
    _require_same(after, {**before, **home, "far": {**far, plan.far: table}}, added)
    return after


def require_valid(far: str, table: Table) -> None:
    """Raises WrongSettings if the settings' own rules refuse `table`."""
    try:
        FarBox.model_validate(table)
    except ValidationError as problem:
        detail = problem.errors()[0]
        key = ".".join(str(step) for step in detail["loc"])
        raise WrongSettings(
            mistake_in_plain_words(detail), where=f"far.{far}.{key}", advice="correct the answers and pair again"
        ) from problem


def add_tables(folder: str, plan: PairingPlan, reply: Reply) -> bool:
    """Complete `otherroof.toml` in the settings `folder`; says whether anything had to be written.

    Raises WrongSettings as `with_far_tables` does, HomeTrouble if the file cannot be read or written.
    """
    # If the settings are a link into another folder, the file itself is replaced and the link stays.
    path = os.path.realpath(os.path.join(folder, MAIN_FILE))
    text, mode = _read(path)
    table = far_table(plan, reply)
    require_valid(plan.far, table)
    after = with_far_tables(text, plan, table)
    if after == text:
        return False
    make_folder(os.path.dirname(path))
    replace_file(path, after, mode)
    return True


def _read(path: str) -> tuple[str, int]:
    try:
        # newline="" keeps the file's own line ends.
        with open(path, encoding="utf-8", newline="") as file:
            return file.read(), os.fstat(file.fileno()).st_mode & 0o777
    except FileNotFoundError:
        return "", 0o644
    except OSError as problem:
        raise HomeTrouble(
            f"cannot be read: {problem.strerror}", where=path, advice="check its owner and mode"
        ) from problem
    except UnicodeDecodeError as problem:
        raise WrongSettings("is not UTF-8 text", where=path, advice="a TOML 1.0 file is wanted") from problem


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except NOT_TOML as problem:
        raise WrongSettings(f"is not TOML: {problem}", where=MAIN_FILE) from problem


def _require_same(after: str, wanted: Mapping[str, Any], added: str) -> None:
    try:
        fits = tomllib.loads(after) == wanted
    except NOT_TOML:
        fits = False
    if not fits:
        raise WrongSettings(
            "tables cannot be added at its end, perhaps since `far` is written on one line",
            where=MAIN_FILE,
            advice=f"add by hand: {' | '.join(added.split(chr(10)))}",
        )


def _far_text(far: str, table: Table) -> str:
    rows = {key: value for key, value in table.items() if key != "tunnel"}
    return _table_text(f"far.{far}", rows) + _table_text(f"far.{far}.tunnel", table["tunnel"])


def _table_text(name: str, rows: Table) -> str:
    return f"\n[{name}]\n" + "".join(f"{key} = {_value_text(value)}\n" for key, value in rows.items())


def _value_text(value: Any) -> str:
    if isinstance(value, str):
        return '"' + "".join(_ESCAPED.get(letter, letter) for letter in value) + '"'
    if isinstance(value, list):
        return "[" + ", ".join(_value_text(item) for item in value) + "]"
    # 3.0 days are written as 3, as a person would; the settings take either.
    return f"{value:g}" if isinstance(value, float) else str(value)
