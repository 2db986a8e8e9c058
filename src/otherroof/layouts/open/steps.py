"""Small scripts from which the open layout's larger ones are built: folders, new files, lists of names.

They take no name from anything that stands; what gives way is the business of `aside`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from otherroof.base.errors import Denied, NotOffered, NotThere, OtherroofError, PlaceError, Refused
from otherroof.far import requests
from otherroof.far.place import PlaceOffers
from otherroof.far.requests import Attrs, CloseFile, Mode, Op, Request, Script, T
from otherroof.far_copy.writer import FileProperties

# SFTP has one answer for a name that exists, a folder that is not empty and a disk that is full (here: Refused). So
# each step asks for the usual case at once, which costs one round trip, and looks at the path only after a refusal.
# Many scripts run side by side. Two may make the same folder or find each other's; none may count on what stood at a
# path a moment ago, except on what it has put there itself.

# What is held in memory of one folder; more is refused, because a far box that lies could go on for ever.
MOST_NAMES = 250_000
MOST_NAME_BYTES = 48 * 1024 * 1024  # bytes of all its names together
NAME_WEIGHT = 64  # bytes that a name counts for besides its letters
MOST_LOOKED_THROUGH = 512 * 1024 * 1024  # bytes of names, of which none is held: five million of ordinary length
LONGEST_PATH = 16 * 1024  # bytes; four times what Linux takes in one piece
LEVELS_AT_ONCE = 16  # of a path, whose folders are asked for together
MOST_FOLDERS = 100_000  # that are looked into for one path


@dataclass(frozen=True, slots=True)
class DiskHabits:
    """What was seen of the far disk; see `write_unsynced`, `refuse_folded_name`, and `waits_for_commit` of the port.

    `keeps_modes`: it can be told a file's permissions; FAT and exFAT refuse any but their own.
    """

    writes_on_close: bool = False
    folds_case: bool = False
    commits_together: bool = False
    keeps_modes: bool = True


UNKNOWN_DISK = DiskHabits()


class FoldedName(Refused):
    """The far disk takes a name for that of something else that stands there."""


NEW = Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW  # the last is O_EXCL, which follows no symbolic link either (open(2))
COPY_AT_ONCE = 16 * 1024 * 1024  # bytes in one request, so that its answer comes in time


def make_parents(path: bytes) -> Script[None]:
    """Make the folders above `path`, as many as are missing."""
    parent = path.rpartition(b"/")[0]
    if parent:
        yield from make_folder(parent)


def make_folder(path: bytes) -> Script[None]:
    """Make a folder, with those above it if they are missing; one that exists is left."""
    # The deepest is asked for first, because those above it nearly always stand.
    try:
        yield requests.MakeFolder(path)
    except NotThere:
        yield from _make_with_parents(path)
    except (Refused, Denied):
        yield from _must_stand(path)


def _make_with_parents(path: bytes) -> Script[None]:
    # How many are missing is not known. Asked for together, from the outermost on, they cost one round trip; one that
    # stands, or that another script has made meanwhile, is refused and serves as well.
    count = LEVELS_AT_ONCE
    while True:
        levels = [path]
        while len(levels) < count and (above := levels[-1].rpartition(b"/")[0]):
            levels.append(above)
        answers = yield requests.Attempts(tuple(map(requests.MakeFolder, reversed(levels))))
        if not isinstance(answers[0], NotThere):
            break
        if len(levels) < count:
            raise answers[0]  # not even what all of it lies in
        count *= 2
    if isinstance(answers[-1], PlaceError):
        yield from _must_stand(path)


def _must_stand(path: bytes) -> Script[None]:
    attrs = yield from stat_path(path)
    if attrs is None or not is_folder(attrs):
        raise Refused("a folder could not be made", where=path.decode("utf-8", "backslashreplace"))


def with_parents(op: Op, path: bytes) -> Script[object]:
    """Ask for `op`; if that fails for a missing folder above `path`, make it and ask again."""
    try:
        return (yield op)
    except NotThere:
        # Parents nearly always stand. Making sure beforehand would cost every file a round trip more.
        yield from make_parents(path)
        return (yield op)


def or_close(script: Script[T], *closing: CloseFile) -> Script[T]:
    """Carry out `script`; if it fails, these are asked for before that is raised."""
    # What nobody closes stays open over there until the connection ends: it counts among the files that the far box
    # lets us hold, and the room of one that is removed stays taken. What fails may also be home's: a source that cannot
    # be read, a target that is full.
    try:
        return (yield from script)
    except OtherroofError:
        yield requests.Attempts(closing)  # a refusal of these must not hide what came before it
        raise


def ask_or_close(request: Request, *closing: CloseFile) -> Script[Any]:
    """Ask for `request`; if it fails, as `or_close`."""

    def ask() -> Script[Any]:
        return (yield request)

    return or_close(ask(), *closing)


def stat_path(path: bytes) -> Script[Attrs | None]:
    """What stands at `path`, or None."""
    try:
        attrs: Attrs = yield requests.Stat(path)
    except NotThere:
        return None
    return attrs


def stat_paths(*paths: bytes) -> Script[list[Attrs | None]]:
    """What stands at each of these paths, or None, in one round trip."""
    answers = yield requests.Attempts(tuple(requests.Stat(path) for path in paths))
    raise_refusal(answer for answer in answers if not isinstance(answer, NotThere))
    return [answer if isinstance(answer, Attrs) else None for answer in answers]


def remove(path: bytes) -> Script[None]:
    """Remove a file, if it is there."""
    try:
        yield requests.Remove(path)
    except NotThere:
        return


def is_folder(attrs: Attrs) -> bool:
    """Whether this is a folder, and no link to one."""
    return (attrs.mode & 0o170000) == 0o040000


def is_regular(attrs: Attrs) -> bool:
    """Whether this is an ordinary file."""
    return (attrs.mode & 0o170000) == 0o100000


def is_file(attrs: Attrs | None, size: int) -> bool:
    """Whether this is an ordinary file of that size."""
    return attrs is not None and is_regular(attrs) and attrs.size == size


def open_new(path: bytes, permissions: int = 0o600) -> Script[Any]:
    """A handle on a new, empty file.

    An old file of that name is removed, never emptied: it might share its content with one that is kept.
    """
    request = requests.OpenFile(path, NEW, permissions)
    try:
        return (yield from with_parents(request, path))
    except (Refused, Denied):
        yield from remove(path)
        return (yield request)


def write_all(path: bytes, data: bytes, most: int, permissions: int = 0o600) -> Script[bool]:
    """Make a new file at `path` and fill it, durably; answers whether the far disk could be told its permissions."""
    try:
        yield from _write_all(path, data, most, permissions)
    except (Denied, NotOffered):
        # A disk without permissions refuses to be told any. If it was something else, that is refused once more.
        yield from _write_all(path, data, most, None)
        return False
    return True


def _write_all(path: bytes, data: bytes, most: int, permissions: int | None) -> Script[None]:
    """Nothing is waited for between open and close."""
    handle = yield from open_new(path, permissions or 0o600)
    yield fill_durably(handle, data, most, permissions)


def fill_durably(handle: Any, data: bytes, most: int, permissions: int | None) -> tuple[Op, ...]:
    """The requests that write all of a new file, make it durable and close it; `permissions` are told if given."""
    told = (requests.SetProperties(handle, permissions=permissions),) if permissions is not None else ()
    # All of this goes out without a wait between, and a channel's requests are carried out in their order. If a write
    # is refused, the rest is carried out all the same, but the refusal is raised here: the file never gets its real
    # name. Rights and times come after the content, which changes the time, and before the sync, so that they last as
    # well.
    return (
        *_writes(handle, data, most),
        *told,
        requests.Sync(handle),
        requests.CloseFile(handle),
    )


def _writes(handle: Any, data: bytes, most: int) -> tuple[Op, ...]:
    return tuple(requests.Write(handle, start, data[start : start + most]) for start in range(0, len(data), most))


def raise_refusal(answers: Iterable[Any]) -> None:
    """Raises the first refusal among these answers, if there is one."""
    for answer in answers:
        if isinstance(answer, PlaceError):
            raise answer


def write_unsynced(path: bytes, data: bytes, most: int, properties: FileProperties, disk: DiskHabits) -> Script[None]:
    """Make a new file at `path` and fill it; somebody makes it durable later.

    If its disk `writes_on_close`, its size is set to 0 first: then the disk begins to write when it is closed.
    """
    # Some programs empty a file and write it anew without a sync. File systems expect that and begin to write such a
    # file when it is closed, instead of half a minute later: ext4 after a size of 0 was set (`auto_da_alloc`, ext4(5)),
    # XFS after any size was set that the file had. Whoever syncs then finds nothing left to write: four times as many
    # files a second on a disk that turns.
    handle = yield from open_new(path, properties.permissions)
    emptied = (requests.SetProperties(handle, size=0),) if disk.writes_on_close else ()
    yield (*emptied, *_fill_unsynced(handle, data, most, properties, disk), requests.CloseFile(handle))


def write_held_open(path: bytes, data: bytes, most: int, properties: FileProperties, disk: DiskHabits) -> Script[Any]:
    """Make a new file at `path` and fill it; answers its handle, for whoever syncs it and closes it."""
    handle = yield from open_new(path, properties.permissions)
    yield from ask_or_close(_fill_unsynced(handle, data, most, properties, disk), CloseFile(handle))
    return handle


def _fill_unsynced(handle: Any, data: bytes, most: int, properties: FileProperties, disk: DiskHabits) -> tuple[Op, ...]:
    mode = properties.permissions if disk.keeps_modes else None
    told = requests.SetProperties(handle, size=len(data), permissions=mode, mtime=properties.mtime)
    return (*_writes(handle, data, most), told)


def make_durable(offers: PlaceOffers, *paths: bytes) -> Script[None]:
    """Have the far disk hold files' content and their present names, if the far box can say so at all.

    If one of several is refused, none of them counts as held.
    """
    if offers.sync:
        # For reading only: fsync(2) asks for no more, and a file that was made unwritable over there is synced too.
        handles = yield tuple(requests.OpenFile(path, Mode.READ) for path in paths)
        yield tuple(op for handle in handles for op in (requests.Sync(handle), requests.CloseFile(handle)))


def read_portions(handle: Any) -> Script[tuple[list[Sequence[tuple[bytes, Attrs]]], bool]]:
    """The next portions of an open folder's names, and whether they were the last. If that is refused, the folder is
    let go of."""
    # Two at a time: a folder of ordinary size is then read in one round trip, its end included.
    twice = (requests.ReadFolder(handle), requests.ReadFolder(handle))
    portions = yield from ask_or_close(twice, requests.LetGo(handle))
    return [portion or () for portion in portions], None in portions


def holds_name(folder: bytes, name: bytes) -> Script[bool | None]:
    """Whether a folder lists this very name; None if there is no such folder, or too much in it to look through."""
    try:
        handle = yield requests.OpenFolder(folder)
    except NotThere:
        return None
    weight = 0
    found = ended = False
    while not (found or ended) and weight < MOST_LOOKED_THROUGH:
        portions, ended = yield from read_portions(handle)
        for portion in portions:
            for other, _ in portion:
                weight += len(other) + NAME_WEIGHT
                found = found or other == name
    yield requests.LetGo(handle)
    return True if found else False if ended else None


def refuse_folded_name(path: bytes, *, folds_case: bool) -> Script[None]:
    """Raises Refused if what stands at `path` has another name, which the far disk takes for the same one.

    Some disks do not tell `Photo.jpg` and `photo.jpg` apart, some not two ways to write `é`, some leave out dots and
    spaces at the end. Only a list of the folder's names shows it; `folds_case`: the disk is known to do the first.
    """
    folder, _, name = path.rpartition(b"/")
    if not folds_case and name.isascii() and not name.endswith((b".", b" ")):
        return
    if (yield from holds_name(folder, name)) is False:
        what = "the far disk cannot tell this name from another one there"
        raise FoldedName(what, where=path.decode("utf-8", "backslashreplace"))


def copy_inside(source: bytes, target: bytes, size: int, permissions: int | None, mtime: int) -> Script[None]:
    """Copy a file inside the place; somebody makes it durable later.

    Raises Refused if the source has not the size it should have.
    """
    old = yield requests.OpenFile(source, Mode.READ)
    attrs: Attrs = yield from ask_or_close(requests.StatOpen(old), requests.LetGo(old))
    if attrs.size != size:
        yield requests.LetGo(old)
        raise Refused("has another size than it should", where=source.decode("utf-8", "backslashreplace"))
    new = yield from or_close(open_new(target), requests.LetGo(old))
    attrs = yield from or_close(_copy_ranges(old, new, size), CloseFile(new), CloseFile(old))
    yield (
        requests.SetProperties(new, permissions=permissions, mtime=mtime),
        CloseFile(new),
        CloseFile(old),
    )
    # `copy-data` ends without a word where its source does, so only the size tells that all of it came.
    if attrs.size != size:
        raise Refused("was not copied whole at the far end", where=source.decode("utf-8", "backslashreplace"))


def _copy_ranges(old: Any, new: Any, size: int) -> Script[Attrs]:
    # One after the other, unlike writes: the far box answers nothing else on this channel while it copies.
    for start in range(0, size, COPY_AT_ONCE):
        yield requests.CopyRange(old, start, min(COPY_AT_ONCE, size - start), new, start)
    attrs: Attrs = yield requests.StatOpen(new)
    return attrs


def list_names(path: bytes, most: int = MOST_NAMES) -> Script[list[tuple[bytes, Attrs]] | None]:
    """All names in a folder except its own, or None if there is no such folder.

    Raises Refused at more than `most`: a far box that lies could go on for ever.
    """
    try:
        handle = yield requests.OpenFolder(path)
    except NotThere:
        return None
    return (yield from names_in(handle, path, most))


def names_in(
    handle: Any, path: bytes, most: int, begun: Sequence[Sequence[tuple[bytes, Attrs]] | None] = ()
) -> Script[list[tuple[bytes, Attrs]]]:
    """As `list_names`, of a folder that is open, and is let go of; `begun` are the portions that were read of it."""
    found: list[tuple[bytes, Attrs]] = []
    weight = 0
    portions, ended = [portion or () for portion in begun], None in begun
    while True:
        for portion in portions:
            for name, attrs in portion:
                weight += len(name) + NAME_WEIGHT
                if name not in (b".", b".."):
                    found.append((name, attrs))
        # Looked at for each portion: the answer that ends the folder may never come.
        if len(found) > most or weight > MOST_NAME_BYTES:
            yield requests.LetGo(handle)
            raise Refused("lists names without end", where=path.decode("utf-8", "backslashreplace"))
        if ended:
            break
        portions, ended = yield from read_portions(handle)
    yield requests.LetGo(handle)
    return found
