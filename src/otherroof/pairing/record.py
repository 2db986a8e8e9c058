"""What waits in the settings folder between making a kit and finishing: the plan, and how far it has come.

One JSON file a far box, without secrets. It stays after finishing, so that the same reply can be given twice.
"""

from __future__ import annotations

import json
import os
from typing import Literal

from pydantic import ValidationError

from otherroof.base.atomic_file import make_folder, replace_file
from otherroof.base.errors import WrongSettings, WrongUse
from otherroof.pairing.plan import PairingPlan
from otherroof.settings.fields import Strict

FOLDER = "pairing"


class Record(Strict):
    """A plan and its state: `waiting` for the far box's reply, or `done`."""

    format: Literal[1] = 1
    state: Literal["waiting", "done"]
    plan: PairingPlan


def record_path(settings_folder: str, far: str) -> str:
    """The path of the record of `far` in the settings folder."""
    return os.path.join(settings_folder, FOLDER, f"{far}.json")


def find_record(settings_folder: str, far: str) -> Record | None:
    """The record of `far`, None if there is none. Raises WrongSettings if it cannot be understood."""
    path = record_path(settings_folder, far)
    try:
        with open(path, encoding="utf-8") as file:
            return Record.model_validate_json(file.read())
    except FileNotFoundError:
        return None
    except (OSError, ValidationError, UnicodeDecodeError) as problem:
        raise WrongSettings(
            f"cannot be understood: {' '.join(str(problem).split())[:120]}",
            where=path,
            advice="move it away and pair again; keys that stand are used again",
        ) from problem


def require_record(settings_folder: str, far: str) -> Record:
    """The record of `far`. Raises WrongUse if no pairing was begun."""
    record = find_record(settings_folder, far)
    if record is None:
        raise WrongUse(
            f"no pairing with {far!r} was begun here",
            where=record_path(settings_folder, far),
            advice=f"`otherroof pair {far}` begins one",
        )
    return record


def other_plans(settings_folder: str, far: str) -> list[PairingPlan]:
    """The plans of all other far boxes. Raises WrongSettings as `find_record` does."""
    try:
        names = sorted(os.listdir(os.path.join(settings_folder, FOLDER)))
    except FileNotFoundError:
        return []
    stems = [name.removesuffix(".json") for name in names if name.endswith(".json") and not name.startswith(".")]
    found = [find_record(settings_folder, stem) for stem in stems if stem != far]
    return [record.plan for record in found if record is not None]


def keep_record(settings_folder: str, record: Record) -> None:
    """Write the record down. Raises HomeTrouble."""
    path = record_path(settings_folder, record.plan.far)
    make_folder(os.path.dirname(path))
    text = json.dumps(record.model_dump(), indent=2, ensure_ascii=False) + "\n"
    replace_file(path, text)
