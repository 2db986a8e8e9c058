"""A disk that was carried stands at the far box: finds it over the tunnel, reads of it back, and lets it count.

    A1  open the far box, and find the copy in the job's place, or where the disk is mounted
    A2  prove every listing
    A3  take over what home knows of the disk, so that the next run goes on from there
    A4  read a random sample of the files back, as a proof does
    A5  note in the ledger that the runs onto this disk are in the other house

A1 to A3 hold the job's lock. Where the disk is elsewhere than the job's place, it is renamed there if the far system
does that, and else said what to do.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace

from otherroof.base.errors import Damaged, Denied, FarTrouble, LinkLost, OtherroofError, PlaceError
from otherroof.base.printable import escaped
from otherroof.base.text.words import list_text
from otherroof.copying.report import GOOD
from otherroof.far import requests
from otherroof.far.place import Meter, run_script
from otherroof.far_copy.listing import Header
from otherroof.jobs.carried.disk import read_note
from otherroof.jobs.carried.hand_over import owner_lines
from otherroof.jobs.carried.known import take_over
from otherroof.jobs.context import JobContext
from otherroof.jobs.far_place import open_place
from otherroof.jobs.open_job import LANDING, OpenedJob, open_job
from otherroof.jobs.proof_memory import LedgerMemory
from otherroof.jobs.prove import ProofResult, ProveOptions, prove
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import FarDamage, ProofProgress
from otherroof.settings import FarBox, Settings
from otherroof.settings.copies.names import stem_of

MOST_NAMES = 1000


@dataclass(slots=True)
class LandedDisk:
    """What was found: the newest version's listing, how many listings were proved, why those are damaged that the
    sample does not name, and what came of the sample. `goes_on`: what home knew of the disk was taken over; `notes` are
    for a person to look at."""

    header: Header
    listings: int = 0
    damaged: dict[str, str] = field(default_factory=dict)
    goes_on: bool = False
    proof: ProofResult | None = None
    landed: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def found_damage(self) -> bool:
        """Whether anything was damaged."""
        return bool(self.damaged) or (self.proof is not None and self.proof.found_damage)


def land(settings: Settings, name: str, place: str, context: JobContext[ProofProgress]) -> LandedDisk:
    """Find the carried copy of job `name` at the far box, in the job's place or below `place`, and let it count.

    Raises FarTrouble if it is not there, not whole or another home's, Damaged if its newest listing is, and what
    `open_job` and `prove` raise.
    """
    with Ledger(settings.ledger) as ledger:
        own = replace(context, ledger=ledger)
        far = settings.jobs[name].far
        there = _with_base(settings, far, place) if place else settings
        with _in_words(settings, far, name, place), open_job(there, name, own, LANDING) as job:
            # A1
            _require_copy(job, place)
            _require_carried(job, runs_on_their_way(settings, name, ledger))
            # A2
            found = _prove_listings(job, own)
            if place:
                _bring_into_place(settings, job, place)
            # A3
            if not set(job.view.runs) & set(job.counted):
                ledger.proved.forget_all(name)
            found.goes_on = take_over(job, run_script(job.keeper.place, read_note()))
            runs = list(job.view.runs)
            found.notes += [*job.notes, *_hidden(job)]
        # A4
        found.proof = prove(settings, name, own, ProveOptions(heal=False))
        named = {damage.run for damage in found.proof.report.damaged if not damage.path}
        found.damaged = {run: why for run, why in found.damaged.items() if run not in named}
        # A5
        found.landed = ledger.runs.land(name, runs, context.clock.now())
    return found


def runs_on_their_way(settings: Settings, name: str, ledger: Ledger) -> list[str]:
    """The whole runs of job `name` onto disks that were not found at its far box yet, the newest first."""
    far = settings.jobs[name].far
    rows = ledger.runs.rows(job=name, carried=True)
    return [row.report.run for row in rows if row.far == far and not row.at_far_box and row.report.outcome in GOOD]


def _with_base(settings: Settings, far: str, base: str) -> Settings:
    """The settings, but for where copies are at this far box."""
    box: FarBox = settings.far[far].model_copy(update={"base": base.rstrip("/") or "/"})
    return settings.model_copy(update={"far": {**settings.far, far: box}})


@contextmanager
def _in_words(settings: Settings, far: str, name: str, place: str) -> Iterator[None]:
    """The commonest mistake: the disk's files belong to nobody there."""
    try:
        yield
    except Denied as refusal:
        account = settings.far[far].account
        raise FarTrouble(
            f"account {account} may not use what lies there",
            where=f"the far copy of {name}",
            advice=f"as root at {far}: {' && '.join(owner_lines(settings, far, [name], place))}",
        ) from refusal


# -- A1 --


def _require_copy(job: OpenedJob, place: str) -> None:
    """Raises FarTrouble if no whole copy is there. Of one that was cut home takes over what it knows all the same."""
    view, base = job.view, job.far.base
    if view.runs:
        if view.cut and view.cut[-1] > view.newest:
            job.notes.append("the last run onto this disk stopped early: what counts is the version before")
        return
    if view.cut:
        take_over(job, run_script(job.keeper.place, read_note()))
        raise FarTrouble(
            f"the run onto this disk stopped early ({view.cut[-1]}), so it holds no whole copy yet",
            where=f"the far copy of {job.name}",
            advice=f"`otherroof run {job.name}` sends the rest over the line; or fetch the disk, and "
            f"`otherroof run {job.name} --onto DIR` goes on",
        )
    others = [one for one in run_script(job.keeper.place, _folders()) if one != stem_of(job.name)]
    has = f"; it has {list_text(others)}" if others else ""
    mounted = "is the disk mounted there? if it is mounted elsewhere, name that with --place"
    # The same call once more, after it was cut or has done its work, finds the copy gone from there.
    brought = f"name the folder that {stem_of(job.name)} lies in; if it was brought from there already: "
    advice = f"{brought}`otherroof landed {job.name}`" if place else mounted
    raise FarTrouble(f"there is no copy of it in {base}{has}", where=job.name, advice=advice)


def _require_carried(job: OpenedJob, carried: list[str]) -> None:
    """Raises FarTrouble if disks are on their way, and what stands there is of none of them: it went over the line."""
    if carried and not set(carried) & set(job.view.runs):
        raise FarTrouble(
            f"what stands in {job.far.base} is another copy than that on the disk, which has run {carried[0]}",
            where=job.name,
            advice="is the disk mounted there? if it is mounted elsewhere, name that with --place",
        )


def _hidden(job: OpenedJob) -> list[str]:
    """That a newer copy went over the line while the disk was on its way."""
    if not job.lost:
        return []
    return [
        f"run {job.lost}, which counted, is not on this disk; if the disk is mounted over the folder that it went to,"
        " it is hidden beneath, and the next run copies onto the disk what changed since"
    ]


def _folders() -> requests.Script[list[str]]:
    """The names of some folders in a place."""
    found: list[str] = []
    try:
        handle = yield requests.OpenFolder(b".")
    except PlaceError:
        return found
    while len(found) < MOST_NAMES and (some := (yield requests.ReadFolder(handle))) is not None:
        found += [
            escaped(bytes(name).decode("utf-8", "backslashreplace"))
            for name, attrs in some
            if (attrs.mode & 0o170000) == 0o040000 and not name.startswith(b".")
        ]
    yield requests.CloseFile(handle)
    return sorted(found)


# -- A2 --


def _prove_listings(job: OpenedJob, context: JobContext[ProofProgress]) -> LandedDisk:
    newest = job.view.newest
    try:
        found = LandedDisk(job.keeper.prove_listing(newest), 1)
    except Damaged as problem:
        raise Damaged(
            f"the newest listing on this disk is damaged ({problem.what})",
            where=f"{job.name}/{newest}",
            advice=f"fetch the disk, and `otherroof run {job.name} --onto DIR` into an empty folder on another one",
        ) from problem
    memory = LedgerMemory(job.ledger, job.name, context.clock)
    for run in job.view.runs[:-1]:
        context.tick()
        try:
            job.keeper.prove_listing(run)
            found.listings += 1
        except Damaged as problem:
            found.damaged[run] = problem.what
            memory.damaged(FarDamage(b"", run, problem.what, job.keeper.listing_name(run)))
    memory.flush()
    return found


# -- from elsewhere into the job's place --


def _bring_into_place(settings: Settings, job: OpenedJob, place: str) -> None:
    """Let the job's folder below `place` have the job's own place. Raises FarTrouble, saying what to do instead."""
    base, name = settings.far[job.job.far].base, stem_of(job.name)
    target, source = f"{base.rstrip('/')}/{name}", f"{place.rstrip('/')}/{name}"
    if source == target:
        return
    root = settings.far[job.job.far].model_copy(update={"base": "/"})
    try:
        with closing(open_place(settings, root, Meter())) as whole:
            run_script(whole, _rename(source.lstrip("/").encode(), target.lstrip("/").encode()))
    except LinkLost:
        raise
    except OtherroofError as problem:
        raise FarTrouble(
            f"the copy stands in {place}, and cannot be given its place {target} from here ({problem.what})",
            where=name,
            advice=f'mount the disk at {base} there, or write base = "{place}" into [far.{job.job.far}]; then'
            f" `otherroof landed {job.name}`",
        ) from problem


def _rename(source: bytes, target: bytes) -> requests.Script[None]:
    yield requests.Rename(source, target)
