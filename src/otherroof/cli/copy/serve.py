"""`otherroof serve`: the service itself, in the foreground, until it is told to stop."""

from __future__ import annotations

import logging
import os
import signal
from types import FrameType
from typing import TYPE_CHECKING

import typer

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_INTERRUPTED, EXIT_WELL, HomeTrouble
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption
from otherroof.cli.show_progress import line_a_quarter_hour

if TYPE_CHECKING:
    from otherroof.schedule.service_loop import Service
    from otherroof.settings import Mistake, Settings
    from otherroof.settings.files import SettingsFiles

log = logging.getLogger(__name__)


def verb(config: ConfigOption = SETTINGS_FOLDER) -> None:
    """Be the service: run every job at its times, until stopped.

    Probes the far boxes, raises alerts and sends the digest too. Changed settings are taken up within a minute, if they
    have no mistake; SIGHUP takes them up at once.
    """
    from otherroof.jobs.locks import service_lock
    from otherroof.schedule.chores import at_end, service_chores
    from otherroof.schedule.job_runner import job_runner
    from otherroof.schedule.last_resort import open_ledger_patiently
    from otherroof.schedule.records import ServiceRecords
    from otherroof.schedule.service_loop import Service
    from otherroof.settings import require_settings
    from otherroof.settings.files import SettingsFiles
    from otherroof.settings.last_good import settings_in_force
    from otherroof.system.logs import set_up_logs
    from otherroof.system.notification import Notifier

    notifier = Notifier.take(os.environ, os.getpid())
    folder, clock = os.path.abspath(config), SystemClock()
    files = SettingsFiles(folder, clock)  # before they are read: what changes meanwhile is read once more
    # systemd.exec(5): where the state folder lies, also while the settings cannot be read.
    states = [path for path in os.environ.get("STATE_DIRECTORY", "").split(":") if path]
    _become_owner(folder, states)
    settings, mistakes = settings_in_force(folder, states)
    if settings is None:
        settings = require_settings(folder)  # says what is wrong
    set_up_logs(os.environ, settings.zone)
    for mistake in mistakes:
        log.warning("%s", mistake.line())
    caught = list[int]()
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # until _listen: SIGHUP would end the process
    with service_lock(settings, clock), open_ledger_patiently(settings, clock, notifier) as ledger:
        if not mistakes:
            _keep(settings)
        records = ServiceRecords(settings, ledger, clock, service_chores(clock))
        lines = tuple(mistake.line() for mistake in mistakes)
        source = _KeptFiles(files, folder, settings.state)
        service = Service(
            records, job_runner(clock, line_a_quarter_hour), at_end(clock), clock, notifier, source, lines
        )
        _listen(service, caught)
        left = service.run()
    if left:
        # A thread cannot be ended from outside, and the interpreter would wait for it at its end; so leave at once,
        # past all of that. The next start takes the work up again.
        log.warning("did not end in time and is left as it is; the next start goes on from there: %s", ", ".join(left))
        logging.shutdown()
        os._exit(EXIT_WELL)
    raise typer.Exit(EXIT_INTERRUPTED if signal.SIGINT in caught else EXIT_WELL)


def _become_owner(folder: str, states: list[str]) -> None:
    """If root started this: before the state folder is looked into, which may hold settings that were last whole."""
    if os.geteuid() != 0:
        return
    from otherroof.settings import read_parts
    from otherroof.system.state_owner import work_as_owner_of

    parts = read_parts(folder)
    work_as_owner_of(states[0] if states and parts.home is None else parts.state, userspace_tunnel=True)


class _KeptFiles:
    """The settings files of the service, as the loop asks for them; what is whole is kept for the next start."""

    def __init__(self, files: SettingsFiles, folder: str, state: str) -> None:
        self._files = files
        self._folder = folder
        self._state = state

    def due_in_s(self) -> float | None:
        return self._files.due_in_s()

    def read(self) -> tuple[Settings | None, list[Mistake]]:
        from otherroof.settings import read_settings

        self._files.note_read()
        settings, mistakes = read_settings(self._folder)
        if settings is not None and not mistakes and settings.state == self._state:
            _keep(settings)
        return settings, mistakes


def _keep(settings: Settings) -> None:
    from otherroof.settings.last_good import keep_settings

    try:
        keep_settings(settings)
    except HomeTrouble as problem:
        log.warning("a restart would not know these settings if the files had a mistake then: %s", problem)


def _listen(service: Service, caught: list[int]) -> None:
    def stop(number: int, _frame: FrameType | None) -> None:
        caught.append(number)
        service.stop(f"{signal.Signals(number).name} was received")

    def reload(_number: int, _frame: FrameType | None) -> None:
        service.reload()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGHUP, reload)
