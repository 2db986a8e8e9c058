"""Puts what stands on a sheet in place on a new machine: settings and keys, all of it or nothing, over no other file.

What is to be written is decided before anything is (`files_of`, pure); the main file comes last, so that settings are
there only once all that they name is.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from otherroof.base.atomic_file import create_file, make_folder
from otherroof.base.errors import HomeTrouble, WrongUse
from otherroof.base.handles import read_plain_file
from otherroof.pairing.sheet.carried import Carried, count_of_groups, is_inside
from otherroof.pairing.sheet.letters import Slip, TypedGroups, as_content, missing
from otherroof.settings.copies.tables import own_tables
from otherroof.settings.fields import NAME_RULE
from otherroof.settings.mistake_words import NOT_TOML
from otherroof.settings.reader import JOBS_FOLDER, MAIN_FILE

HEAD = (
    "# Taken in from the recovery sheet: what a restore needs. Whom to tell, when, how fast, and what is kept how\n"
    "# long does not stand there: see to that before the service starts. examples/otherroof.toml names all of it.\n\n"
)
MOST_NAMED = 6
_PLAIN_KEY = re.compile(r"[A-Za-z0-9_-]+\Z")


def groups_left(typed: TypedGroups) -> list[int] | None:
    """The groups that are still to be typed; None as long as the first is, for it says how many there are.
    Raises WrongUse if it is of no sheet that can be read here."""
    if 1 not in typed.fit:
        return None
    return missing(typed.fit, count_of_groups(as_content([typed.fit[1]])))


def require_whole(typed: TypedGroups, slips: Sequence[Slip]) -> bytes:
    """What was typed, as bytes. Raises WrongUse naming the groups that have a slip or are missing."""
    # What was typed a second time, and right, counts.
    wrong = [slip for slip in slips if slip.group not in typed.fit]
    if wrong:
        more = [f"group {slip.group}" for slip in wrong[1 : 1 + MOST_NAMED]]
        others = f"; look at {', '.join(more)} too" if more else ""
        raise WrongUse(f"{wrong[0].text()}{others}", advice="type it as it stands on the sheet; nothing was written")
    left = groups_left(typed)
    if left is None:
        raise WrongUse("group 1 is missing", advice="begin with the sheet's first line; nothing was written")
    if left:
        which = f"group {left[0]} is" if len(left) == 1 else f"{len(left)} groups from group {left[0]} on are"
        raise WrongUse(f"{which} missing", advice="type all lines of the sheet; nothing was written")
    count = count_of_groups(as_content([typed.fit[1]]))
    return as_content([typed.fit[number] for number in range(1, count + 1)])


def files_of(carried: Carried) -> dict[str, str]:
    """The files to be written, by their paths in the settings folder; the last one makes it whole. Raises WrongUse if
    the sheet would have one written elsewhere."""
    files = dict(carried.keys)
    for name, table in carried.jobs.items():
        if not NAME_RULE.match(name):
            raise _strange(name)
        files[f"{JOBS_FOLDER}/{name}.toml"] = HEAD + toml_text(table)
    for path in carried.keys:
        if not is_inside(path) or path == MAIN_FILE or path.startswith(f"{JOBS_FOLDER}/"):
            raise _strange(path)
    files[MAIN_FILE] = HEAD + toml_text(carried.main)
    return files


def commands_in(carried: Carried) -> list[str]:
    """Programs that these settings would have run, for a person to know of before they are."""
    tables = [table for job in carried.jobs.values() for table in (job, *own_tables(job).values())]
    found = [table["before"] for table in tables if "before" in table]
    for far in carried.main.get("far", {}).values():
        found += [far.get("tunnel", {})[word] for word in ("up", "down", "test") if word in far.get("tunnel", {})]
    return list(dict.fromkeys(" ".join(map(str, command)) for command in found))


def put_in_place(folder: str, files: Mapping[str, str]) -> list[str]:
    """Write the files into the settings `folder`; says which were written. What stands there with the same content, as
    after a try that was cut, stays. Raises WrongUse if another file is in the way, before anything is written."""
    wanted = {os.path.join(folder, path): text for path, text in files.items()}
    there = {path for path in wanted if os.path.lexists(path)}
    for path in sorted(there):
        if not _holds(path, wanted[path]):
            raise WrongUse(
                "stands there already, and is not what the sheet says; nothing was written",
                where=path,
                advice="if it is of no use any more, move it away; or name an empty folder with --config",
            )
    for path, text in wanted.items():
        if path not in there:
            make_folder(os.path.dirname(path))
            if not create_file(path, text, own=True):
                raise HomeTrouble("another program wrote it just now", where=path, advice="look why, and try again")
    return [path for path in wanted if path not in there]


def toml_text(table: Mapping[str, Any], above: str = "") -> str:
    """`table` as TOML 1.0, tables in it after all else."""
    plain = [f"{_key(key)} = {_value(value)}\n" for key, value in table.items() if not isinstance(value, Mapping)]
    text = (f"[{above}]\n" if above else "") + "".join(plain)
    for key, value in table.items():
        if isinstance(value, Mapping):
            text += "\n" + toml_text(value, f"{above}.{_key(key)}" if above else _key(key))
    if not above and not _says(text, table):
        raise WrongUse("these settings cannot be written as TOML", advice="keep a copy of the settings folder instead")
    return text


def _says(text: str, table: Mapping[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == table
    except NOT_TOML:
        return False


def _key(key: str) -> str:
    return key if _PLAIN_KEY.match(key) else _value(key)


def _value(value: Any) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value, value))}]"
    # A JSON text is a TOML basic string, but for DEL, which TOML wants escaped; numbers and truth values are the same.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _holds(path: str, text: str) -> bool:
    try:
        return read_plain_file(path) == text.encode("utf-8")
    except OSError:
        return False


def _strange(name: str) -> WrongUse:
    return WrongUse(
        f"the sheet names {name!r}, which belongs in no settings folder", advice="is it a sheet of your own?"
    )
