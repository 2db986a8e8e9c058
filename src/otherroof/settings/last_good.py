"""Keeps the settings that were last read without a mistake, in the state folder, for the service's own use.

So that a slip of the pen, and a restart weeks later, neither silence the service nor stop a job: it goes on with what
it had, and an alert tells of the mistake. No person is meant to read or edit this file.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable

from pydantic import ValidationError

from otherroof.base.atomic_file import FOR_OWNER, replace_file
from otherroof.settings.models import Settings
from otherroof.settings.reader import Mistake, read_settings

NAME = "settings.json"
MOST_BYTES = 16 * 1024 * 1024


def settings_in_force(folder: str, states: Iterable[str] = ()) -> tuple[Settings | None, list[Mistake]]:
    """The settings in `folder`; if they have mistakes, those that the service last took up, else what can be used.

    And all mistakes. `states` are further folders in which the state may lie if the settings cannot tell. None
    if the main file is at fault and the service has never taken any up.
    """
    settings, mistakes = read_settings(folder)
    if not mistakes:
        return settings, mistakes
    # The settings name the folder in which the copy of themselves lies. If they cannot be read, it is looked for where
    # it usually is.
    state_folders = (
        [settings.state] if settings is not None else [*states, os.path.join(os.path.abspath(folder), "state")]
    )
    return _kept(os.path.abspath(folder), state_folders) or settings, mistakes


def keep_settings(settings: Settings) -> None:
    """The service has taken these up, and they are whole. Raises HomeTrouble if they cannot be written down."""
    path = os.path.join(settings.state, NAME)
    text = settings.model_dump_json()
    # Only if it differs: this is called at every start and reload, and an SD card wears with each write.
    if _read(path) != text:
        replace_file(path, text, FOR_OWNER)


def last_taken_up(folder: str, state: str) -> Settings | None:
    """What the service on the `state` folder took up last of the settings in `folder`; None if there is nothing of this
    version."""
    return _kept(folder, [state])


def _kept(folder: str, states: Iterable[str]) -> Settings | None:
    for state in states:
        try:
            found = Settings.model_validate_json(_read(os.path.join(state, NAME)))
        except ValidationError:
            continue  # none, or those of another version
        # One state folder may have served another settings folder before.
        if found.where == folder:
            return found
    return None


def _read(path: str) -> str:
    try:
        # Root reads here too, in a folder that is another account's: no link is followed, no pipe is waited for, and no
        # more is read than settings can be.
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(handle, "rb") as file:
            return file.read(MOST_BYTES).decode("utf-8") if stat.S_ISREG(os.fstat(handle).st_mode) else ""
    except (OSError, UnicodeDecodeError):
        return ""
