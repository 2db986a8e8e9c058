"""`otherroof versions`: what can be restored of a job."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.errors import EXIT_DAMAGED, EXIT_WELL, WrongUse
from otherroof.base.local_time import table_time_text
from otherroof.base.units import size_text
from otherroof.cli.common import (
    OWN_VERSIONS,
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    NewestOption,
    console,
    job_of,
    jobs_of,
    ledger_of,
    one_job_of,
    print_json,
    say,
    settings_for_rescue,
    settings_in,
)
from otherroof.cli.show_found import FromOption, as_listed, disk_at_hand, tell_problem, version_as_json
from otherroof.cli.show_states import show_states

if TYPE_CHECKING:
    from otherroof.restore.versions import Version
    from otherroof.settings import Settings


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job whose versions are listed.")],
    path: Annotated[str, typer.Argument(metavar="PATH", help="Every state of this file that can still be had.")] = "",
    disk: FromOption = "",
    newest: NewestOption = "",
    pin: Annotated[
        str,
        typer.Option("--pin", metavar="RUN", help="Keep this version for good, whatever the rule says; needs --why."),
    ] = "",
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why it is pinned: you will ask yourself.")] = "",
    unpin: Annotated[
        str, typer.Option("--unpin", metavar="RUN", help="Pin it no longer: from then on it goes as the rule says.")
    ] = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """List the versions that the far box holds, or those of one file.

    Newest first. With PATH, each state of that file: from which version to which, its size and digest, and what brings
    it back. Or pin a version, or pin it no longer.
    """
    from otherroof.jobs.copies.nearest import from_nearest
    from otherroof.jobs.restore import list_versions

    if disk and (pin or unpin):
        raise WrongUse("a version is pinned at the far box, not on a disk", where=job)
    if pin or unpin:
        if path:
            raise WrongUse("a version is pinned, not a PATH of it", where=job)
        _pin(config, job, pin, unpin, why)
        return
    settings = settings_for_rescue(config)
    wanted = as_listed(path, job_of(settings, job).folder)
    at_hand = disk_at_hand(disk, job, settings)

    def show(name: str) -> int:
        if wanted:
            show_states(settings, name, wanted, newest, at_hand, as_json=as_json)
        return _show_versions(settings, name, list_versions(settings, name, newest, at_hand), as_json=as_json)

    raise typer.Exit(from_nearest(settings, job, show, tell_problem))


def _show_versions(settings: Settings, job: str, found: list[Version], *, as_json: bool) -> int:
    """Print them; gives the exit code."""
    from otherroof.jobs.restore import NOT_HELD
    from otherroof.settings.copies.names import other_copies_of

    pins = pinned_here(settings, job)
    if as_json:
        held = [version for version in found if version.flaw not in NOT_HELD]
        rows = [
            version_as_json(version) | ({"pinned": pins[version.run]} if version.run in pins else {})
            for version in held
        ]
        print_json({"job": job, "versions": rows})
    elif not found:
        say(f"{job}: the far copy holds no version yet")
    else:
        from rich.table import Table

        table = Table("run", "taken", "files", "size", "", box=None, pad_edge=False)
        for version in found:
            taken = table_time_text(version.taken, settings.zone)
            figures = ("–", "–") if version.flaw else (f"{version.files:,}", size_text(version.size))
            table.add_row(version.run, taken, *figures, version.flaw or _pinned_text(pins.get(version.run)))
        console().print(table)
        others = other_copies_of(job, settings.jobs)
        of_one = f"these are of {job}; {' and '.join(others)} has its own; " if others else ""
        say(f"{of_one}times in {settings.home.zone}; the run's own name has its time in UTC")
    return EXIT_DAMAGED if any(version.flaw for version in found) else EXIT_WELL


def pinned_here(settings: Settings, job: str) -> dict[str, str]:
    """The pinned versions of a job and why, as far as this machine knows; a new one may have no history."""
    if not os.path.exists(settings.ledger):
        return {}
    with ledger_of(settings) as ledger:
        return ledger.pins.of(job)


def _copy_with(settings: Settings, job: str, run: str) -> str:
    """The copy that has this run, which may be the beginning of an id. Raises WrongUse if that cannot be told."""
    names = jobs_of(settings, job)
    if len(names) > 1:
        with ledger_of(settings) as ledger:
            having = [name for name in names if ledger.runs.rows(job=name, begins=run, newest=1, carried=True)]
        if len(having) == 1:
            return having[0]
    return one_job_of(settings, job, OWN_VERSIONS)


def _pinned_text(why: str | None) -> str:
    return "" if why is None else f"pinned: {why}"


def _pin(config: str, job: str, pin: str, unpin: str, why: str) -> None:
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.thinning.thin import ThinProgress
    from otherroof.jobs.thinning.thin import pin as pin_version

    if pin and unpin:
        raise WrongUse("--pin and --unpin cannot go together", where=job)
    if pin and not why.strip():
        raise WrongUse("a pin needs --why TEXT", where=job, advice="in a year nobody knows any more why it is kept")
    settings = settings_in(config)
    job = _copy_with(settings, job, pin or unpin)
    run = pin_version(settings, job, pin or unpin, why.strip() if pin else "", JobContext(ThinProgress()))
    if pin:
        say(f"{job}: {run} stays for good, whatever the rule says: {why.strip()}")
    else:
        say(f"{job}: {run} is no longer kept for good; it goes when the rule says")
