"""The open layout around a run: whose folder it is, what stands there, the commit, and tidying up.

A run counts once its listing has been renamed into `runs/`. What an earlier run left half done is found here, by
what stands in `incoming/` and in `earlier/` without a listing.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from otherroof.base.errors import Damaged, Denied, FarTrouble, HomeTrouble, NotOffered, NotThere, PlaceError, Refused
from otherroof.base.handles import open_plain_file
from otherroof.base.units import size_text
from otherroof.far import requests
from otherroof.far.local_sink import LocalFileSink
from otherroof.far.place import Place, Task
from otherroof.far.requests import Attrs, DataPiece, Mode, NotYet, Piece, Script
from otherroof.far_copy.keeper import RunMark
from otherroof.far_copy.listing import LARGEST_FILE, Header, damaged_listing, header_in, holds_header
from otherroof.far_copy.view import FarCopyView
from otherroof.layouts.open import steps
from otherroof.layouts.open.paths import (
    EARLIER,
    INCOMING,
    LATEST,
    LISTING_END,
    READ_ME,
    RUNS,
    UNDER_WAY_END,
    JobPaths,
    run_in,
)
from otherroof.layouts.open.read_me import read_me
from otherroof.layouts.open.writer import digest_of

_MARK = re.compile(rb"^home mark: ([0-9a-f]{16})$", re.MULTILINE)
# An empty mark means that the folder is new and may be taken; a note without a mark means that somebody changed it.
NO_MARK = "?"  # stands for a note without a home's mark
HEAD = 4096  # bytes of a listing that nearly always hold its header
LONGEST_HEAD = 512 * 1024
TIDY_AT_ONCE = 64
MARKS_AT_ONCE = 16  # each takes a handle of the far box's
MARK_MODE, NOTE_MODE = 0o600, 0o644
LONGEST_SERVER = 64  # bytes
SERVER = re.compile(rb"[0-9a-z]{1,64}")
MOST_PARTS = 100_000  # runs, or half-sent files, at once: eleven years of a run every hour
LARGEST_READ_BACK = 256 * 1024**3  # bytes of one file; sending it again would take no longer
ROOM_KEPT = 256 * 1024 * 1024  # bytes that a fetched listing leaves free on this disk


class OpenJobFolder:
    """Scripts on a job's far folder as a whole."""

    def __init__(self, place: Place, paths: JobPaths) -> None:
        self.place = place
        self.paths = paths

    def survey(self) -> list[Script[Any]]:
        """Scripts that look at the folder as a whole, to be carried out at once; `seen` reads their answers."""
        parts = (RUNS, EARLIER, INCOMING)
        return [self._mark(), *(steps.list_names(self.paths.at(part), MOST_PARTS) for part in parts)]

    def seen(self, answers: Sequence[Any]) -> FarCopyView:
        """What the scripts of `survey` found."""
        mark, runs, earlier, incoming = answers
        return FarCopyView(
            mark=mark,
            # A folder that is not there was answered by None. Names that are no run ids are nobody's business here.
            runs=sorted(_runs_among(runs)),
            earlier=sorted(run for name, _ in earlier or () if (run := run_in(name, b""))),
            under_way=sorted(run for name, _ in incoming or () if (run := run_in(name, UNDER_WAY_END))),
            incoming=[name for name, _ in incoming or () if b"/" not in name],
            ready=bool(mark) and None not in (runs, earlier, incoming),
        )

    def _mark(self) -> Script[str]:
        try:
            handle = yield requests.OpenFile(self.paths.at(READ_ME), Mode.READ)
        except NotThere:
            return ""
        text, _ = yield (requests.Read(handle, 0, requests.LEAST), requests.CloseFile(handle))
        return _mark_in(text)

    def check_mark(self, view: FarCopyView, home_id: str, *, only_reading: bool = False) -> None:
        """Raises FarTrouble if the folder is another home's, or, if it is to be written to, does not say whose."""
        if view.mark == NO_MARK and only_reading:
            return  # the listings prove whose it is
        if view.mark == NO_MARK:
            raise FarTrouble(
                f"its {READ_ME.decode()} does not say whose it is any more, so nothing was written",
                where=self.paths.name,
                advice="if it is this home's, remove that one file at the far box: the next run writes it anew",
            )
        if view.mark not in ("", home_id):
            raise FarTrouble(
                "is another home's folder, so nothing was written",
                where=self.paths.name,
                advice="choose another base or job name, or put back this home's own listing key if it was lost",
            )

    def make_ready(self, run: str, *, noted: bool) -> Script[Any]:
        """Make the folders that are missing; answers a handle for `run`'s `write_note`, None if the note is there."""
        # All that can be refused is that a folder stands already; each is then looked at. The job's own folder is made
        # on the way to the others.
        folders = [self.paths.top, *(self.paths.at(part) for part in (LATEST, EARLIER, RUNS, INCOMING))]
        aside = self._note_aside(run)
        opens = () if noted else (requests.OpenFile(aside, steps.NEW, NOTE_MODE),)
        answers = yield requests.Attempts((*map(requests.MakeFolder, folders), *opens))
        for path, answer in zip(folders[1:], answers[1:], strict=False):
            if isinstance(answer, PlaceError):
                yield from steps.make_folder(path)
        if noted:
            return None
        if isinstance(answers[-1], PlaceError):  # a try of this run over an earlier connection left one
            return (yield from steps.open_new(aside, NOTE_MODE))
        return answers[-1]

    def _note_aside(self, run: str) -> bytes:
        # By the run's name: a server that begins at the same moment would else take this file's name away, and what
        # becomes the note might be the other's, with nothing in it yet.
        return self.paths.at(INCOMING, READ_ME + b"." + run.encode())

    def write_note(self, run: str, handle: Any, home: str, home_id: str) -> Script[None]:
        """Write the note for people, and give it its name."""
        # Its last line is the home's mark, so it too appears whole or not at all.
        text, aside = read_me(self.paths.job, home, home_id).encode(), self._note_aside(run)
        try:
            yield steps.fill_durably(handle, text, requests.LEAST, NOTE_MODE)
        except PlaceError:  # a disk without permissions, or one that takes nothing
            yield from steps.write_all(aside, text, requests.LEAST, NOTE_MODE)
        try:
            yield requests.Rename(aside, self.paths.at(READ_ME))
        except (Refused, NotThere):
            # Another server of this home begins as well, or another home, and may even have cleared this one's away as
            # litter: whose note it is, is looked at before the first change.
            if (yield from steps.stat_path(self.paths.at(READ_ME))) is None:
                raise
            yield from steps.remove(aside)

    def begin(self, run: str, server: str) -> Script[steps.DiskHabits]:
        """Mark that a run of `server` is under way; answers what was seen of the disk."""
        # Before the first change: a run that is cut before it moved anything aside would else leave no trace.
        mark = self.paths.under_way(run)
        folder, _, name = mark.rpartition(b"/")
        room = (requests.GetSpace(self.paths.top),) if self.place.offers.space else ()
        handle, *space = yield requests.Attempts((requests.OpenFile(mark, steps.NEW), *room))
        if isinstance(handle, PlaceError):  # begun before, and the answer was lost with the connection
            handle = yield from steps.open_new(mark)
        # The mark stands by now, so its name in capitals tells whether the disk knows the two apart.
        asked = (
            *steps.fill_durably(handle, server.encode(), requests.LEAST, MARK_MODE),
            requests.Stat(folder + b"/" + name.upper()),
        )
        *written, folded = yield requests.Attempts(asked)
        told = next(at for at, op in enumerate(asked) if isinstance(op, requests.SetProperties))
        # Two refusals tell something of the disk: one without permissions can be told none, and one that knows the two
        # names apart has nothing at the second.
        keeps_modes = not isinstance(written[told], Denied | NotOffered)
        folds_case = not isinstance(folded, NotThere)
        steps.raise_refusal(answer for at, answer in enumerate(written) if keeps_modes or at != told)
        steps.raise_refusal([folded] if folds_case else ())
        steps.raise_refusal(space)
        if not space:
            return steps.DiskHabits(folds_case=folds_case, keeps_modes=keeps_modes)
        # btrfs makes entries as it needs them, and says that it has 0 (statfs(2): f_files). So do FAT and exFAT.
        counted = space[0].files > 0
        return steps.DiskHabits(
            writes_on_close=counted,
            folds_case=folds_case,
            commits_together=not counted and not folds_case,
            keeps_modes=keeps_modes,
        )

    def marks(self) -> Script[list[RunMark]]:
        """The marks of all runs under way, whoever's they are."""
        names = yield from steps.list_names(self.paths.at(INCOMING), MOST_PARTS)
        return (yield from self._marks_among(names or (), {}))

    def look_around(self, run: str, server: str) -> Script[tuple[str, list[RunMark], str]]:
        """The home's mark, the marks of all runs under way, and the newest run that counts.

        `run` is one of `server`: its mark need not be read.
        """
        incoming, runs = self.paths.at(INCOMING), self.paths.at(RUNS)
        try:
            folder, note = yield (requests.OpenFolder(incoming), requests.OpenFile(self.paths.at(READ_ME), Mode.READ))
        except NotThere:
            names = yield from steps.list_names(incoming, MOST_PARTS)
            home = yield from self._mark()
            listings = yield from steps.list_names(runs, MOST_PARTS)
        else:
            # The marks first: a run that ends between the two looks takes its mark away only after its listing has
            # come. What is asked for in one go is carried out in its order.
            read = requests.ReadFolder(folder)
            looks = (
                read,
                read,
                requests.OpenFolder(runs),
                requests.Read(note, 0, requests.LEAST),
                requests.LetGo(note),
            )
            *begun, listed, text, _ = yield from steps.ask_or_close(looks, requests.LetGo(folder))
            home = _mark_in(text)
            rest = steps.names_in(folder, incoming, MOST_PARTS, begun)
            names = yield from steps.or_close(rest, requests.LetGo(listed))
            if None not in begun:  # there was more: what was opened before its end may not show what came since
                yield requests.LetGo(listed)
                listed = yield requests.OpenFolder(runs)
            listings = yield from steps.names_in(listed, runs, MOST_PARTS)
        marks = yield from self._marks_among(names or (), {run: server})
        return home, marks, max(_runs_among(listings), default="")

    def _marks_among(self, names: Iterable[tuple[bytes, Attrs]], known: dict[str, str]) -> Script[list[RunMark]]:
        """The marks among these names of `incoming/`; one whose server is `known` is not read if it is whole."""
        found: list[RunMark] = []
        unread: list[tuple[str, int]] = []
        for name, attrs in names:
            run = run_in(name, UNDER_WAY_END)
            if run in known and attrs.size == len(known[run]):
                found.append(RunMark(run, known[run], attrs.mtime))
            elif run is not None:
                unread.append((run, attrs.mtime))
        for start in range(0, len(unread), MARKS_AT_ONCE):
            some = unread[start : start + MARKS_AT_ONCE]
            opens = tuple(requests.OpenFile(self.paths.under_way(run), Mode.READ) for run, _ in some)
            handles = yield requests.Attempts(opens)
            there = [(*mark, handle) for mark, handle in zip(some, handles, strict=True) if _is_there(handle)]
            texts = yield tuple(requests.Read(handle, 0, LONGEST_SERVER) for _, _, handle in there)
            yield tuple(requests.LetGo(handle) for _, _, handle in there)
            for (run, at, _), text in zip(there, texts, strict=True):
                # Of a mark that was cut off with the far box's power nobody can tell whose it was.
                server = bytes(text).decode("ascii") if SERVER.fullmatch(bytes(text)) else ""
                found.append(RunMark(run, server, at))
        return found

    def take_back_begin(self, run: str) -> Script[None]:
        """Nothing was changed: take the mark away."""
        yield from steps.remove(self.paths.under_way(run))

    def send_listing(self, run: str, listing: str) -> Script[None]:
        """Send the listing in the local file, durably; it counts for nothing yet."""
        # Once the listing bears its name, everything it names must be on the disk, and a crash must leave either no
        # listing or a whole one. All that landed was made durable before (S7 of sending), the listing is synced before
        # it is renamed, and a name appears at one instant.
        most = self.place.offers.max_write
        handle = yield from steps.open_new(self._listing_aside(run))
        if os.path.getsize(listing) > most:
            whole = requests.WriteStream(handle, _FileSource(listing, most))
            yield from steps.ask_or_close(whole, requests.CloseFile(handle))
            yield (requests.Sync(handle), requests.CloseFile(handle))
            return
        with open_plain_file(listing) as file:
            data = file.read()
        yield (requests.Write(handle, 0, data), requests.Sync(handle), requests.CloseFile(handle))

    def _listing_aside(self, run: str) -> bytes:
        return self.paths.at(INCOMING, run.encode() + LISTING_END)

    def commit(self, run: str, size: int) -> Script[None]:
        """Rename the listing that was sent, of so many bytes, into place: from then on the run counts."""
        final = self.paths.listing(run)
        # Synced once more under its name: on a journalling file system this makes all renames before it last.
        _, handle = yield (requests.Rename(self._listing_aside(run), final), requests.OpenFile(final, Mode.WRITE))
        # The size is asked for under the final name, which is the one that later runs will read.
        attrs, _, _ = yield (requests.StatOpen(handle), requests.Sync(handle), requests.CloseFile(handle))
        if attrs.size != size:
            raise Damaged("the listing did not arrive whole", where=self.paths.name, advice="run the job again")

    def hold_listing(self, run: str) -> Script[None]:
        """Sync a listing that has its name already: whether `commit` came as far as that is not known."""
        handle = yield requests.OpenFile(self.paths.listing(run), Mode.WRITE)
        yield (requests.Sync(handle), requests.CloseFile(handle))

    def tidy(self, names: list[bytes]) -> Iterator[Task[None, None]]:
        """Remove files from `incoming/` that no run will use again."""
        for start in range(0, len(names), TIDY_AT_ONCE):
            yield Task(None, self._remove_all(names[start : start + TIDY_AT_ONCE]))

    def _remove_all(self, names: list[bytes]) -> Script[None]:
        for name in names:
            with contextlib.suppress(PlaceError):  # it is only litter: the next run tries again
                yield requests.Remove(self.paths.at(INCOMING, name))

    def fetch_listing(self, run: str, into: str) -> Script[None]:
        """Bring a listing into a local file.

        Raises Damaged if it is not there, HomeTrouble if this disk fails.
        """
        try:
            handle = yield requests.OpenFile(self.paths.listing(run), Mode.READ)
        except NotThere as problem:
            raise Damaged("the listing is not there any more", where=f"{self.paths.job}/{run}") from problem
        attrs: Attrs = yield requests.StatOpen(handle)
        self._require_room(run, into, attrs.size)
        sink = LocalFileSink(into, "a listing")
        try:
            yield requests.ReadStream(handle, 0, attrs.size, sink)
        finally:
            sink.close()
        yield requests.LetGo(handle)

    def _require_room(self, run: str, into: str, size: int) -> None:
        """Raises Damaged if no listing is as large, HomeTrouble if this disk could not hold it."""
        if size > LARGEST_FILE:
            raise damaged_listing(f"{self.paths.job}/{run}", f"has {size_text(size)} by what the far box says")
        free = _free_bytes(os.path.dirname(into))
        if free is not None and size + ROOM_KEPT > free and size > ROOM_KEPT:
            raise HomeTrouble(
                f"a listing of {size_text(size)} would fill this disk ({size_text(free)} free)",
                where=into,
                advice="make room there, or take another version if no listing of yours can be as large",
            )

    def header(self, run: str) -> Script[Header]:
        """The header of a listing, read from its first bytes, not proved. Raises Damaged if it is none."""
        handle = yield requests.OpenFile(self.paths.listing(run), Mode.READ)
        # The header is a gzip member of its own: a piece of the file is enough, and tells whether it holds all of it.
        let_go = requests.LetGo(handle)
        data: bytes = yield from steps.ask_or_close(requests.Read(handle, 0, HEAD), let_go)
        if not holds_header(data):  # the folder itself has long attributes
            head = requests.BytesSink()
            yield from steps.ask_or_close(requests.ReadStream(handle, 0, LONGEST_HEAD, head), let_go)
            data = head.data
        yield let_go
        return header_in(data, f"{self.paths.job}/{run}")

    def held_now(self, path: bytes) -> Script[bytes | None]:
        """The digest of what the newest copy really holds at `path`, read back; None if it is no file."""
        attrs = yield from steps.stat_path(self.paths.latest(path))
        if attrs is None or not steps.is_file(attrs, attrs.size) or attrs.size > LARGEST_READ_BACK:
            return None
        return (yield from digest_of(self.paths.latest(path)))


def _mark_in(text: bytes) -> str:
    found = _MARK.search(text)
    return found.group(1).decode() if found else NO_MARK


def _runs_among(names: Iterable[tuple[bytes, Attrs]] | None) -> Iterator[str]:
    """The runs that have a listing among these names of `runs/`."""
    return (run for name, _ in names or () if (run := run_in(name, LISTING_END)))


def _is_there(handle: Any) -> bool:
    """Whether a mark could be opened. Raises a refusal, but for a mark whose run has ended since."""
    if isinstance(handle, NotThere):
        return False
    steps.raise_refusal([handle])
    return True


def _free_bytes(folder: str) -> int | None:
    """Bytes free to this account where `folder` is or will be; None if that is not told."""
    while folder and not os.path.isdir(folder):
        folder = os.path.dirname(folder)
    try:
        found = os.statvfs(folder or ".")
    except OSError:
        return None  # writing there will tell what is wrong
    return found.f_bavail * found.f_frsize


class _FileSource:
    """The pieces of a local file that nobody else writes."""

    def __init__(self, path: str, most: int) -> None:
        self._pieces = self._read(path, most)

    def _read(self, path: str, most: int) -> Iterator[DataPiece]:
        offset = 0
        with open_plain_file(path) as file:
            while data := file.read(most):
                yield DataPiece(offset, data)
                offset += len(data)

    def take(self, *, wait: bool) -> Piece | NotYet | None:
        """See PieceSource."""
        return next(self._pieces, None)

    def landed(self, piece: Piece) -> None:
        """See PieceSource; nobody asks."""

    def refused(self, piece: Piece) -> None:
        """See PieceSource; the stream's own failure tells it."""
