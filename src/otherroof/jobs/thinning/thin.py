"""Thinning of one job's far copy: what would go, what is written down to go, what has waited long enough and goes now.

    V1  open the job; look at its versions, notes, clocks, and whatever speaks against it
    V2  ask the rule, and bring home's record of changes up to date: that tells what goes with them
    V3  a person's recall takes every note back, and also the word that a damaged version may go
    V4  step two of before: what was noted long enough ago goes, stretch by stretch; its notes go last
    V5  step one: what the rule lets go is noted at the far end, after V4 because that makes room for it there

Nothing here decides which versions go. A run's locks are held, so no run goes on meanwhile; restores may.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

from otherroof.base.clock import Clock
from otherroof.base.errors import Damaged, OtherroofError, WrongUse
from otherroof.base.machine import machine_mark
from otherroof.base.units import count_text
from otherroof.copying.other_server import FRESH_S
from otherroof.far.clock_offset import ClockOffset
from otherroof.far.place import Meter, run_script, run_scripts
from otherroof.far.trial_file import clock_by_second_name, write_trial_file
from otherroof.far_copy.listing import Header, time_taken
from otherroof.far_copy.remover import VersionNote
from otherroof.far_copy.run_ids import time_of_run
from otherroof.jobs.context import JobContext
from otherroof.jobs.open_job import Access, OpenedJob, open_job
from otherroof.jobs.stop_sign import raise_if_asked
from otherroof.jobs.thinning.standing_runs import runs_that_should_stand
from otherroof.ledger import Ledger
from otherroof.ledger.keeping import RuleInForce, Thinned
from otherroof.restore.thinning.changes import Loss, VersionChanges
from otherroof.restore.thinning.objections import ThinState, objection
from otherroof.restore.thinning.removal import Removal, RemovalCount
from otherroof.restore.thinning.rule import GoingVersion, KeepingRule, going_versions
from otherroof.restore.thinning.stretches import going_stretches, lending_lines
from otherroof.restore.thinning.two_steps import ThinStep, TwoClocks, next_step
from otherroof.restore.versions import Version
from otherroof.settings import Settings
from otherroof.settings.copies.names import stem_of
from otherroof.settings.versions import Versions, spacing_lines

SHOW = Access(locks_job=True)
REMOVE = Access(locks_job=True, takes_turn=True)
AHEAD = timedelta(minutes=5)  # of a run's beginning before this machine's clock; cannot be rounding

Deed = Literal["show", "apply", "recall"]


@dataclass(slots=True)
class ThinProgress:
    """Numbers that a display reads while versions go."""

    meter: Meter = field(default_factory=Meter)
    count: RemovalCount = field(default_factory=RemovalCount)


@dataclass(slots=True)
class ThinReport:
    """What thinning found and did.

    `going`: what the rule lets go now. `lent`: of these, runs that stay because later listings name their lines.
    `goes_at`: from when on each of those that are noted can go. `loss`: what goes with all of `going`. `objection`: why
    nothing was written down or removed, if it should have been. `noted`, `removed`, `taken_back` are runs of now.
    """

    job: str
    versions: int = 0
    going: tuple[GoingVersion, ...] = ()
    lent: tuple[str, ...] = ()
    goes_at: dict[str, datetime] = field(default_factory=dict)
    loss: Loss = field(default_factory=Loss)
    objection: str = ""
    noted: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    taken_back: tuple[str, ...] = ()
    freed: Loss = field(default_factory=Loss)


def thin(settings: Settings, name: str, deed: Deed, context: JobContext[ThinProgress], let_go: str = "") -> ThinReport:
    """Show what would go, take the two steps as far as they are due (`apply`), or take all notes back (`recall`).

    `let_go` names a damaged version (the run that left it, or the beginning of its id) that a person lets go, whatever
    the rule says; `apply` remembers that. Raises WrongUse if it is not one, Busy while a run goes on, what `open_job`
    raises, and PlaceError if the far box refuses; what went until then has gone, and the rest is done the next time.
    """
    with open_job(settings, name, context, SHOW if deed == "show" else REMOVE) as job:
        named = _damaged_version(job, let_go) if let_go else ""
        if named and deed == "apply":
            job.ledger.let_go.note(name, named, context.clock.now())
        found = _Found(job, context.clock, named)  # V1
        report = ThinReport(name, len(found.versions) + len(found.let_go), found.going, found.lent)
        if deed == "recall":
            _recall(job, found, report, context.clock.now())  # V3
            return report
        step = found.step()
        with closing(VersionChanges(settings.version_record(name))) as changes:
            report.loss = _loss(job, found, changes, context)  # V2
            report.objection = found.objection()
            if deed == "apply" and not report.objection:
                _take_back(job, found, step, report)
                _remove(job, found, step, changes, report, context)  # V4
                _write_down(job, found, step, report)  # V5
        wait = timedelta(days=job.job.versions.thin_wait_days)
        report.goes_at = {note.run: note.at + wait for note in found.notes() if note.kind == "goes"}
        return report


def _lines(job: OpenedJob, run: str, context: JobContext[ThinProgress]) -> Iterator[bytes]:
    """A listing's lines. Asked for the sign first: for the first thinning every listing is fetched. Raises RunCut."""
    raise_if_asked(context.stop)
    yield from job.keeper.lines(run)


def _loss(job: OpenedJob, found: _Found, changes: VersionChanges, context: JobContext[ThinProgress]) -> Loss:
    """What goes with the versions that are to go; of a damaged one nothing is said, since nothing is sure of it."""
    if found.flawed:
        return Loss()

    def lines(run: str) -> Iterator[bytes]:
        try:
            yield from _lines(job, run, context)
        except Damaged:
            found.flawed = run
            raise

    try:
        changes.follow(set(job.view.runs) - found.let_go, found.same_as, lines)
    except Damaged:
        if not found.flawed:
            raise
        return Loss()  # and it speaks against all
    return changes.loss({going.version.run for going in found.going} - found.let_go, shared=found.shared)


class _Found:
    """What stands at the far end, and what the rule says of it. Looked at once, but for the notes."""

    def __init__(self, job: OpenedJob, clock: Clock, named: str) -> None:
        self._job = job
        self._let_go = job.ledger.let_go.of(job.name) | ({named} if named else set())  # of any time
        self.now = clock.now().replace(microsecond=0)
        self.remover = job.keeper.remover()
        self.shared = job.keeper.place.offers.link
        self.flawed = ""
        self.same_as: dict[str, str] = {}
        pins = job.ledger.pins.of(job.name).keys()
        self.let_go = (self._let_go & set(job.view.runs)) - {job.view.newest} - pins
        self.versions = self._versions()
        offers = job.keeper.place.offers
        trial, notes = run_scripts(job.keeper.place, [write_trial_file(clock, offers.space), self.remover.notes()])
        self.offset = trial.offset or self._offset_without_room(clock)
        self._notes: list[VersionNote] = notes
        # Home remembers pins as well: a note that the far disk has lost must not let one go that a person wanted kept.
        pinned = frozenset({note.run for note in notes if note.kind == "pinned"} | pins)
        self._rule = KeepingRule(job.job.versions.lines, job.job.versions.at_least, pinned)
        by_hand = [GoingVersion(Version(run, time_of_run(run)), damaged=True) for run in self.let_go - pinned]
        by_rule = going_versions(self.versions, self._rule, self.now, job.settings.zone)
        going = sorted((*by_rule, *by_hand), key=lambda one: one.version.run)
        self.lent = tuple(sorted(lending_lines({one.version.run for one in going}, self.same_as)))
        self.going = tuple(one for one in going if one.version.run not in self.lent)

    def _versions(self) -> list[Version]:
        found = []
        asked = [run for run in self._job.view.runs if run not in self.let_go]
        for run, header in self._job.keeper.headers(asked).items():
            try:
                if not isinstance(header, Header):
                    raise header
                found.append(Version(run, time_taken(header), header.files, header.size))
            except OtherroofError:
                self.flawed = self.flawed or run
                continue
            if header.same_as:
                self.same_as[run] = header.same_as
        return found

    def notes(self) -> list[VersionNote]:
        """The notes as they are now."""
        return run_script(self._job.keeper.place, self.remover.notes())

    def step(self) -> ThinStep:
        """What is to be done now by the notes that were found."""
        goes = [note for note in self._notes if note.kind == "goes"]
        far = self.now.timestamp() + (self.offset.ahead_s if self.offset is not None else 0.0)
        wait = timedelta(days=self._job.job.versions.thin_wait_days)
        going = {one.version.run for one in self.going}
        return next_step(going, set(self._job.view.runs), goes, TwoClocks(self.now, far), wait)

    def _offset_without_room(self, clock: Clock) -> ClockOffset | None:
        """The far clock if no file can be made there: it is then that versions have to go."""
        job = self._job
        if not job.view.newest or not job.keeper.place.offers.link:
            return None
        listing = stem_of(job.name).encode() + b"/" + job.keeper.listing_name(job.view.newest)
        return run_script(job.keeper.place, clock_by_second_name(clock, listing))

    def _hidden(self) -> str:
        """A run that counted and was not thinned, whose listing is not shown, though the rule wants its version still.

        What it alone held would go with its neighbours: nobody can tell any more which of theirs it needs.
        """
        runs = self._job.view.runs
        missing = runs_that_should_stand(self._job, self._notes) - set(runs)
        unseen = [Version(run, self._job.counted[run]) for run in missing if runs and runs[0] < run < runs[-1]]
        going = going_versions([*self.versions, *unseen], self._rule, self.now, self._job.settings.zone)
        return max({one.run for one in unseen} - {one.version.run for one in going}, default="")

    @property
    def to_recall(self) -> list[VersionNote]:
        """The notes of versions that still stand."""
        return [note for note in self._notes if note.kind == "goes" and note.run in self._job.view.runs]

    def objection(self) -> str:
        """Why nothing may go now."""
        job, ledger = self._job, self._job.ledger
        hold, look = ledger.holds.of(job.name), ledger.looks.last()
        far = self.now.timestamp() + (self.offset.ahead_s if self.offset is not None else 0.0)
        others = [
            mark.run
            for mark in job.keeper.marks()
            if mark.server not in ("", machine_mark()) and far - mark.at < FRESH_S
        ]
        return objection(
            job.name,
            ThinState(
                self.now,
                damaged=len([mark for mark in ledger.damages.of(job.name) if mark.run not in self._let_go]),
                held=hold is not None and hold.released is None,
                flawed=self.flawed,
                lost=job.lost or self._hidden(),
                offset=self.offset,
                jumped_at=look.jumped_at if look is not None else None,
                ahead=len(ledger.runs.rows(since=self.now + AHEAD)),
                other=others[0] if others else "",
            ),
        )


def _damaged_version(job: OpenedJob, run: str) -> str:
    """The whole id of a damaged version that may be let go. Raises WrongUse."""
    name = job.name
    advice = f"`otherroof prove {name} --heal` names what is damaged and cannot be mended"
    found = _version_named(job, run, advice)
    if found == job.view.newest:
        advice = "run the job again: what the newest copy lacks is sent once more if this home has it"
        raise WrongUse(f"{found} is the newest version, which never goes", where=name, advice=advice)
    if found in job.ledger.pins.of(name):
        advice = f"`otherroof versions {name} --unpin {found}` first"
        raise WrongUse(f"{found} is pinned", where=name, advice=advice)
    header = job.keeper.headers([found])[found]
    if isinstance(header, Header) and not any(mark.run == found for mark in job.ledger.damages.of(name)):
        raise WrongUse(f"nothing of version {found} (UTC) is known to be damaged", where=name, advice=advice)
    return found


def _version_named(job: OpenedJob, run: str, advice: str) -> str:
    """The whole id of the one version that `run`, which may be the beginning of an id, names. Raises WrongUse."""
    fits = [known for known in job.view.runs if known.startswith(run)]
    if len(fits) != 1 or not run:
        raise WrongUse(f"{run!r} names {'several versions' if fits else 'no version'}", where=job.name, advice=advice)
    return fits[0]


def _recall(job: OpenedJob, found: _Found, report: ThinReport, now: datetime) -> None:
    for note in found.to_recall:
        run_script(job.keeper.place, found.remover.take_back(note))
    report.taken_back = tuple(note.run for note in found.to_recall)
    job.ledger.let_go.take_back(job.name)
    known = job.ledger.rules.of(job.name)
    # The service would note the same again with its next pass; a person's `--apply` lets it go on.
    job.ledger.rules.note(job.name, RuleInForce(known.rule if known is not None else "", recalled=now))


def _take_back(job: OpenedJob, found: _Found, step: ThinStep, report: ThinReport) -> None:
    run_scripts(job.keeper.place, [found.remover.take_back(note) for note in step.take_back])
    report.taken_back = tuple(note.run for note in step.take_back)


def _write_down(job: OpenedJob, found: _Found, step: ThinStep, report: ThinReport) -> None:
    run_scripts(job.keeper.place, [found.remover.note("goes", run, found.now) for run in step.write_down])
    report.noted = step.write_down
    note_rule(job.ledger, job.name, job.job.versions, found.versions, (found.now, job.settings))


def note_rule(
    ledger: Ledger, job: str, rule: Versions, versions: list[Version], when: tuple[datetime, Settings]
) -> None:
    """Remember by which rule a job is thinned; if it keeps less than the one before, so that an alert tells of it."""
    now, settings = when
    known, text = ledger.rules.of(job), rule.model_dump_json()
    if known is not None and known.rule == text and known.recalled is None:
        return
    before = _read_rule(known.rule) if known is not None else Versions()
    shortened = _fewer(before, rule, versions, (now, settings))
    until = now + timedelta(days=rule.thin_wait_days)
    stands = RuleInForce(text, shortened, now, until) if shortened else RuleInForce(text)
    ledger.rules.note(job, stands)


def _read_rule(text: str) -> Versions:
    try:
        return Versions.model_validate_json(text) if text else Versions()
    except ValueError:
        return Versions()  # of another version of this program: then everything counts as kept before


def _fewer(before: Versions, after: Versions, versions: list[Version], when: tuple[datetime, Settings]) -> str:
    """In how far `after` keeps less than `before`; empty if it does not."""
    now, settings = when

    def goes(rule: Versions) -> set[str]:
        wanted = KeepingRule(spacing_lines(rule.spacing), rule.at_least)
        return {one.version.run for one in going_versions(versions, wanted, now, settings.zone)}

    more = len(goes(after) - goes(before))
    what = "nothing went before" if not before.spacing else "the lines or at_least were changed"
    return f"{more:,} of {count_text(len(versions), 'version')} would go that stayed until now ({what})" if more else ""


def _remove(
    job: OpenedJob,
    found: _Found,
    step: ThinStep,
    changes: VersionChanges,
    report: ThinReport,
    context: JobContext[ThinProgress],
) -> None:
    ripe = {note.run for note in step.ripe}
    standing = ripe & set(job.view.runs)
    if ripe:
        report.freed = changes.loss(standing - found.let_go, shared=found.shared)
        notes = os.path.join(job.scratch, f"{job.name}.thinning.sqlite")
        removal = Removal(job.keeper, notes, context.progress.count, context.stop.asked, context.tick)
        for stretch in going_stretches(job.view, ripe):
            removal.take_out(stretch)
    # Also those of which a removal that was killed had taken the listing already, so that it could not note them.
    told = {run for row in job.ledger.thinned.rows(job.name) for run in row.runs}
    report.removed = tuple(sorted(ripe - told))
    if standing:
        stay = set(job.view.runs) - standing - found.let_go
        changes.follow(stay, found.same_as, lambda run: _lines(job, run, context))
    if report.removed:
        job.ledger.thinned.note(Thinned(found.now, job.name, report.removed, report.freed.size))
    # Last of all: of a run whose listing is gone, a note or the ledger must tell that it was thinned, or it is missed.
    run_scripts(job.keeper.place, [found.remover.take_back(note) for note in step.ripe])


def pin(settings: Settings, name: str, run: str, why: str, context: JobContext[ThinProgress]) -> str:
    """Keep the version that `run` left for good, or, without `why`, no longer. `run` may be the beginning of an id.

    Answers the whole id. Raises WrongUse if there is no such version.
    """
    with open_job(settings, name, context, REMOVE) as job:
        found = _version_named(job, run, f"`otherroof versions {name}` lists what there is")
        remover, place, now = job.keeper.remover(), job.keeper.place, context.clock.now().replace(microsecond=0)
        notes = [note for note in run_script(place, remover.notes()) if note.run == found]
        if why:
            if not any(note.kind == "pinned" for note in notes):
                run_script(place, remover.note("pinned", found, now))
            job.ledger.pins.note(name, found, why, now)
        # What was to go is wanted now; what is no longer wanted for good goes by the rule, after its wait.
        kind = "goes" if why else "pinned"
        if why:
            job.ledger.let_go.take_back(name, found)
        run_scripts(place, [remover.take_back(note) for note in notes if note.kind == kind])
        if not why:
            job.ledger.pins.drop(name, found)
        return found
