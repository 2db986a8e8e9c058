"""`otherroof check`: every mistake in the settings at once."""

from __future__ import annotations

import typer

from otherroof.base.errors import EXIT_WELL, EXIT_WRONG_USE
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, print_json
from otherroof.watch.words import count_text


def verb(config: ConfigOption = SETTINGS_FOLDER, as_json: JsonOption = False) -> None:
    """Name every mistake in the settings.

    Each with its file and key, what is wrong, and what would be right.
    """
    from otherroof.jobs.own_files import jobs_that_copy_secrets
    from otherroof.settings import check_machine, read_parts
    from otherroof.settings.promises import promises_that_cannot_be_kept

    parts = read_parts(config)
    mistakes = (
        parts.mistakes + check_machine(parts) + jobs_that_copy_secrets(parts) + promises_that_cannot_be_kept(parts)
    )
    if as_json:
        rows = [
            {"file": mistake.file, "key": mistake.key, "wrong": mistake.wrong, "right": mistake.right}
            for mistake in mistakes
        ]
        print_json({"mistakes": rows, "jobs": sorted(parts.jobs), "far": sorted(parts.far)})
    else:
        for mistake in mistakes:
            typer.echo(mistake.line())
        counts = f"{count_text(len(parts.jobs), 'job')}, {count_text(len(parts.far), 'far box', 'far boxes')}"
        wrong = f"{count_text(len(mistakes), 'mistake')} in {parts.where}; {counts}"
        typer.echo(wrong if mistakes else f"all well: {counts}")
    raise typer.Exit(EXIT_WRONG_USE if mistakes else EXIT_WELL)
