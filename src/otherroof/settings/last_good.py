"""Keeps the settings that were last read without a mistake, in the state folder, for the service's own use.

So that a slip of the pen, and a restart weeks later, neither silence the service nor stop a job: it goes on with what
it had, and an alert tells of the mistake. No person is meant to read or edit this file. Whoever takes over the
service's account can write it: so nobody but that account believes it, root least of all, and no command in it is run
unless the files have the same one.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass

from pydantic import ValidationError

from otherroof.base.atomic_file import FOR_OWNER, replace_file
from otherroof.base.handles import open_plain_file
from otherroof.settings.models import Job, Settings
from otherroof.settings.reader import (
    MAIN_FILE,
    Mistake,
    ReadableSettings,
    job_file,
    read_parts,
    read_settings,
)
from otherroof.settings.tunnel import CommandTunnel

NAME = "settings.json"
MOST_BYTES = 16 * 1024 * 1024
NOT_TRUSTED = "the settings cannot be read whole now, so its command is not run"
MEND = "mend the other mistakes"


def settings_in_force(folder: str, states: Iterable[str] = ()) -> tuple[Settings | None, list[Mistake]]:
    """The settings in `folder`; if they have mistakes, those that the service last took up, else what can be used.

    And all mistakes, with what those that were last taken up want to run and may not: see `trusted_part`. `states` are
    further folders in which the state may lie if the settings cannot tell. None if the main file is at fault and the
    service has never taken any up. Only the service's own account gets those: whoever else asks goes by the files.
    """
    settings, mistakes = read_settings(folder)
    if not mistakes:
        return settings, mistakes
    # The settings name the folder in which the copy of themselves lies. If they cannot be read, it is looked for where
    # it usually is.
    state_folders = (
        [settings.state] if settings is not None else [*states, os.path.join(os.path.abspath(folder), "state")]
    )
    kept = _kept(os.path.abspath(folder), state_folders)
    if kept is None:
        return settings, mistakes
    trusted = trusted_part(kept, read_parts(folder))
    return trusted.settings, [*mistakes, *trusted.left_out]


def keep_settings(settings: Settings) -> None:
    """The service has taken these up, and they are whole. Raises HomeTrouble if they cannot be written down."""
    path = os.path.join(settings.state, NAME)
    text = settings.model_dump_json()
    # Only if it differs: this is called at every start and reload, and an SD card wears with each write.
    if _read(path) != text:
        replace_file(path, text, FOR_OWNER)


@dataclass(frozen=True, slots=True)
class TrustedSettings:
    """Settings that were last whole, as far as they may be used, and what was left out of them."""

    settings: Settings
    left_out: list[Mistake]


def trusted_part(kept: Settings, files: ReadableSettings) -> TrustedSettings:
    """What of `kept` may be used: all but commands that do not stand in the `files` as well, just so.

    A job without its command before would copy yesterday's dump, and a far box without its tunnel would be asked for in
    the open: so these are left out as a whole.
    """
    main = os.path.join(files.where, MAIN_FILE)
    left_out: list[Mistake] = []
    far = dict(kept.far)
    for name, box in kept.far.items():
        known = files.far.get(name)
        if isinstance(box.tunnel, CommandTunnel) and (known is None or known.tunnel != box.tunnel):
            del far[name]
            left_out.append(Mistake(main, f"far.{name}.tunnel", NOT_TRUSTED, MEND))
    jobs: dict[str, Job] = {}
    for name, job in kept.jobs.items():
        written = files.jobs.get(name)
        if job.before is not None and (written is None or written.before != job.before):
            file = job_file(files.where, name)
            left_out.append(Mistake(file, "before", NOT_TRUSTED, MEND))
        elif job.far in far:
            jobs[name] = job
            if job.drill.also is not None and (written is None or written.drill.also != job.drill.also):
                # The copy itself needs no such command, so that it goes on; only drills do without.
                file = job_file(files.where, name)
                left_out.append(Mistake(file, "drill.also", NOT_TRUSTED, MEND))
                jobs[name] = job.model_copy(update={"drill": job.drill.model_copy(update={"also": None})})
    channels = dict(kept.told.channel)
    for name, channel in kept.told.channel.items():
        if channel.kind == "command" and files.told.channel.get(name) != channel:
            del channels[name]
            left_out.append(Mistake(main, f"channel.{name}.command", NOT_TRUSTED, MEND))
    if not left_out:
        return TrustedSettings(kept, left_out)
    told = kept.told.model_copy(update={"channel": channels})
    unread = tuple(sorted({*kept.unread, *(set(kept.jobs) - set(jobs))}))
    return TrustedSettings(kept.model_copy(update={"far": far, "jobs": jobs, "told": told, "unread": unread}), left_out)


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
    """What this account itself wrote at `path`; empty if there is nothing of the kind."""
    try:
        # Looked at by its handle, and no more is read than settings can be.
        with open_plain_file(path, links=False) as file:
            ours = os.fstat(file.fileno()).st_uid == os.geteuid()
            return file.read(MOST_BYTES).decode("utf-8") if ours else ""
    except (OSError, UnicodeDecodeError):
        return ""
