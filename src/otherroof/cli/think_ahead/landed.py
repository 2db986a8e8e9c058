"""`otherroof landed`: a disk that was carried stands at the far box, and its copy is found and counts from now on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from otherroof.base.clock import SystemClock, stamp
from otherroof.base.errors import EXIT_DAMAGED, EXIT_LOOK, EXIT_WELL, WrongUse
from otherroof.base.local_time import moment_text
from otherroof.base.units import count_text, size_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    as_typed,
    ledger_of,
    one_job_of,
    say,
    settings_in_use,
)
from otherroof.cli.show_found import tell_list, tell_progress
from otherroof.cli.show_progress import proof_progress, show_progress

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from otherroof.jobs.carried.landed import LandedDisk
    from otherroof.settings import Settings


def verb(
    jobs: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="JOB", help="The jobs whose copies the disk carried; without one all that are on their way."
        ),
    ] = None,
    place: Annotated[
        str,
        typer.Option(
            "--place", metavar="DIR", help="The folder at the far box where the disk is mounted, if not base."
        ),
    ] = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Find the carried disk at the far box, and let its copy count.

    Over the tunnel: every listing is proved, a random sample of the files is read back, as much as prove_mb of the job
    allows. From then on status and digest go by this copy, and the next run goes on from it. Several jobs are looked
    at one after the other, and what stands against one keeps none of the others from counting.
    """
    from otherroof.cli.several import for_each
    from otherroof.jobs.carried.disk import one_far_box

    if place and not place.startswith("/"):
        raise WrongUse(
            f"{place!r} does not begin with /", where="--place", advice="name it as the far box's account sees it"
        )
    settings, _ = settings_in_use(config)
    named = [one_job_of(settings, job, "a disk is carried to one far box") for job in jobs or []]
    names = list(dict.fromkeys(named)) or _on_their_way(settings)
    if place:
        one_far_box(settings, names)

    def land_one(job: str) -> tuple[int, dict[str, Any]]:
        return _land(settings, job, place, as_json=as_json)

    # Of one that was named JSON has the object itself, however many are on their way.
    raise typer.Exit(for_each(names, land_one, "jobs", alone=len(named) == len(names) == 1, as_json=as_json))


def _on_their_way(settings: Settings) -> list[str]:
    """The jobs with a copy on a disk that was not found at the far box yet. Raises WrongUse if there is none."""
    from otherroof.jobs.carried.landed import runs_on_their_way

    with ledger_of(settings) as ledger:
        names = [name for name in sorted(settings.jobs) if runs_on_their_way(settings, name, ledger)]
    if not names:
        raise WrongUse(
            "no copy is on its way on a disk, as far as this machine knows",
            advice="`otherroof run JOB --onto DIR` writes one; if another machine wrote it, name the jobs",
        )
    return names


def _land(settings: Settings, job: str, place: str, *, as_json: bool) -> tuple[int, dict[str, Any]]:
    from otherroof.jobs.carried.landed import land
    from otherroof.jobs.context import JobContext
    from otherroof.restore.proving.report import ProofProgress

    progress = ProofProgress()
    with show_progress(lambda: proof_progress(progress), job, quiet=as_json) as tick:
        context = JobContext(progress, clock=SystemClock(), tick=tick, told=tell_progress, patient=True)
        found = land(settings, job, place, context)
    notes = [*found.notes, *(note.why for note in (found.proof.notes if found.proof is not None else ()))]
    if not as_json:
        _tell(job, found, notes, settings.zone)
    code = EXIT_DAMAGED if found.found_damage else EXIT_LOOK if notes else EXIT_WELL
    return code, _as_json(job, found, notes)


def _as_json(job: str, found: LandedDisk, notes: list[str]) -> dict[str, Any]:
    from otherroof.far_copy.listing import time_taken
    from otherroof.far_copy.run_ids import listing_text

    header, proof = found.header, found.proof
    return {
        "job": job,
        "run": header.run,
        "taken": stamp(time_taken(header)),
        "files": header.files,
        "bytes": header.size,
        "listings": found.listings,
        "landed": found.landed,
        "goes_on": found.goes_on,
        "read_back": {"files": proof.report.files, "bytes": proof.report.size} if proof is not None else None,
        "damaged": [
            *map(listing_text, found.damaged),
            *(one.shown for one in (proof.report.damaged if proof is not None else ())),
        ],
        "notes": notes,
    }


def _tell(job: str, found: LandedDisk, notes: list[str], zone: ZoneInfo) -> None:
    from otherroof.far_copy.listing import time_taken
    from otherroof.far_copy.run_ids import listing_text

    header, proof = found.header, found.proof
    say(
        f"{job}: the disk has landed: {count_text(header.files, 'file')} ({size_text(header.size)}) as of "
        f"{moment_text(time_taken(header), zone)} (run {header.run}), {count_text(found.listings, 'listing')} proved"
    )
    if proof is not None:
        report = proof.report
        say(f"  {count_text(report.files, 'file')} ({size_text(report.size)}) read back over the line")
        if report.sample_said:
            say(f"  of these, drawn at random: {report.sample_said}")
        tell_list("damaged", [f"{damage.shown}: {damage.why}" for damage in report.damaged])
    tell_list("damaged", [f"{listing_text(run)}: {why}" for run, why in found.damaged.items()])
    tell_list("note", notes)
    if found.found_damage:
        say(as_typed(f"  `otherroof prove {job} --heal` sends again what is damaged"), err=True)
    say(as_typed(f"  it counts from now on, and the next run goes on from there: otherroof run {job}"))
