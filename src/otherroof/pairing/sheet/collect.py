"""Collects what a new machine needs from the settings folder: tables as the household wrote them, and the key files.

Reads files; what becomes of it is decided elsewhere. What only a running service needs (when, how fast, whom to tell)
is left out, so that less has to be typed; what would do harm if it were forgotten is not.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from typing import Any

from otherroof.base.errors import WrongSettings
from otherroof.base.handles import read_plain_file
from otherroof.pairing.sheet.carried import Carried, is_inside
from otherroof.settings import Settings
from otherroof.settings.alerting import AlertingSettings
from otherroof.settings.copies.tables import ON, own_tables
from otherroof.settings.machine_checks import MAKE_KEY, require_secret
from otherroof.settings.mistake_words import NOT_TOML
from otherroof.settings.models import MOST_KEY, key_paths
from otherroof.settings.reader import MAIN_FILE, job_files

FIRST = "make a first copy, which makes this key, and the sheet after that"
# Without these all versions stay, and alerts and limits are written anew.
NOT_IN_MAIN = frozenset({"versions", *AlertingSettings.model_fields})
NOT_OF_A_FAR_BOX = frozenset(
    {"silent_days", "fill_days", "floor_gb", "probe_hours", "month_gb", "limit_mbit", "limits", "courtesy"}
    | {"courtesy_ms", "connections", "answer_s", "tries", "pause_s", "queue_s"}
)
NOT_OF_A_JOB = frozenset(
    {"window", "tries", "importance", "limit_mbit", "limits", "promise_hours", "prove_mb", "prove_days", "heal"}
    | {"drill_mb", "drill_days", "drill", "back_within_hours", "also_kept", "versions"}
)


def collect(settings: Settings) -> Carried:
    """What a new machine needs. Raises WrongSettings if a file of it cannot be read, or is no secret."""
    main = {key: value for key, value in _tables(settings.path(MAIN_FILE)).items() if key not in NOT_IN_MAIN}
    for name in settings.far:
        main["far"][name] = _without(main["far"][name], NOT_OF_A_FAR_BOX)
    jobs = {os.path.basename(path).removesuffix(".toml"): _job(_tables(path)) for path in job_files(settings.where)}
    keys: dict[str, str] = {}
    lie_at: dict[str, str] = {}
    for named, path in key_paths(settings.home, settings.far):
        inside = lie_at.setdefault(settings.path(path), _place_for(path, named, keys))
        keys[inside] = _key(settings.path(path), FIRST if named == ("home", "listing_key") else MAKE_KEY)
        if inside != path:
            _set(main, named, inside)
    return Carried(main, jobs, keys)


def _job(table: Mapping[str, Any]) -> dict[str, Any]:
    """A job's table, and in it what single far boxes have of their own, without what only a service needs."""
    needed = _without(table, NOT_OF_A_JOB | {ON})
    own = {box: _without(values, NOT_OF_A_JOB) for box, values in own_tables(table).items()}
    kept = {box: values for box, values in own.items() if values}
    return needed | {ON: kept} if kept else needed


def _without(table: Mapping[str, Any], names: frozenset[str]) -> dict[str, Any]:
    return {key: value for key, value in table.items() if key not in names}


def _place_for(path: str, named: tuple[str, ...], taken: Mapping[str, str]) -> str:
    """Where the key will lie on the new machine: where it lies here, but inside the settings folder."""
    if is_inside(path) and path not in taken:
        return path
    place = f"keys/{os.path.basename(path)}"
    return place if place not in taken else f"keys/{'-'.join(named[1:])}"


def _set(main: dict[str, Any], named: tuple[str, ...], path: str) -> None:
    table = main
    for step in named[:-1]:
        table = table[step]
    table[named[-1]] = path


def _key(path: str, lacking: str) -> str:
    try:
        return read_plain_file(require_secret(path, lacking), MOST_KEY).decode("ascii")
    except (OSError, UnicodeDecodeError) as problem:
        raise WrongSettings("cannot be read as a key", where=path, advice="`otherroof check` says more") from problem


def _tables(path: str) -> dict[str, Any]:
    try:
        return tomllib.loads(read_plain_file(path).decode("utf-8"))
    except OSError as problem:
        raise WrongSettings(f"cannot be read: {problem.strerror}", where=path) from problem
    except NOT_TOML as problem:
        raise WrongSettings(f"is not TOML: {problem}", where=path) from problem
