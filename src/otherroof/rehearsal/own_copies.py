"""Otherroof's own runs and restores as a rehearsal's keeper: the same calls that the verbs `run` and `restore` make."""

from __future__ import annotations

import os
import shutil

from otherroof.base.clock import Clock
from otherroof.copying.progress import Progress
from otherroof.copying.report import RunReport
from otherroof.jobs.context import JobContext
from otherroof.jobs.restore import RestoreRequest, restore
from otherroof.jobs.run import run_job
from otherroof.ledger import Ledger
from otherroof.rehearsal.play import RestoredCounts
from otherroof.rehearsal.stage import JOB
from otherroof.restore.progress import RestoreProgress
from otherroof.settings import require_settings


class OwnCopyTool:
    """Keeps the household's copies by the settings in one folder."""

    def __init__(self, settings_folder: str, clock: Clock) -> None:
        self._folder = settings_folder
        self._clock = clock

    def run(self) -> RunReport:
        """One run of the household's job; raises only if it could not even be written down."""
        settings = require_settings(self._folder)
        with Ledger(settings.ledger) as ledger:
            return run_job(settings, JOB, JobContext(Progress(), ledger, self._clock)).report

    def restore(self, run: str, into: str, *, new_machine: bool) -> RestoredCounts:
        """Bring a version back; as on a new machine from a copy of the settings and keys, without any state."""
        folder = self._without_state(into + ".settings") if new_machine else self._folder
        context = JobContext(RestoreProgress())
        request = RestoreRequest(JOB, os.fsencode(into), run)
        found = restore(require_settings(folder), request, context)
        complaints = tuple(problem.text for problem in (*found.damaged, *found.problems))
        meter = context.progress.meter
        return RestoredCounts(found.files, found.size, meter.wire_up + meter.wire_down, complaints)

    def _without_state(self, folder: str) -> str:
        state = os.path.basename(require_settings(self._folder).state)
        shutil.copytree(self._folder, folder, ignore=shutil.ignore_patterns(state))
        return folder
