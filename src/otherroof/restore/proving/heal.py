"""Puts whole files in the place of far ones that are known to be damaged, if this home still has them.

    H1  each is looked at once more: one that is whole by now is damaged no longer
    H2  home's file with that very content is found, at its own path or another one of the newest version
    H3  it is sent aside, made durable, and takes the damaged one's place
    H4  it is read back
    H5  of what could not be healed, the newest version that has the path whole is found

Nothing is sent that is not, byte for byte, what the listing names; nothing that is whole is touched.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field

from otherroof.base.errors import Damaged, HomeTrouble, PlaceError, RunCut
from otherroof.copying.home.read import SourceFolder
from otherroof.far.place import Task, run_script
from otherroof.far.requests import Script
from otherroof.far_copy.entry import Entry, path_text
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.mender import Mender
from otherroof.far_copy.reader import Reader
from otherroof.far_copy.view import FarCopyView
from otherroof.far_copy.writer import FileProperties
from otherroof.restore.proving.home_file import HomeFile, home_path
from otherroof.restore.proving.read_back import ReadBack, ReadingContext
from otherroof.restore.proving.report import FarDamage

MOST_VERSIONS = 60  # that are looked into for a good state, the newest first
OPEN_WEIGHT = 1024 * 1024  # of a task, since its file is open here: a dozen or so wait at once
NOT_HERE = "this machine no longer has it as it was"

Broken = dict[bytes, tuple[Entry, str]]  # by path: what is damaged, and why


@dataclass(frozen=True, slots=True)
class DamageMark:
    """What is remembered of a damaged file: its path as text, and a version that needs it."""

    run: str
    path: str


@dataclass(slots=True)
class HealReport:
    """`whole` marks are damaged no longer, those that were `healed` now among them; `left` are the damaged files that
    remain, with why."""

    whole: list[DamageMark] = field(default_factory=list)
    healed: list[DamageMark] = field(default_factory=list)
    left: list[FarDamage] = field(default_factory=list)


class Healer:
    """Heals damaged files. `source` is the job's folder; None if nothing is to be sent, and all is only looked at."""

    def __init__(self, keeper: Keeper, view: FarCopyView, context: ReadingContext, source: SourceFolder | None) -> None:
        self._keeper = keeper
        self._view = view
        self._context = context
        self._source = source
        self._report = HealReport()

    def heal(self, marks: Iterable[DamageMark]) -> HealReport:
        """H1 to H5. Raises LinkLost if the way broke."""
        by_run: dict[str, list[DamageMark]] = defaultdict(list)
        for mark in marks:
            # A version may have been taken out since; what it shared with the one before it, that one still needs.
            run = max((one for one in self._view.runs if one <= mark.run), default="")
            if run:
                by_run[run].append(mark)
            else:
                self._report.whole.append(mark)
        for run, here in sorted(by_run.items(), reverse=True):
            if not self._context.stop.asked():
                self._heal_version(run, here)
        if self._report.left and not self._context.stop.asked():
            self._find_good_states()
        return self._report

    def _heal_version(self, run: str, marks: list[DamageMark]) -> None:
        try:
            reader = self._keeper.reader(run)
        except Damaged:
            return  # that has a mark of its own
        with closing(reader):
            reader.look(self._view)
            wanted = {mark.path for mark in marks}
            entries = [one for one in reader.entries() if one.kind == "file" and path_text(one.path) in wanted]
            broken = self._read(reader, entries)
            if self._source is not None and not self._context.stop.asked():
                self._settle(reader, [one.path for one in entries if one.path not in broken])
            before, failed = set(broken), dict[bytes, str]()
            if broken and self._source is not None:
                failed = self._send_all(reader, [entry for entry, _ in broken.values()], self._source)
                sent = [entry for path, (entry, _) in broken.items() if path not in failed]
                unsent = {path: found for path, found in broken.items() if path in failed}
                broken = unsent | self._read_anew(run, sent)
            if self._context.stop.asked():
                return  # what was not read again says nothing
            damaged = {path_text(path) for path in broken}
            healed = {path_text(path) for path in before} - damaged
            self._report.whole += [mark for mark in marks if mark.path not in damaged]
            self._report.healed += [mark for mark in marks if mark.path in healed]
            for path, (entry, why) in broken.items():
                lies = reader.lies_at(path)
                damage = FarDamage(path, run, why, lies.name, entry, left=failed.get(path, ""))
                damage.in_newest = not lies.kept_by
                self._report.left.append(damage)

    def _read(self, reader: Reader, entries: list[Entry]) -> Broken:
        """H1, H4: those that are damaged."""
        broken: Broken = {}

        def note(entry: Entry, why: str) -> None:
            broken[entry.path] = entry, why

        ReadBack(reader, self._context, lambda _: None, note).read(iter(entries))
        return broken

    def _settle(self, reader: Reader, paths: list[bytes]) -> None:
        """An earlier try may have been cut after these were in their place."""
        mender = self._keeper.mender()
        for path in paths:
            run_script(mender.place, mender.settled(reader.lies_at(path).name))

    def _read_anew(self, run: str, entries: list[Entry]) -> Broken:
        """The same after something was put in its place: where it lies is looked up anew."""
        if not entries:
            return {}
        with closing(self._keeper.reader(run)) as reader:
            reader.look(self._keeper.view())
            return self._read(reader, entries)

    # -- H2, H3 --

    def _send_all(self, reader: Reader, entries: list[Entry], source: SourceFolder) -> dict[bytes, str]:
        """Send these, and let each take its place; by path, why one could not be healed."""
        mender, failed = self._keeper.mender(), dict[bytes, str]()
        others, newest = self._newest_version(entries)
        names: dict[bytes, bytes] = {}

        def tasks() -> Iterator[Task[Entry, None]]:
            for entry in entries:
                why = self._context.stop.asked()
                home = None if why else home_path(source, entry, others[entry.digest])
                name = self._name_for(reader, mender, entry, newest.get(entry.path))
                if home is None or not name:
                    failed[entry.path] = why or NOT_HERE
                    continue
                self._context.progress.path = entry.path
                names[entry.path] = name
                file = HomeFile(source, home, entry, mender.place.offers.max_write)
                yield Task(entry, _replace(mender, name, file, entry), OPEN_WEIGHT, waits_for_disk=True)

        for result in mender.place.carry_out(tasks(), self._context.tick):
            if isinstance(result.error, PlaceError | HomeTrouble | RunCut):
                failed[result.key.path] = f"it could not be sent again: {result.error.what}"
            elif result.error is not None:
                raise result.error
        for path in failed.keys() & names.keys():
            try:
                run_script(mender.place, mender.drop(names[path]))
            except PlaceError:
                continue  # litter: the next run removes it
        return failed

    def _name_for(self, reader: Reader, mender: Mender, entry: Entry, newest: bytes | None) -> bytes:
        """The far file in whose place `entry` belongs; empty if that cannot be told."""
        lies = reader.lies_at(entry.path)
        # What stands in the newest copy is this version's only if the newest one says the same of it. Else the run
        # after this version should have kept it, and what stands there is another file, and whole.
        if lies.kept_by or newest == entry.digest:
            return lies.name
        after = min((run for run in self._view.runs if run > reader.header.run), default="")
        return mender.kept_name(entry.path, after) if after else b""

    def _newest_version(self, entries: list[Entry]) -> tuple[dict[bytes, list[bytes]], dict[bytes, bytes]]:
        """Of the newest version: by digest the paths with the same content, since this home may have it there; and what
        the paths of `entries` hold in it."""
        same: dict[bytes, list[bytes]] = {entry.digest: [] for entry in entries}
        asked, held = {entry.path for entry in entries}, dict[bytes, bytes]()
        try:
            newest = self._keeper.reader(self._view.newest)
        except Damaged:
            return same, held
        with closing(newest):
            for entry in newest.entries():
                if entry.kind == "file" and entry.digest in same:
                    same[entry.digest].append(entry.path)
                if entry.kind == "file" and entry.path in asked:
                    held[entry.path] = entry.digest
        return same, held

    # -- H5 --

    def _find_good_states(self) -> None:
        """Say of what is left which version has the newest whole state of it."""
        waiting: dict[bytes, list[FarDamage]] = defaultdict(list)
        for damage in self._report.left:
            waiting[damage.path].append(damage)
        known = {(damage.name, damage.entry.digest) for damage in self._report.left if damage.entry is not None}
        for run in list(reversed(self._view.runs))[:MOST_VERSIONS]:
            if not waiting or self._context.stop.asked() or self._context.budget.is_over():
                break
            try:
                reader = self._keeper.reader(run)
            except Damaged:
                continue
            with closing(reader):
                reader.look(self._view)
                here = [one for one in reader.entries() if one.kind == "file" and one.path in waiting]
                here = [one for one in here if (reader.lies_at(one.path).name, one.digest) not in known]
                broken = self._read(reader, here)
                known |= {(reader.lies_at(path).name, entry.digest) for path, (entry, _) in broken.items()}
                for entry in here:
                    if entry.path not in broken:
                        for damage in waiting.pop(entry.path):
                            damage.left = _joined(damage.left, f"its newest whole state is in version {run} (UTC)")
        for damage in (one for several in waiting.values() for one in several):
            damage.left = _joined(damage.left, "no version was found that has it whole")


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)


def _replace(mender: Mender, name: bytes, file: HomeFile, entry: Entry) -> Script[None]:
    properties = FileProperties(entry.size, (entry.mode & 0o777) | 0o600, entry.mtime_ns // 1_000_000_000)
    try:
        yield from mender.send(name, file, properties)
    finally:
        file.close()
    yield from mender.take_place(name)
