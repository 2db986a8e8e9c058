"""Writes a complete settings folder that points at a `FarSshd`, so that a test can start at `otherroof run`."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Mapping
from typing import Any

from support.lab.sshd import FarSshd


def write_settings(
    where: str | os.PathLike[str],
    far: FarSshd,
    jobs: Mapping[str, str | Mapping[str, Any]],
    *,
    far_name: str = "heron",
    far_more: Mapping[str, Any] | None = None,
    home_more: Mapping[str, Any] | None = None,
) -> str:
    """Make settings folder `where` (otherroof.toml, keys/, jobs/) for box `far`; returns its path.

    `jobs` maps a job's name to its folder, or to a table with at least `folder`. `far_more` and `home_more` add to or
    replace what stands in [far.NAME] (a `tunnel` table too) and [home]. Keys of the settings are checked by the
    product when it reads them, not here.
    """
    root = os.fspath(where)
    for part in ("keys", "jobs"):
        os.makedirs(os.path.join(root, part), exist_ok=True)
    key = os.path.join(root, "keys", far_name)
    shutil.copyfile(far.login_key, key)
    os.chmod(key, 0o600)
    home = {"name": "larch", "state": "state", "zone": "America/St_Johns", **(home_more or {})}
    box = {
        "address": far.address,
        "port": far.port,
        "account": far.account,
        "login_key": f"keys/{far_name}",
        "host_key": far.host_key_line,
        "base": far.base,
        **(far_more or {}),
    }
    _write(os.path.join(root, "otherroof.toml"), {"home": home, "far": {far_name: box}})
    for name, given in jobs.items():
        table = {"folder": given} if isinstance(given, str) else dict(given)
        _write(os.path.join(root, "jobs", f"{name}.toml"), {"far": far_name, "at": "30 1 * * *", **table})
    return root


def toml_text(table: Mapping[str, Any], above: str = "") -> str:
    """`table` as TOML 1.0: texts, numbers, truth values, lists of them, and tables in tables."""
    plain = [f"{_key(key)} = {_value(value)}\n" for key, value in table.items() if not isinstance(value, Mapping)]
    text = (f"[{above}]\n" if above and plain else "") + "".join(plain)
    for key, value in table.items():
        if isinstance(value, Mapping):
            text += "\n" * bool(text) + toml_text(value, f"{above}.{key}" if above else key)
    return text


def _key(key: str) -> str:
    """A key as TOML takes it: in quote marks if it has a space or the like."""
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _value(key)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, str):
        # A JSON text is a TOML basic string, but for DEL, which TOML wants escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


def _write(path: str, table: Mapping[str, Any]) -> None:
    with open(path, "w", encoding="utf-8") as file:
        file.write(toml_text(table))
