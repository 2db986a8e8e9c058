"""Checks the catalogue against the far copy before a run relies on it, and repairs or rebuilds it.

    C1  notes of a run that was cut: find out what became of it, fold that in
    C2  a catalogue that is missing, or not of the far copy's newest run: rebuild it from the listing
    C3  traces of a cut run of which there are no notes: look at what really stands there
    C4  files that a proof or a restore found damaged: look at what really stands there, so that nothing is made of it

A file that is damaged counts as absent: it is set aside, said, and made anew. Decides by run ids and the home's id;
what stands at the far end is asked of the keeper.
"""

from __future__ import annotations

import os
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain

from otherroof.base.errors import HomeTrouble
from otherroof.base.sqlite_file import DamagedDatabase, set_aside
from otherroof.copying.compare.catalogue import AsideContent, Block, Catalogue, replace_catalogue, write_catalogue
from otherroof.copying.compare.change import digest_in
from otherroof.copying.compare.fold import Item, fold, make_block
from otherroof.copying.compare.half_sent import SafePart
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.context import RunContext
from otherroof.copying.home.scan import starts_new_batch
from otherroof.copying.send.settling import settle_unfinished
from otherroof.far_copy.entry import parse_line
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.numbers import CODES, MODE, SIZE, Numbers, clamp_ns, join_path
from otherroof.far_copy.state import CopyState
from otherroof.far_copy.view import FarCopyView

MOST_LOOKED_AT = 500  # files known to be damaged that are read back at the beginning of a run


@dataclass(frozen=True, slots=True)
class KnownDamage:
    """What is known to be damaged at the far end, not healed: paths of the newest copy, and runs by their listings."""

    paths: tuple[bytes, ...] = ()
    listings: frozenset[str] = frozenset()


@dataclass(slots=True)
class CheckedCatalogue:
    """A catalogue that can be relied on, and what was found out on the way.

    `unsure`: a cut run may have left files at the far end that no notes mention. `parts`: half-sent files that can
    be completed. `lost`: the far copy no longer holds a run that the catalogue knew.
    """

    catalogue: Catalogue
    unsure: bool = False
    parts: list[tuple[bytes, Numbers, SafePart]] = field(default_factory=list)
    lost: bool = False
    remarks: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class JobStateFiles:
    """Where a job's own files lie in the state folder."""

    state: str
    job: str

    @property
    def catalogue(self) -> str:
        return os.path.join(self.state, "catalogues", self.job + ".db")

    @property
    def notes(self) -> str:
        return os.path.join(self.state, "notes", self.job + ".db")

    @property
    def chunks(self) -> str:
        return os.path.join(self.state, "chunks", self.job + ".db")


@contextmanager
def damage_set_aside(job: str) -> Iterator[None]:
    """While inside, a file of `job` that turns out to be damaged is set aside. Raises HomeTrouble, saying so."""
    try:
        yield
    except DamagedDatabase as problem:
        # It was sound when it was opened, or its damage does not show by reading: the next run makes it anew.
        raise HomeTrouble(
            f"{set_aside_and_say(problem)}; the next run makes it anew",
            where=job,
            advice="look at this machine's disk if this comes again",
        ) from problem


def check_catalogue(
    files: JobStateFiles,
    keeper: Keeper,
    view: FarCopyView,
    context: RunContext,
    remarks: list[str] | None = None,
    damage: KnownDamage | None = None,
) -> CheckedCatalogue:
    """The catalogue, checked against the far copy as `view` shows it and repaired if need be.

    `remarks` are those of an earlier try that the connection cut off, and are added to. Raises RunCut if the run is
    asked to stop meanwhile.
    """
    remarks = [] if remarks is None else remarks
    catalogue = _sound_catalogue(files, remarks)
    checked = CheckedCatalogue(catalogue or _empty(files, None), remarks=remarks)
    try:
        if catalogue is not None and catalogue.facts.home_id not in ("", keeper.home_id):
            checked.remarks.append("the catalogue was another home's; it was made anew")
            checked.catalogue = _empty(files, catalogue)
        if RunPlan.exists(files.notes):
            _take_notes(files, keeper, view, checked, context)
        _match_newest(files, keeper, view, checked)
        _look_at_traces(files, keeper, view, checked, context)
        _look_at_damage(files, keeper, checked, damage or KnownDamage(), context)
    except BaseException:
        checked.catalogue.close()  # if the connection broke, all this is done again
        raise
    return checked


def _sound_catalogue(files: JobStateFiles, remarks: list[str]) -> Catalogue | None:
    if not os.path.exists(files.catalogue):
        return None
    try:
        catalogue = Catalogue(files.catalogue)
        try:
            catalogue.prove()
        except BaseException:
            catalogue.close()
            raise
    except DamagedDatabase as problem:
        remarks.append(f"{set_aside_and_say(problem)}; what the far copy holds was read from its newest listing")
        return None
    return catalogue


def set_aside_and_say(problem: DamagedDatabase) -> str:
    """Set the damaged file aside, and tell of it in a line. Raises HomeTrouble if it cannot be moved."""
    return f"{problem.where} {problem.what}; it was set aside as {os.path.basename(set_aside(problem.where))}"


def _empty(files: JobStateFiles, old: Catalogue | None) -> Catalogue:
    return _replaced(files, old, (), CopyState("", ""))


def _replaced(
    files: JobStateFiles,
    old: Catalogue | None,
    blocks: Iterable[Block],
    facts: CopyState,
    asides: Iterable[AsideContent] = (),
) -> Catalogue:
    aside = write_catalogue(files.catalogue, blocks, facts, asides)
    if old is not None:
        old.close()
    replace_catalogue(aside, files.catalogue)
    return Catalogue(files.catalogue)


# -- C1 --


def _take_notes(
    files: JobStateFiles, keeper: Keeper, view: FarCopyView, checked: CheckedCatalogue, context: RunContext
) -> None:
    try:
        plan = RunPlan.of_earlier_run(files.notes)
    except DamagedDatabase as problem:
        checked.remarks.append(
            f"{set_aside_and_say(problem)}; what the run that stopped early did is asked of the far box"
        )
        return
    try:
        _fold_notes(plan, files, keeper, view, checked, context)
    except BaseException:
        plan.close()
        raise
    if checked.parts:
        plan.keep_half_sent_only()  # on disk, until this run has notes of its own: it may be killed before
    else:
        plan.discard()


def _fold_notes(
    plan: RunPlan,
    files: JobStateFiles,
    keeper: Keeper,
    view: FarCopyView,
    checked: CheckedCatalogue,
    context: RunContext,
) -> None:
    """Let the catalogue follow what the noted run did, if these notes belong to it."""
    facts = checked.catalogue.facts
    run, base = plan.fact("run"), plan.fact("base")
    committed = run in view.runs
    if base == facts.run and facts.run != run and (committed or base == view.newest):
        if not committed:
            settle_unfinished(plan, keeper.writer(run), context)
        checked.parts = plan.half_sent.all()
        blocks = fold(checked.catalogue.blocks(), plan.outcome(context.clock.now()))
        after = CopyState(run if committed else facts.run, keeper.home_id, facts.mounted, settled=run, lost=facts.lost)
        after.whole_run = plan.fact("whole_run") if committed else ""
        asides = () if committed else chain(checked.catalogue.asides(), plan.moved_aside_by(run))
        checked.catalogue = _replaced(files, checked.catalogue, blocks, after, asides)


# -- C2 --


def _match_newest(files: JobStateFiles, keeper: Keeper, view: FarCopyView, checked: CheckedCatalogue) -> None:
    facts = checked.catalogue.facts
    lost = max(facts.run, facts.lost)
    if lost <= view.newest:
        lost = ""
    if facts.run != view.newest or facts.lost != lost:
        lines = keeper.lines(view.newest) if view.newest else iter(())
        # The loss stays noted until a run counts again; else repeating a held run would let it pass the guard.
        after = CopyState(view.newest, keeper.home_id, facts.mounted, lost=lost)
        checked.catalogue = _replaced(files, checked.catalogue, blocks_from_listing(lines), after)
    if lost:
        checked.lost = True
        checked.remarks.append(f"the far copy no longer holds the listing of run {lost} (UTC)")


def blocks_from_listing(lines: Iterator[bytes]) -> Iterator[Block]:
    """Blocks out of a listing's lines. Inode and ctime are not known: every file will be looked at again."""
    folder = b""
    items: list[Item] = []
    for line in lines:
        entry = parse_line(line)
        above, _, name = entry.path.rpartition(b"/")
        if items and (above != folder or starts_new_batch(name)):
            yield make_block(folder, items)
            items = []
        folder = above
        size = len(entry.target) if entry.kind == "link" else entry.size  # as `lstat` tells it
        numbers = (0, size, clamp_ns(entry.mtime_ns), 0, entry.mode | CODES[entry.kind] << 12)
        items.append((name, numbers, line))
    if items:
        yield make_block(folder, items)


# -- C3 --


def _look_at_traces(
    files: JobStateFiles, keeper: Keeper, view: FarCopyView, checked: CheckedCatalogue, context: RunContext
) -> None:
    facts = checked.catalogue.facts
    unsettled = [run for run in view.cut if run > max(facts.run, facts.settled)]
    if not unsettled:
        return
    checked.unsure = True
    checked.remarks += [
        f"run {mark.run}, which never ended, was another machine's; if that still copies to the same place, stop it"
        for mark in keeper.marks()
        if mark.server not in ("", keeper.server)
    ]
    first_moved: dict[bytes, str] = {}  # the first of these runs moved aside what the catalogue knows
    for run in unsettled:
        for path in keeper.moved_aside(run):
            first_moved.setdefault(path, run)
    held = _held_now(keeper, first_moved, context)
    if held:
        catalogue = checked.catalogue
        after = CopyState(facts.run, keeper.home_id, facts.mounted, settled=facts.settled, lost=facts.lost)
        asides = chain(catalogue.asides(), aside_content_of(catalogue.blocks(), first_moved))
        checked.catalogue = _replaced(files, catalogue, corrected_blocks(catalogue.blocks(), held), after, asides)


# -- C4 --


def _look_at_damage(
    files: JobStateFiles, keeper: Keeper, checked: CheckedCatalogue, damage: KnownDamage, context: RunContext
) -> None:
    catalogue = checked.catalogue
    facts = catalogue.facts
    if damage.paths:
        # On a dying disk there may be very many; of those beyond the first nothing is believed.
        looked = damage.paths[:MOST_LOOKED_AT]
        held = _held_now(keeper, looked, context) | dict.fromkeys(damage.paths[MOST_LOOKED_AT:])
        after = CopyState(facts.run, keeper.home_id, facts.mounted, settled=facts.settled, lost=facts.lost)
        asides = [one for one in catalogue.asides() if one.path not in held]
        checked.catalogue = _replaced(files, catalogue, corrected_blocks(catalogue.blocks(), held), after, asides)
    elif facts.whole_run in damage.listings:
        facts.whole_run = ""  # the next listing has all lines by itself, instead of naming that one


def _held_now(keeper: Keeper, paths: Iterable[bytes], context: RunContext) -> dict[bytes, bytes | None]:
    held: dict[bytes, bytes | None] = {}
    for path in paths:  # each is read whole, one after the other: that may last
        context.check_stop()
        context.tick()
        held[path] = keeper.held_now(path)
    return held


def aside_content_of(blocks: Iterable[Block], moved: dict[bytes, str]) -> Iterator[AsideContent]:
    """Content that cut runs without notes moved aside; `moved` maps each path to the first run that moved it."""
    for block, items in blocks_with_paths(blocks, sorted(moved)):
        for name, numbers, line in items or ():
            path = join_path(block.folder, name)
            digest = digest_in(line)
            if path in moved and digest is not None and numbers[SIZE] > 0:
                yield AsideContent(digest, path, numbers[SIZE], moved[path])


def blocks_with_paths(blocks: Iterable[Block], paths: list[bytes]) -> Iterator[tuple[Block, list[Item] | None]]:
    """Every block, with its items if it may hold one of the sorted `paths`."""
    for block in blocks:
        nearest = bisect_left(paths, block.first)
        aloof = nearest == len(paths) or paths[nearest] > block.last
        yield block, None if aloof else block.items()


def corrected_blocks(blocks: Iterable[Block], held: dict[bytes, bytes | None]) -> Iterator[Block]:
    """The blocks with every path in `held` as it really stands: gone, or with the digest that was found there."""
    for block, items in blocks_with_paths(blocks, sorted(held)):
        if items is None:
            yield block
            continue
        true = [item for old in items if (item := _correct(block.folder, old, held)) is not None]
        if true:
            yield make_block(block.folder, true)


def _correct(folder: bytes, item: Item, held: dict[bytes, bytes | None]) -> Item | None:
    path = join_path(folder, item[0])
    if path not in held:
        return item
    digest = held[path]
    if digest is None:
        return None
    entry = parse_line(item[2])
    if entry.kind != "file":
        return None
    entry.digest = digest
    return item[0], (0, entry.size, 0, 0, item[1][MODE]), entry.line().encode()
