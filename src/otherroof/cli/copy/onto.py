"""`otherroof run --onto`: copies onto a disk that will be carried to the far box, and what to do with it then."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from otherroof.cli.common import as_typed
from otherroof.cli.show_progress import show_progress

if TYPE_CHECKING:
    from otherroof.jobs.carried.onto import OntoDisk
    from otherroof.jobs.run import RunResult
    from otherroof.jobs.stop_sign import StopSign
    from otherroof.ledger import Ledger
    from otherroof.settings import Settings

Say = Callable[[str], None]


def disk_for(settings: Settings, names: list[str], folder: str, say: Say) -> OntoDisk:
    """The disk, found fit for these jobs. Says what whoever writes onto it must know. Raises why it is not fit."""
    from otherroof.jobs.carried.disk import disk_to_write
    from otherroof.jobs.carried.hand_over import CAUTION
    from otherroof.jobs.carried.onto import OntoDisk

    disk = disk_to_write(settings, names, folder)
    say(f"writes into {disk.folder}, a folder for each job, and removes nothing there")
    say(CAUTION)
    return OntoDisk(settings, disk)


def look_at_all(
    settings: Settings, names: list[str], onto: OntoDisk, ledger: Ledger, stop: StopSign, *, quiet: bool
) -> None:
    """Look what each of several jobs would bring, before the first of them writes. Raises what stands against it."""
    from otherroof.copying.progress import Progress
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.run import RunOptions, run_job
    from otherroof.jobs.under_way.announce import run_reading

    for name in names:
        progress = Progress()
        with show_progress(lambda progress=progress: run_reading(progress), name, quiet=quiet) as tick:  # type: ignore[misc]
            context = JobContext(progress, ledger, stop=stop, tick=tick)
            result = run_job(settings, name, context, RunOptions(dry=True, onto=onto))
        if result.error is not None:
            raise result.error


def tell_next(settings: Settings, ran: list[RunResult], onto: OntoDisk, say: Say) -> None:
    """What a person does now with the disk."""
    from otherroof.jobs.carried.hand_over import next_steps

    whole = [result.report.job for result in ran if result.error is None]
    if not whole:
        return
    if len(whole) < len(ran):
        say("not every job is whole on this disk yet: the same command goes on")
    far = settings.jobs[whole[0]].far
    disk = onto.disk
    say("next:")
    for line in next_steps(settings, far, whole, disk.folder, keeps_owners=not disk.disk.is_windows):
        say(as_typed(f"  {line}"))
