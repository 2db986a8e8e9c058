"""`otherroof check`: every mistake in the settings at once."""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import TYPE_CHECKING

import typer

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_WELL, EXIT_WRONG_USE, HomeTrouble, OtherroofError, typed
from otherroof.base.units import count_text
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, print_json, say

if TYPE_CHECKING:
    from otherroof.schedule.goes_by import ServiceView
    from otherroof.settings import Mistake, ReadableSettings


def verb(config: ConfigOption = SETTINGS_FOLDER, as_json: JsonOption = False) -> None:
    """Name every mistake in the settings.

    Each with its file and key, what is wrong, and what would be right; and whether a running service goes by them yet.
    """
    from otherroof.jobs.own_files import jobs_that_copy_secrets
    from otherroof.pairing.key_files import keys_that_are_none
    from otherroof.settings import check_machine, read_parts
    from otherroof.settings.copies.remarks import copies_under_one_roof
    from otherroof.settings.promises import promises_that_cannot_be_kept, times_outside_the_window

    parts = read_parts(config)
    refused = _become_owner(parts)
    mistakes = (
        *parts.mistakes,
        *_mistake_of(parts, refused),
        *(unsafe := check_machine(parts)),
        *keys_that_are_none(parts, {mistake.key for mistake in unsafe}),
        *jobs_that_copy_secrets(parts),
        *promises_that_cannot_be_kept(parts),
    )
    remarks = times_outside_the_window(parts) + copies_under_one_roof(parts)
    view = _service_view(parts, refused)
    folder = os.path.abspath(config)
    if as_json:
        rows, noted = _rows(mistakes), _rows(remarks)
        known = {"jobs": sorted(parts.jobs), "far": sorted(parts.far)}
        print_json({"mistakes": rows, "remarks": noted, **known, "service": view.as_json()})
    else:
        for mistake in mistakes:
            say(typed(mistake.line(), folder))
        for remark in remarks:
            say(f"mind: {remark.line()}")
        counts = f"{count_text(len(parts.jobs), 'job')}, {count_text(len(parts.far), 'far box', 'far boxes')}"
        wrong = f"{count_text(len(mistakes), 'mistake')} in {parts.where}; {counts}"
        say(wrong if mistakes else f"settings: no mistakes: {counts}")
        if view.line:
            say(view.line)
    raise typer.Exit(EXIT_WRONG_USE if mistakes else EXIT_WELL)


def _rows(mistakes: Iterable[Mistake]) -> list[dict[str, str]]:
    return [{"file": one.file, "key": one.key, "wrong": one.wrong, "right": one.right} for one in mistakes]


def _become_owner(parts: ReadableSettings) -> OtherroofError | None:
    """If root asks, look as the account that the service is: what root can read and run, it may not. Answers why that
    cannot be."""
    from otherroof.system.state_owner import work_as_owner_of

    try:
        work_as_owner_of(parts.state)
    except OtherroofError as problem:
        return problem
    return None


def _mistake_of(parts: ReadableSettings, refused: OtherroofError | None) -> list[Mistake]:
    from otherroof.settings import Mistake
    from otherroof.settings.reader import MAIN_FILE

    if refused is None:
        return []
    main = os.path.join(parts.where, MAIN_FILE)
    return [Mistake(main, "home.state", f"{refused.where} {refused.what}", refused.advice)]


def _service_view(parts: ReadableSettings, refused: OtherroofError | None) -> ServiceView:
    """How a running service stands to these files; unknown if its state folder is none to look into."""
    from otherroof.schedule.goes_by import service_view, unknown_view, view_of_mistakes
    from otherroof.settings import read_settings

    if refused is not None:
        return unknown_view(refused)
    settings, mistakes = read_settings(parts.where)
    try:
        if settings is not None:
            return service_view(settings, SystemClock(), mistakes=bool(mistakes))
        return view_of_mistakes(parts.state)
    except HomeTrouble as problem:  # the settings can be checked all the same
        return unknown_view(problem)
