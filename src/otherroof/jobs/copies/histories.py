"""Keeps a copy's history when its job is called otherwise from now on: `photos` becomes `photos@heron` as soon as a
second far box stands in its file, and `photos` again when that has gone.

Only the names of what home knows change, never anything at the far end, where the folder is called the same either
way. It must not know how a copy is made.
"""

from __future__ import annotations

import os
from collections.abc import Collection
from contextlib import ExitStack, suppress

from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble
from otherroof.jobs.locks import try_job_lock
from otherroof.ledger import Ledger
from otherroof.settings import Settings
from otherroof.settings.copies.names import former_name


def keep_histories(settings: Settings, ledger: Ledger, clock: Clock, busy: Collection[str] = ()) -> None:
    """Let each job have what is known of its copy under its other name. A job that is being run under either of them
    is left for the next time, and so is one whose other name is `busy`. Raises HomeTrouble."""
    for name, job in settings.jobs.items():
        if former_name(name, job.far) not in busy and _is_called_otherwise(settings, name, ledger):
            with ExitStack() as stack:
                if try_job_lock(settings, name, clock, stack):
                    keep_history(settings, name, ledger, clock)


def keep_history(settings: Settings, name: str, ledger: Ledger, clock: Clock) -> None:
    """The same for one job, whose lock the caller holds. Raises HomeTrouble."""
    if not _is_called_otherwise(settings, name, ledger):
        return
    # Late: every run passes through here, and hardly one has to go on; the rules bring all that is forecast with them.
    from otherroof.watch.rules import OF_JOBS

    far = settings.jobs[name].far
    old = former_name(name, far)
    with ExitStack() as stack:
        # A run under the other name writes its end under that: its history comes along the next time.
        if not try_job_lock(settings, old, clock, stack):
            return
        if ledger.renamed.last_far(old) == far:
            # First the files, which are no more than caches: killed in between, the history still says that they are
            # to be looked for, and one that was left behind is made anew.
            _rename_files(settings, old, name)
        ledger.renamed.rename(old, name, far, OF_JOBS)


def _is_called_otherwise(settings: Settings, name: str, ledger: Ledger) -> bool:
    """Whether the history has runs of this copy under its other name."""
    far = settings.jobs[name].far
    old = former_name(name, far)
    return old not in settings.jobs and ledger.renamed.went_to(old, far)


def _rename_files(settings: Settings, old: str, new: str) -> None:
    """Every file of the job's state that is called by its name. None of the old name is left: what has one of the new
    name beside it is no more than an older cache of the same."""
    # Late: every look passes through this module, and hardly ever through this function.
    from otherroof.copying.compare.catalogue_repair import JobStateFiles
    from otherroof.jobs.carried.disk import disk_states

    paths = [settings.version_record(old)]
    for state in (settings.state, *disk_states(settings.state)):
        files = JobStateFiles(state, old)
        paths += [files.catalogue, files.notes, files.chunks]
    for path in paths:
        with suppress(FileNotFoundError):
            _rename_with_besides(path, old, new)


def _rename_with_besides(path: str, old: str, new: str) -> None:
    """Let the file at `path`, and what a database has beside it, begin with `new`, or go if there is one already."""
    folder, file = os.path.split(path)
    # No job's name has a dot in it. In order: the database comes first, so that what it has beside it never stands by
    # the new name without it.
    names = [name for name in sorted(os.listdir(folder)) if name.startswith(f"{old}.")]
    # Killed in between, the database has its new name and the rest still follows it.
    superseded = file in names and os.path.exists(os.path.join(folder, new + file.removeprefix(old)))
    for name in reversed(names) if superseded else names:
        here, wanted = os.path.join(folder, name), os.path.join(folder, new + name.removeprefix(old))
        try:
            if superseded or os.path.exists(wanted):
                os.unlink(here)
            else:
                os.rename(here, wanted)
        except OSError as problem:
            raise HomeTrouble(f"cannot be called {wanted}: {problem.strerror}", where=here) from problem
