"""The open layout as a run writes it: each change to the newest copy as a script.

The order inside a script is the safety: what is new arrives under `incoming/`, what it replaces gets a durable name in
`earlier/<this run>/`, and only then does the new one take the name. That itself is made durable later, by
`make_durable`, or at once, by `put_durable`; in any case before the run counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

from otherroof.base.errors import Denied, NotOffered, NotThere, OtherroofError, PlaceError, Refused, RunCut
from otherroof.copying.home.read import new_digest
from otherroof.far import requests
from otherroof.far.place import Place
from otherroof.far.requests import Attrs, BytesSink, CloseFile, Mode, Script
from otherroof.far_copy.writer import (
    ArrivedPart,
    ChangeState,
    ContentLocation,
    ContentStream,
    FileProperties,
    NotDurable,
)
from otherroof.layouts.open import steps
from otherroof.layouts.open.aside import move_aside, replace_keeping_old
from otherroof.layouts.open.paths import JobPaths

LONGEST_TAIL = 32 * 1024 * 1024  # bytes of a half-sent file that are read back to see what arrived


class OpenWriter:
    """See the port. Ordinary files at the far end."""

    def __init__(
        self, place: Place, job: str, run: str, server: str = "", disk: steps.DiskHabits = steps.UNKNOWN_DISK
    ) -> None:
        self.place = place
        self._server = server
        self._disk = disk
        # What moves aside is synced first, unless one commit takes it along with what comes in its place.
        self._keeping = replace(place.offers, sync=False) if disk.commits_together else place.offers
        self.paths = JobPaths(job, run)

    @property
    def name(self) -> str:
        """See the port."""
        return self.paths.name

    @property
    def waits_for_commit(self) -> bool:
        """See the port."""
        return self._disk.commits_together

    @property
    def can_make_from_far(self) -> bool:
        """See the port."""
        return self.place.offers.link or self.place.offers.copy_range

    def aside(self, path: bytes) -> Script[None]:
        """See the port."""
        yield from move_aside(self._keeping, self.paths.latest(path), self.paths.earlier(path))

    def stands_in_the_way(self, path: bytes) -> Script[bool]:
        """See the port."""
        try:
            attrs = yield from steps.stat_path(self.paths.latest(path))
        except Refused:
            return False  # longer than that system takes a path: nothing can be made there either, and that is told
        return attrs is not None and not steps.is_folder(attrs)

    def drop_folder(self, path: bytes) -> Script[None]:
        """See the port."""
        try:
            yield requests.RemoveFolder(self.paths.latest(path))
        except (NotThere, Refused):
            return

    def make_folders(self, paths: list[bytes]) -> Script[dict[bytes, PlaceError]]:
        """See the port. All are asked for at once; only if that fails is each looked at."""
        # The outermost come first, and one channel's requests are carried out in their order, so a whole tree is made
        # in one round trip. A refusal of one says nothing about the others: it may only mean that the folder stands. On
        # a disk that folds names it may stand for another, which must be known before anything is made in it.
        if not self._disk.folds_case:
            with suppress(PlaceError):
                yield tuple(requests.MakeFolder(self.paths.latest(path)) for path in paths)
                return {}
        return (yield from self._make_each(paths))

    def _make_each(self, paths: list[bytes]) -> Script[dict[bytes, PlaceError]]:
        refused: dict[bytes, PlaceError] = {}
        for path in paths:
            above = path.rpartition(b"/")[0]
            if above in refused:  # something else stands there, and nothing is made below it
                refused[path] = refused[above]
                continue
            try:
                yield from self._make_one(path)
            except PlaceError as refusal:
                refused[path] = refusal
        return refused

    def _make_one(self, path: bytes) -> Script[None]:
        latest = self.paths.latest(path)
        try:
            yield from steps.make_folder(latest)
            yield from steps.refuse_folded_name(latest, folds_case=self._disk.folds_case)
        except steps.FoldedName:
            raise
        except Refused:
            # What stands there is no folder, and no listing names it any more.
            yield from move_aside(self._keeping, latest, self.paths.earlier(path))
            yield requests.MakeFolder(latest)

    def put(self, path: bytes, data: bytes, properties: FileProperties) -> Script[None]:
        """See the port."""
        yield from self.put_part(path, data, properties)
        yield from self.take_place(path, had=False)

    def put_durable(self, path: bytes, data: bytes, properties: FileProperties, had: bool) -> Script[None]:
        """See the port. Synced under its new name, as by `make_durable`, but through the handle it was written by."""
        part, most = self.paths.part(path), self.place.offers.max_write
        handle = yield from steps.write_held_open(part, data, most, properties, self._disk)
        yield from steps.or_close(self.take_place(path, had), CloseFile(handle))
        try:
            yield (requests.Sync(handle), requests.CloseFile(handle))
        except PlaceError as refusal:
            raise NotDurable(refusal.what, where=refusal.where) from refusal

    def put_part(self, path: bytes, data: bytes, properties: FileProperties) -> Script[None]:
        """See the port."""
        part, most = self.paths.part(path), self.place.offers.max_write
        yield from steps.write_unsynced(part, data, most, properties, self._disk)

    def _told(self, properties: FileProperties) -> int | None:
        """The permissions that the far disk can be told; the listing has them in any case."""
        return properties.permissions if self._disk.keeps_modes else None

    def take_place(self, path: bytes, had: bool) -> Script[None]:
        """See the port."""
        yield from self._swap(self.paths.part(path), path, had)

    def make_durable(self, paths: Sequence[bytes]) -> Script[None]:
        """See the port."""
        yield from steps.make_durable(self.place.offers, *map(self.paths.latest, paths))

    def keep_mark_fresh(self) -> Script[None]:
        """See the port. Written, not given a time: it shall have the far clock's."""
        handle = yield requests.OpenFile(self.paths.under_way(self.paths.run), Mode.WRITE)
        yield (requests.Write(handle, 0, self._server.encode()), requests.CloseFile(handle))

    def prepare(self, path: bytes, upto: int | None) -> Script[ArrivedPart]:
        """See the port."""
        part = self.paths.part(path)
        if upto is not None:
            # `upto` is durable by home's own notes. What lies beyond it may have arrived too, but is not sure to have
            # survived a crash over there: it is fetched, and the pieces that are found in it as they are at home are
            # not sent again.
            arrived = yield from self._find_part(part, upto)
            if arrived is not None:
                return arrived
        handle = yield from steps.open_new(part)
        yield requests.CloseFile(handle)
        return ArrivedPart()

    def _find_part(self, part: bytes, upto: int) -> Script[ArrivedPart | None]:
        try:
            handle = yield requests.OpenFile(part, Mode.READ)
        except (NotThere, Denied):
            return None
        attrs: Attrs = yield from steps.ask_or_close(requests.StatOpen(handle), requests.LetGo(handle))
        tail = BytesSink()
        if attrs.size > upto:
            beyond = requests.ReadStream(handle, upto, min(attrs.size - upto, LONGEST_TAIL), tail)
            yield from steps.ask_or_close(beyond, requests.LetGo(handle))
        yield requests.LetGo(handle)
        # Shorter than the notes say: then it is not the file that they are about, and nothing of it counts.
        return ArrivedPart(upto, tail.data) if attrs.size >= upto else None

    def upload(self, path: bytes, stream: ContentStream, old_size: int | None) -> Script[None]:
        """See the port."""
        old = None if old_size is None else (yield from self._open_old(path, old_size))
        let_go = () if old is None else (requests.LetGo(old),)
        # Neither CREATE nor EMPTY: `prepare` has made the file, and several connections write to it at their offsets.
        handle = yield from steps.ask_or_close(requests.OpenFile(self.paths.part(path), Mode.WRITE), *let_go)
        shut = (CloseFile(handle),) if old is None else (CloseFile(handle), CloseFile(old))
        try:
            yield requests.WriteStream(handle, stream, old)
        except RunCut:
            # Told to stop. If anything that follows is refused, it is a stop all the same, and no fault of the file.
            yield from self._hold_what_landed(handle, stream)
            yield requests.Attempts(shut)
            raise
        except OtherroofError:  # over there, or here: it changed while it was read, or cannot be read
            yield requests.Attempts(shut)
            raise
        yield shut

    def _hold_what_landed(self, handle: requests.Handle, stream: ContentStream) -> Script[None]:
        """Make it durable, or the next run would have to send it again."""
        upto = stream.landed_upto  # what lands by another connection from now on may not be in it
        try:
            # By itself: if the line breaks before what is asked with it is answered, a refusal would not be heard of.
            is_synced = yield requests.Sync(handle)
        except PlaceError:
            stream.refused(requests.SyncPiece(upto))
            return
        if is_synced:
            stream.synced(upto)

    def _open_old(self, path: bytes, size: int) -> Script[Any]:
        """A handle on the version that is to be replaced, for ranges of it."""
        old = yield requests.OpenFile(self.paths.latest(path), Mode.READ)
        attrs: Attrs = yield from steps.ask_or_close(requests.StatOpen(old), requests.LetGo(old))
        # Where its chunks lie is known from home's own notes, which hold only for the very version they were made of.
        if attrs.size != size:
            yield requests.LetGo(old)
            raise Refused("the older version has another size than it should")
        return old

    def finish_part(self, path: bytes, properties: FileProperties) -> Script[None]:
        """See the port."""
        # The digest was taken at home of what was sent; over there the size is what can be asked for without reading
        # back. The connection's own checksums guard the content on its way.
        handle = yield requests.OpenFile(self.paths.part(path), Mode.WRITE)
        answers = yield (
            requests.StatOpen(handle),
            requests.SetProperties(handle, permissions=self._told(properties), mtime=properties.mtime),
            requests.Sync(handle),
            requests.CloseFile(handle),
        )
        if answers[0].size != properties.size:
            raise Refused(f"arrived with {answers[0].size} bytes instead of {properties.size}")

    def forget_part(self, path: bytes) -> Script[None]:
        """See the port."""
        yield from steps.remove(self.paths.part(path))

    def make_from(self, path: bytes, content: ContentLocation, properties: FileProperties, had: bool) -> Script[None]:
        """See the port. A second name if the far box has them, else a copy."""
        is_aside = content.aside or content.run
        source = self.paths.earlier(content.path, content.run) if is_aside else self.paths.latest(content.path)
        made = self.paths.made(path)
        # Made under `incoming/` first and then renamed, like anything new: a refusal half-way leaves `path` untouched.
        # A link costs the far disk nothing, so it is tried before a copy.
        if not (yield from self._linked(source, made, properties.size)):
            if not self.place.offers.copy_range:
                raise NotOffered("cannot be made from what is there")
            yield from steps.copy_inside(source, made, properties.size, self._told(properties), properties.mtime)
        yield from self._swap(made, path, had)

    def _linked(self, source: bytes, made: bytes, size: int) -> Script[bool]:
        if not self.place.offers.link:
            return False
        # A cut run may have left one. Removing it takes away this one name; the file stays under its other name.
        yield from steps.remove(made)
        try:
            yield requests.Link(source, made)
        except NotThere:
            raise
        except PlaceError:
            return False  # too many names, or a file system without them
        # Time and rights are left alone: both names share them, and the other name may be a kept version's. The listing
        # has the right ones. If the source was no file after all, that shows here too.
        attrs = yield from steps.stat_path(made)
        if not steps.is_file(attrs, size):
            yield from steps.remove(made)
            raise Refused("stands there with another size than it should")
        return True

    def adopt(self, path: bytes, properties: FileProperties, digest: bytes) -> Script[bool]:
        """See the port."""
        latest = self.paths.latest(path)
        attrs = yield from steps.stat_path(latest)
        if not steps.is_file(attrs, properties.size):
            return False
        found = yield from digest_of(latest)
        return found == digest

    def symlink(self, path: bytes, target: bytes, had: bool) -> Script[None]:
        """See the port."""
        latest, aside = self.paths.latest(path), self.paths.earlier(path)
        if had:
            yield from move_aside(self._keeping, latest, aside)
        request = requests.MakeSymlink(target, latest)
        try:
            yield from steps.with_parents(request, latest)
        except Refused:
            yield from steps.refuse_folded_name(latest, folds_case=self._disk.folds_case)
            yield from move_aside(self._keeping, latest, aside)
            yield from self._try_symlink(request)
        except PlaceError:
            # No loss: a restore makes links from what the listing says of their targets, not from what stands here.
            return

    def _try_symlink(self, request: requests.MakeSymlink) -> Script[None]:
        try:
            yield request
        except PlaceError:
            return

    def standing(self, path: bytes, properties: FileProperties | None, had: bool) -> Script[ChangeState]:
        """See the port."""
        asides = (self.paths.earlier(path),) if had else ()
        now, part, made, *kept = yield from steps.stat_paths(
            self.paths.latest(path), self.paths.part(path), self.paths.made(path), *asides
        )
        before = kept[0] if kept else None
        # as before      latest/ has the old one, earlier/<this run>/ nothing
        # old one gone   latest/ has nothing, earlier/<this run>/ the old one
        # in place       latest/ has the new one (nothing, if the path was to go), earlier/<this run>/ any old one
        if properties is None:
            return ChangeState.AS_BEFORE if now is not None else ChangeState.IN_PLACE
        if now is None:
            return ChangeState.OLD_GONE
        # With an old one aside, whatever stands now came after it. Without, only size and time can tell it from a
        # stranger, such as an older state of the same file, which may have both. But a new one that still lies where it
        # was to come from has not taken its place.
        fits = now.size == properties.size and (had or now.mtime == properties.mtime) and part is None and made is None
        if had and before is None:
            return ChangeState.AS_BEFORE
        # OpenSSH renames a file by a link and an unlink: if the far box fell in between, it stands under both names.
        if now == before:
            return ChangeState.OLD_GONE
        if fits:
            return ChangeState.IN_PLACE
        return ChangeState.OLD_GONE if had else ChangeState.AS_BEFORE

    def _swap(self, new: bytes, path: bytes, had: bool) -> Script[None]:
        latest, aside = self.paths.latest(path), self.paths.earlier(path)
        yield from replace_keeping_old(self._keeping, new, latest, aside, had, folds_case=self._disk.folds_case)


class DigestSink:
    """Digests what is read back."""

    def __init__(self) -> None:
        self._digest = new_digest()

    def take(self, data: bytes) -> None:
        """More bytes, in order."""
        self._digest.update(data)

    def digest(self) -> bytes:
        """The digest of all of them."""
        return self._digest.digest()


def digest_of(path: bytes) -> Script[bytes]:
    """The digest of a far file, found by reading it back."""
    handle = yield requests.OpenFile(path, Mode.READ)
    attrs: Attrs = yield from steps.ask_or_close(requests.StatOpen(handle), requests.LetGo(handle))
    sink = DigestSink()
    yield from steps.ask_or_close(requests.ReadStream(handle, 0, attrs.size, sink), requests.LetGo(handle))
    yield requests.LetGo(handle)
    return sink.digest()
