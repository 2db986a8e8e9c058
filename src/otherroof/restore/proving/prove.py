"""Proves a far copy: every listing, the newest copy, and what older versions keep, by reading them back.

    P1  the newest version's listing is read and proved
    P2  older versions are opened: all of them, or those whose turn it is
    P3  of the files that these hold by themselves, all or the chosen ones are read back
    P4  if all was read: what lies there that no version needs, and listings that should be there

What an older version holds by itself is what the runs up to the next version moved aside; all else it shares with that
one. Knows neither settings nor ledger; what is remembered from one proof to the next is asked of a `ProofMemory`.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field

from otherroof.base.errors import Damaged
from otherroof.base.units import count_text
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.view import FarCopyView
from otherroof.restore.proving import parts
from otherroof.restore.proving.choice import Choice, choose, cost
from otherroof.restore.proving.own_word import OwnWords
from otherroof.restore.proving.parts import FilePart, HomeContent, last_day, parts_of, read_parts
from otherroof.restore.proving.read_back import ReadBack, ReadingContext
from otherroof.restore.proving.report import FarDamage, ProofReport
from otherroof.restore.proving.request import ProofMemory, ProofRequest
from otherroof.restore.proving.shelves import Shelf, ShelfOpener, missing_since
from otherroof.restore.proving.strangers import NamesSeen
from otherroof.restore.proving.turns import all_read_name, in_turn

OLDER_SHARE = 0.5  # of the budget that may go into opening older versions, whose listings may be large
MOST_EXTRA = 1000  # names of far files that no version needs


@dataclass(slots=True)
class _Candidates:
    """Files that may be read, in the order of the shelves: sizes, days, and how many each shelf has; behind them the
    `parts` of those `in_parts`, which are numbers of files too large for tonight."""

    sizes: array[int] = field(default_factory=lambda: array("Q"))
    days: array[int] = field(default_factory=lambda: array("H"))
    of_shelf: list[int] = field(default_factory=list)
    newest_opened: bool = False  # the first shelf is the newest version's
    parts: list[FilePart] = field(default_factory=list)
    in_parts: set[int] = field(default_factory=set)
    doubtful: set[int] = field(default_factory=set)  # the far box itself says that these are other than listed


@dataclass(slots=True)
class _Tally:
    files: int = 0
    damaged: int = 0


class FarProof:
    """One proof of a job's far copy."""

    def __init__(
        self,
        keeper: Keeper,
        request: ProofRequest,
        memory: ProofMemory,
        context: ReadingContext,
        words: OwnWords | None = None,
        home: HomeContent | None = None,
    ) -> None:
        self._keeper = keeper
        self._request = request
        self._memory = memory
        self._context = context
        self._words = words
        self._home = home
        self._seen = NamesSeen() if request.whole else None
        self._opener = ShelfOpener(keeper)
        self._damaged_listings: set[str] = set()
        self.report = ProofReport(request.job, request.whole)

    def carry_out(self, view: FarCopyView) -> ProofReport:
        """P1 to P4. Raises LinkLost if the way broke, HomeTrouble if this machine cannot note what it must."""
        if self._words is not None:
            self.report.word_at = self._words.newest
        if self._request.whole:
            self._prove_all(view)
            if not self._stopped:
                self._look_for_strangers(view)
        else:
            with ExitStack() as stack:
                shelves = [stack.enter_context(closing(shelf)) for shelf in self._opened(view)]
                self._prove_chosen(shelves, max(0, len(view.runs) - 1))
        self.report.cut = self._context.stop.asked()
        return self.report

    @property
    def _stopped(self) -> bool:
        return bool(self._context.stop.asked())

    # -- everything --

    def _prove_all(self, view: FarCopyView) -> None:
        newer: Shelf | None = None
        tally = _Tally()
        for run in reversed(view.runs):
            if self._stopped:
                break
            shelf = self._open(run, newer, view)
            if shelf is None or shelf.lines_as_newer:
                continue
            if newer is not None:
                self._note_missing(shelf, newer, view)
            self._prove_shelf(shelf, shelf.entries(), tally)
            if newer is not None:
                newer.close()
                if not self._stopped:
                    self._memory.proved(all_read_name(self._keeper.listing_name(run)))
            newer = shelf
        if newer is not None:
            newer.close()

    def _open(self, run: str, newer: Shelf | None, view: FarCopyView) -> Shelf | None:
        """The shelf of a version, its listing proved; None if that is damaged."""
        try:
            shelf = self._opener.open(run, newer, view)
        except Damaged as problem:
            if run not in self._keeper.view().runs:
                return None  # taken out meanwhile
            self._note_damage(FarDamage(b"", run, problem.what, self._keeper.listing_name(run)))
            return None
        for one in shelf.proved_listings:
            self._memory.proved(self._keeper.listing_name(one))
        self.report.listings += 1
        if self._seen is not None:
            self._seen.add(shelf.all_names())
        return shelf

    def _note_missing(self, shelf: Shelf, newer: Shelf, view: FarCopyView) -> None:
        missing = list(missing_since(shelf, newer))
        if missing and not set(view.runs) <= set(self._keeper.view().runs):
            # What the removed one kept for this version lies elsewhere by now, and this look is too old to know it.
            what = "a version was removed meanwhile"
            self.report.notes.append(
                f"{what}, so this proof cannot tell what version {shelf.run} (UTC) lacks; prove it again"
            )
            return
        for entry in missing:
            why = f"it was not kept, though version {newer.run} (UTC) has another state of it"
            self._note_damage(FarDamage(entry.path, shelf.run, why, b"", entry))

    # -- what is chosen --

    def _opened(self, view: FarCopyView) -> Iterator[Shelf]:
        """P1, P2: the newest version, and older ones in turn as far as the budget goes."""
        runs = list(reversed(view.runs))
        for run in runs[:1]:
            newest = self._open(run, None, view)
            if newest is not None:
                yield newest
        budget = self._context.budget
        name, day = self._keeper.listing_name, self._memory.day
        nights = self._request.every_nights
        for run in in_turn(runs[1:], lambda run: day(name(run)), lambda run: day(all_read_name(name(run))), nights):
            if self._stopped or (budget.most is not None and budget.used > budget.most * OLDER_SHARE):
                return
            newer = min(one for one in view.runs if one > run)
            shelf = self._open(run, Shelf(newer), view)
            if shelf is not None:
                yield shelf

    def _prove_chosen(self, shelves: list[Shelf], older: int) -> None:
        """P3."""
        found = self._candidates(shelves)
        files = sum(found.of_shelf)
        total = sum(map(cost, found.sizes[:files]))
        budget = self._context.budget.left if self._request.budget is not None else int(total * self._request.share)
        chosen = choose(found.sizes, found.days, budget, files=files)
        report = self.report
        report.population, report.drawn_up_to = chosen.population, chosen.drawn_up_to
        report.to_read = self._to_read(found, older)
        self._tell_of_large(found, budget)
        progress = self._context.progress
        doubtful = [number for number in found.doubtful if cost(found.sizes[number]) <= budget]
        if len(doubtful) < len(found.doubtful):
            large = len(found.doubtful) - len(doubtful)
            are = count_text(large, "file is other than it should be", "files are other than they should be")
            what = f"{are} by the far box's own word"
            report.notes.append(f"{what}, and too large to be read back within this budget; --all reads all")
        of_large = [number for number in chosen.longest if number >= files]
        progress.files_total = len(chosen.drawn) + len(chosen.longest) - len(of_large) + len(doubtful)
        progress.bytes_total = sum(found.sizes[one] for one in (*chosen.drawn, *chosen.longest))
        drawn = _Tally()
        # What was drawn comes first and by itself: the sentence about it is true only if all of it was read.
        self._read_numbers(shelves, found, chosen.drawn, drawn)
        if drawn.files == len(chosen.drawn):
            report.drawn, report.drawn_damaged = drawn.files, drawn.damaged
        rest = (set(chosen.longest) | set(doubtful)) - set(chosen.drawn) - set(of_large)
        self._read_numbers(shelves, found, rest, _Tally())
        if of_large and self._home is not None and not self._stopped:
            self._prove_parts(shelves[0], [found.parts[number - files] for number in of_large], self._home)
        self._note_all_read(shelves)
        self._tell_of_newest(shelves, found, chosen)

    def _note_all_read(self, shelves: list[Shelf]) -> None:
        """Of which older versions all that they keep was read within the nights that there are, or has room in none."""
        since = self._request.today - self._request.every_nights
        damaged = {damage.name for damage in self.report.damaged}
        for shelf in shelves:
            if shelf.newer:
                small = (entry for entry in shelf.entries() if cost(entry.size) <= self._request.nightly)
                names = (shelf.reader.lies_at(entry.path).name for entry in small)
                if all(name in damaged or self._memory.day(name) > since for name in names):
                    self._memory.proved(all_read_name(self._keeper.listing_name(shelf.run)))

    def _to_read(self, found: _Candidates, older: int) -> int:
        """About what it costs to read everything once: the newest version, the `older` ones by those opened now, and
        what is read each night to know what there is."""
        costs = list(map(cost, found.sizes[: sum(found.of_shelf)]))
        newest = sum(costs[: found.of_shelf[0]]) if found.of_shelf and found.newest_opened else 0
        opened = len(found.of_shelf) - found.newest_opened
        kept = (sum(costs) - newest) * older // opened if opened else 0
        return newest + kept + int(self._context.budget.used * self._request.every_nights)

    def _tell_of_large(self, found: _Candidates, budget: int) -> None:
        """Files that this budget has no room for; and those that no night has, if they were not read by `--all`."""
        report, used = self.report, self._context.budget.used
        files = [number for number in range(sum(found.of_shelf)) if number not in found.in_parts]
        large = [found.sizes[number] for number in files if cost(found.sizes[number]) > budget]
        report.too_large, report.too_large_bytes = len(large), sum(large)
        since = self._request.today - self._request.every_nights
        due = [cost(found.sizes[number]) + used for number in files if found.days[number] <= since]
        due = [needed for needed in due if needed > self._request.nightly]
        report.by_no_night, report.largest = len(due), max(due, default=0)

    def _candidates(self, shelves: list[Shelf]) -> _Candidates:
        found = _Candidates(newest_opened=bool(shelves) and not shelves[0].newer)
        for shelf in shelves:
            before = len(found.sizes)
            for entry in shelf.entries():
                name = shelf.reader.lies_at(entry.path).name
                if self._doubted(name, entry):
                    found.doubtful.add(len(found.sizes))
                if not shelf.newer and self._goes_in_parts(entry):
                    found.in_parts.add(len(found.sizes))
                    found.parts += parts_of(entry, name) if self._request.budget is not None else []
                found.sizes.append(entry.size)
                found.days.append(last_day(self._memory.day, entry, name))
            found.of_shelf.append(len(found.sizes) - before)
        found.sizes.extend(part.length for part in found.parts)
        found.days.extend(self._memory.day(part.memory_name) for part in found.parts)
        return found

    def _goes_in_parts(self, entry: Entry) -> bool:
        """Whether a file has no room in one night, but a part of it has, and can be compared here."""
        room = self._context.budget.left if self._request.budget is not None else self._request.nightly
        fits = cost(entry.size) > room >= cost(parts.PART)
        return fits and self._home is not None and self._home.same(entry)

    def _doubted(self, name: bytes, entry: Entry) -> bool:
        """Whether the far box itself says that this file is other than listed; if it says that it is whole, note it."""
        said = self._words.of(name) if self._words is not None else None
        if said is None:
            return False
        if said[0] != entry.digest:
            return True  # it may only have been replaced since: reading it back decides
        self.report.word_files += 1
        self._memory.proved_by_word(name, said[1])
        return False

    def _read_numbers(self, shelves: list[Shelf], found: _Candidates, wanted: Iterable[int], tally: _Tally) -> None:
        numbers = sorted(wanted)
        begin = 0
        for shelf, count in zip(shelves, found.of_shelf, strict=True):
            here = [number - begin for number in numbers if begin <= number < begin + count]
            if here and not self._stopped:
                self._prove_shelf(shelf, _picked(shelf.entries(), here), tally)
            begin += count

    def _tell_of_newest(self, shelves: list[Shelf], found: _Candidates, chosen: Choice) -> None:
        """Since when all of the newest version was read back, and how many of its files never were."""
        if not shelves or shelves[0].newer:
            return
        lies_at, day = shelves[0].reader.lies_at, self._memory.day
        days = [last_day(day, entry, lies_at(entry.path).name) for entry in shelves[0].entries()]
        self.report.never = days.count(0)
        self.report.oldest_day = min((day for day in days if day), default=0)

    def _prove_parts(self, shelf: Shelf, chosen: list[FilePart], home: HomeContent) -> None:
        def whole(part: FilePart) -> None:
            self._memory.proved(part.memory_name)
            self.report.parts += 1
            self.report.size += part.length

        doubtful = read_parts(shelf.reader, self._context, home, chosen, whole)
        if not doubtful:
            return
        shelf.reader.look_again()  # a run may have moved it aside meanwhile
        counts = shelf.run in self._keeper.view().runs
        for part, why in doubtful:
            self._memory.forget(part.memory_name)
            if counts and shelf.reader.lies_at(part.entry.path).name == part.name and home.is_whole(part.entry):
                self._note_damage(self._damage(shelf, part.entry, why))

    # -- one shelf --

    def _prove_shelf(self, shelf: Shelf, files: Iterator[Entry], tally: _Tally) -> None:
        reader = shelf.reader
        damages: list[FarDamage] = []

        def whole(entry: Entry) -> None:
            self.report.files += 1
            self.report.size += entry.size
            tally.files += 1
            self._memory.proved(reader.lies_at(entry.path).name)

        def broken(entry: Entry, why: str) -> None:
            self.report.files += 1
            tally.files += 1
            damages.append(self._damage(shelf, entry, why))

        try:
            ReadBack(reader, self._context, whole, broken).read(self._checked(shelf, files) if self._words else files)
            if damages and shelf.run not in self._keeper.view().runs:
                tally.files -= len(damages)  # taken out meanwhile: what it alone held went with it
                damages.clear()
        finally:
            tally.damaged += len(damages)
            for damage in damages:
                self._note_damage(damage)
        for folder, why in reader.unlisted.items():
            self.report.notes.append(f"{folder} at the far box cannot be looked into ({why})")

    def _checked(self, shelf: Shelf, files: Iterator[Entry]) -> Iterator[Entry]:
        for entry in files:
            if self._request.whole:
                self._doubted(shelf.reader.lies_at(entry.path).name, entry)
            yield entry

    def _damage(self, shelf: Shelf, entry: Entry, why: str) -> FarDamage:
        lies = shelf.reader.lies_at(entry.path)
        in_newest = not shelf.newer and not lies.kept_by
        return FarDamage(entry.path, shelf.run, why, lies.name, entry, in_newest=in_newest)

    def _note_damage(self, damage: FarDamage) -> None:
        self.report.damaged.append(damage)
        self._memory.damaged(damage)

    # -- P4 --

    def _look_for_strangers(self, view: FarCopyView) -> None:
        for run in sorted(self._request.known_runs - set(view.runs)):
            if view.runs and run > view.runs[0]:
                self._note_damage(FarDamage(b"", run, "it is not there any more", self._keeper.listing_name(run)))
        if self._seen is None:
            return
        self._seen.add(self._keeper.listing_name(run) for run in view.runs)
        extra = [name for name in self._keeper.far_names(view) if not self._seen.has(name)]
        now = self._keeper.view()
        if (now.runs, now.earlier, now.under_way) != (view.runs, view.earlier, view.under_way):
            self.report.notes.append("a run went on meanwhile, so nothing is said of files that no version needs")
            return
        self.report.extra = sorted(extra)[:MOST_EXTRA]


def _picked(entries: Iterator[Entry], numbers: list[int]) -> Iterator[Entry]:
    """The entries that stand at these places, in order."""
    wanted = iter(numbers)
    at = next(wanted, None)
    for number, entry in enumerate(entries):
        if at is None:
            return
        if number == at:
            yield entry
            at = next(wanted, None)
