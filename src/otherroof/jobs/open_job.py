"""Opens a job's far copy, with everything that goes with it, for all work alike: runs, restores and mere looks.

    O1  take the job's lock and then the far box's, if the work must be alone there
    O2  open the history, and begin the record of this work in it, if it has one
    O3  refuse to send this home's own secrets; run the command that the job wants before it
    O4  read the listing key; a run makes it if this home has none yet
    O5  bring up the tunnel and climb the network rungs
    O6  log in, pinned key proved, find the layout's keeper, and look at the far copy; a run asks for this by itself,
        and again each time the connection broke
    O7  and at the end, in reverse: hang up, take the tunnel down, close the record, give the locks back

With a disk in place of the far box (`JobContext.disk`) O5 falls away, and O6 opens its folder.
What differs from one kind of work to another is its `Access`. Nothing here decides what is copied or restored.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import partial

from otherroof.base.errors import LinkLost, OtherroofError, Unreached
from otherroof.base.locks import Patience
from otherroof.base.machine import machine_mark
from otherroof.base.time_limit import TookTooLong, within_time
from otherroof.copying.report import GOOD
from otherroof.far.place import Place
from otherroof.far.trial_file import TrialResult, write_trial_file
from otherroof.far_copy.keeper import ExtraScript, HomeIdentity, Keeper, remove_scratch_of
from otherroof.far_copy.listing_key import ListingKey, read_key, read_or_make_key
from otherroof.far_copy.view import FarCopyView
from otherroof.jobs.commands import run_command_before
from otherroof.jobs.context import JobContext, Metered
from otherroof.jobs.copies.histories import keep_history
from otherroof.jobs.far_place import job_limit, open_place
from otherroof.jobs.layouts import keeper_of
from otherroof.jobs.locks import far_lock, job_lock
from otherroof.jobs.own_files import refuse_to_send_secrets
from otherroof.jobs.stop_sign import raise_if_asked
from otherroof.ledger import Ledger
from otherroof.probe.refused import note_refused_login
from otherroof.probe.ssh_checks import clock_finding
from otherroof.probe.way import Way, open_way
from otherroof.settings import FarBox, Job, Settings
from otherroof.settings.copies.names import stem_of

LOST = "the far box does not hold it any more"
NOT_ON_DISK = "it is not on this disk"
# For logging in as a whole, in waits for one answer. Its steps, some ten, have time-outs of their own and say better
# what was silent; this one is for a step that hangs all the same.
LOG_IN_ANSWERS = 20


@dataclass(frozen=True, slots=True)
class Access:
    """What a kind of work needs of the far copy, and what it does to it. The kinds there are: WRITE, LOOK, READ,
    PROVE, HEAL.

    locks_job      no other run of this job goes on meanwhile; the listing key and the state folder are home's own
    takes_turn     no other run to the same far box goes on meanwhile
    prepares       the command before is run, and a trial file shows the far disk's space and the far clock
    connects_late  the work connects by itself, as often as the connection breaks
    paced          the job's limit holds for it
    paces_reads    limit and courtesy hold for what it reads too
    """

    locks_job: bool = False
    takes_turn: bool = False
    prepares: bool = False
    connects_late: bool = False
    paced: bool = False
    paces_reads: bool = False


WRITE = Access(locks_job=True, takes_turn=True, prepares=True, connects_late=True, paced=True)  # a run
# A dry run: it sends nothing, so it waits for nobody else's run.
LOOK = Access(locks_job=True, connects_late=True, paced=True)
# A restore must never wait for a run of hours, nor a nightly run for a restore of days, and a restore on a new machine
# has no state folder to hold a lock in: so it takes none, and looks again if a run moved something meanwhile.
READ = Access()
# A proof of everything may last for days too; only to put whole files in the place of damaged ones must it be alone.
PROVE = Access(paced=True, paces_reads=True)
HEAL = Access(locks_job=True, takes_turn=True, paced=True, paces_reads=True)
# A run onto a disk that is carried: the far box is left alone.
ONTO = Access(locks_job=True, prepares=True, connects_late=True)
# To take over what home knows of a disk that has landed.
LANDING = Access(locks_job=True, takes_turn=True, paced=True, paces_reads=True)


class OpenedJob:
    """A job whose far copy can be worked with. `keeper` and `view` are there after `look`.

    `counted`: the runs that count by home's own history, and when each had ended. `lost`: the newest of them, if the
    far box does not show it, whatever else it shows; else empty.
    `notes` are for a person to look at: what was noticed on the way there and back.
    """

    key: ListingKey
    keeper: Keeper
    view: FarCopyView

    def __init__(
        self, settings: Settings, name: str, context: JobContext[Metered], access: Access, ledger: Ledger, scratch: str
    ) -> None:
        self.settings = settings
        self.name = name
        self.job: Job = settings.jobs[name]
        self.far: FarBox = settings.far[self.job.far]
        self.ledger = ledger
        self.scratch = scratch
        self.lost = ""
        self.counted: dict[str, datetime] = {}
        self.notes: list[str] = []
        self._context = context
        self._access = access
        self._keepers: list[Keeper] = []

    def connect(self) -> Keeper:
        """O6. Log in, and hand over the far copy's keeper on this new connection; the job hangs up in the end.

        Raises Unreached and what else `open_place` raises.
        """
        disk = self._context.disk
        place = disk.open(self._context.progress.meter) if disk is not None else self._log_in()
        alongside = None
        if self._access.prepares and disk is None and not self._keepers:
            alongside = ExtraScript(write_trial_file(self._context.clock, place.offers.space), self._note_trial)
        home = HomeIdentity(self.settings.home.name, self.key, self.scratch, machine_mark())
        only_reading = not self._access.locks_job
        keeper = keeper_of(self.settings, self.name, place, home, alongside, only_reading=only_reading)
        self._keepers.append(keeper)
        if disk is None:
            self.ledger.answers.note(self.job.far, self._context.clock.now())
        return keeper

    def _log_in(self) -> Place:
        limit = job_limit(self.settings, self.name, self._context.clock) if self._access.paced else None
        begun, meter = self._context.clock.now(), self._context.progress.meter

        def log_in() -> Place:
            return open_place(self.settings, self.far, meter, limit, paces_reads=self._access.paces_reads)

        limit_s, check = LOG_IN_ANSWERS * self.far.answer_s, partial(raise_if_asked, self._context.stop)
        try:
            # A silent far box is waited for by the minute, and whoever stops the work must be heard meanwhile. A login
            # that comes about after that is hung up: nobody else would.
            return within_time(limit_s, log_in, check, late=lambda place: place.close())
        except TookTooLong as problem:
            raise LinkLost(f"did not let this home in within {limit_s:g} s", where=self.far.address) from problem
        except Unreached as problem:
            note_refused_login(self.ledger, self.job.far, begun, problem)
            raise

    def look(self) -> None:
        """O6. Connect, and look at the far copy. Raises also FarTrouble if it is another home's."""
        self.counted = {  # asked first: a run may end meanwhile
            row.report.run: row.ended
            for row in self.ledger.runs.rows(job=self.name, carried=True)
            if row.far == self.job.far and row.at_far_box and row.report.outcome in GOOD and row.ended is not None
        }
        self.keeper = self.connect()
        self.keeper.place.widen()
        self.view = self.keeper.view()
        self._note_lost()

    def expect(self, run: str, at: datetime) -> None:
        """A person knows that this run counted, whatever home's own history says; it ended about then."""
        self.counted.setdefault(run, at)
        self._note_lost()

    def _note_lost(self) -> None:
        newest = max(self.counted, default="")  # by the id, which keeps the order also if a clock was wrong
        self.lost = newest if newest not in self.view.runs else ""

    @property
    def lost_why(self) -> str:
        """What is said of `lost`."""
        return LOST if self._context.disk is None else NOT_ON_DISK

    def hang_up(self) -> None:
        """O7. Close every connection that was made."""
        for keeper in self._keepers:
            keeper.place.close()

    def _note_trial(self, trial: TrialResult) -> None:
        """Note the far disk's free space in the ledger, and that the far clock is wrong: it misdates versions."""
        if trial.space is not None:
            self.ledger.spaces.note(self.job.far, self._context.clock.now(), trial.space.free, trial.space.total)
        if trial.offset is not None and not trial.offset.agrees:
            seen = clock_finding(trial.offset)
            self.notes.append(f"{seen.text}; {seen.advice}")


Record = Callable[[OpenedJob], AbstractContextManager[object]]


@contextmanager
def open_job(
    settings: Settings,
    name: str,
    context: JobContext[Metered],
    access: Access,
    record: Record | None = None,
    under_way: AbstractContextManager[object] | None = None,
) -> Iterator[OpenedJob]:
    """Job `name`, opened for `access` while inside.

    `under_way` is entered as soon as the job's own lock is held, before a turn at the far box is waited for, and left
    just before that lock is given back. `record` is entered as soon as all locks are held, and left just before they
    are given back: whatever fails in between fails inside it.

    Raises Busy if another run holds a lock, RunCut if the work is stopped while it waits for one, HomeTrouble,
    WrongSettings, Unreached or TunnelTrouble, FarTrouble if the far copy is another home's.
    """
    # Left in the reverse order: the record is closed before the locks are given back, so whoever gets a lock next finds
    # the work before it written down.
    with ExitStack() as stack:
        # O1: always in this order, so that no two wait for each other
        if access.locks_job:
            stack.enter_context(job_lock(settings, name, context.clock))
        if under_way is not None:
            stack.enter_context(under_way)
        if access.takes_turn:
            wait = _wait_for_turn(settings.far[settings.jobs[name].far], context)
            stack.enter_context(far_lock(settings, name, context.clock, wait))
        # O2
        scratch = stack.enter_context(_scratch_folder(settings, name, access))
        ledger = context.ledger or stack.enter_context(_history(settings, scratch, access))
        if access.locks_job:
            keep_history(settings, name, ledger, context.clock)
        opened = OpenedJob(settings, name, context, access, ledger, scratch)
        if record is not None:
            stack.enter_context(record(opened))
        # O3
        if access.locks_job:
            refuse_to_send_secrets(settings, name)
        if access.prepares:
            run_command_before(opened.job, context.clock, context.stop)
        # O4
        opened.key = _listing_key(settings, context, access)
        # O5
        with _way(settings, opened.job.far, ledger, context) as way:
            try:
                # O6
                if not access.connects_late:
                    opened.look()
                yield opened
            finally:
                # Before the tunnel may go down: a connection that loses its tunnel is not closed but silent.
                # O7
                opened.hang_up()
        if way is not None and way.trouble:
            opened.notes.append(f"the tunnel could not be taken down: {way.trouble}")


@contextmanager
def _way(settings: Settings, far: str, ledger: Ledger, context: JobContext[Metered]) -> Iterator[Way | None]:
    """The way to the far box; none if a disk stands in for it."""
    if context.disk is not None:
        yield None
        return
    with open_way(
        settings,
        far,
        ledger,
        context.clock,
        network_access=context.network_access,
        linger=context.linger,
        check=partial(raise_if_asked, context.stop),
    ) as way:
        yield way


def _wait_for_turn(far: FarBox, context: JobContext[Metered]) -> Patience:
    return Patience(far.queue_s if context.patient else 0.0, context.told, partial(raise_if_asked, context.stop))


@contextmanager
def _scratch_folder(settings: Settings, name: str, access: Access) -> Iterator[str]:
    """The folder for listings that are on their way."""
    if access.locks_job:
        # One of its own: another copy of the same folder may be written at the same time, to another far box.
        folder = os.path.join(settings.state, "scratch", settings.jobs[name].far)
        remove_scratch_of(stem_of(name), folder)  # nobody else works on this job: the lock is held
        yield folder
        return
    with tempfile.TemporaryDirectory(prefix="otherroof-") as folder:
        yield folder


@contextmanager
def _history(settings: Settings, scratch: str, access: Access) -> Iterator[Ledger]:
    """The ledger; for a reader whose machine's state folder cannot be written, one that is forgotten afterwards."""
    try:
        ledger = Ledger(settings.ledger)
    except OtherroofError:
        # A run without history is worth nothing to its household; somebody who needs files back can do without one.
        if access.locks_job:
            raise
        ledger = Ledger(os.path.join(scratch, "ledger.db"))
    with ledger:
        yield ledger


def _listing_key(settings: Settings, context: JobContext[Metered], access: Access) -> ListingKey:
    path = settings.path(settings.home.listing_key)
    if not access.locks_job:
        return read_key(path)
    key, made = read_or_make_key(path)
    if made:
        context.told(f"made {path}: keep a copy of the settings folder and its keys away from this machine")
    return key
