"""Moving aside: what gives way in the newest copy is kept, durably, before anything takes its name.

Scripts, like `steps`. A name is never taken from what a kept version needs: a rename or link onto an existing name is
refused by the place, and what stands in the way is moved aside first.
"""

from __future__ import annotations

from otherroof.base.errors import NotThere, PlaceError, Refused
from otherroof.far import requests
from otherroof.far.place import PlaceOffers
from otherroof.far.requests import Attrs, Script
from otherroof.layouts.open.steps import (
    LONGEST_PATH,
    MOST_FOLDERS,
    is_folder,
    is_regular,
    list_names,
    make_durable,
    make_parents,
    refuse_folded_name,
    stat_path,
)


def move_aside(offers: PlaceOffers, path: bytes, to: bytes) -> Script[bool]:
    """Keep what stands at `path` under the name `to`, and free `path`; False if there was nothing to keep.

    If `to` is taken, this run has moved something there before: what stands at `path` now is no kept version's.
    """
    folders: list[tuple[bytes, bytes]] = []
    kept = yield from _move_one_aside(offers, path, to, folders)
    yield from _move_contents_aside(offers, folders)
    return kept


def _move_one_aside(offers: PlaceOffers, path: bytes, to: bytes, folders: list[tuple[bytes, bytes]]) -> Script[bool]:
    """As `move_aside`, but a folder whose name is taken is added to `folders`, for its contents to be moved."""
    # A file gets its second name, that name is made durable, and only then does the first one go. Not every journal
    # keeps the order of names: btrfs, asked to sync one file, may bring the new state of a whole folder to the disk
    # without the second names of those that left it.
    if offers.link:
        try:
            _, kept = yield (requests.Link(path, to), requests.Stat(to))
        except PlaceError as problem:
            return (yield from _move_after_refusal(offers, path, to, problem, folders))
        yield from _hold(offers, to, kept)
        yield requests.Remove(path)
        return True
    try:
        yield requests.Rename(path, to)
    except PlaceError as problem:
        return (yield from _move_after_refusal(offers, path, to, problem, folders))
    yield from _hold(offers, to, (yield from stat_path(to)))
    return True


def _move_after_refusal(
    offers: PlaceOffers, path: bytes, to: bytes, problem: PlaceError, folders: list[tuple[bytes, bytes]]
) -> Script[bool]:
    standing = yield from stat_path(path)
    if standing is None:
        return False
    kept = None
    if isinstance(problem, Refused):
        kept = yield from stat_path(to)
    if kept is not None:
        # An earlier try was cut off between its requests or their answers. What was kept first is what earlier versions
        # need; what came to `path` since then is no kept version's, so it may go.
        yield from _hold(offers, to, kept)
        return (yield from _drop(path, to, standing, folders))
    try:
        yield from make_parents(to)
    except PlaceError:
        if not (yield from _came_later(to)):
            raise
        return (yield from _drop(path, to, standing, folders))
    has_both = offers.link and is_regular(standing) and (yield from _has_second_name(path, to))
    if not has_both:
        yield requests.Rename(path, to)
    yield from _hold(offers, to, standing)
    if has_both:
        yield requests.Remove(path)
    return True


def _has_second_name(path: bytes, to: bytes) -> Script[bool]:
    try:
        yield requests.Link(path, to)
    except PlaceError:
        return False  # too many names, or a file of another account: then it keeps its one name
    return True


def _came_later(to: bytes) -> Script[bool]:
    """Whether this run keeps a file in place of a folder above `to`: it made that file a folder, and all in it came
    since then, such as half of a file that was lost with the far box's power."""
    above = to.rpartition(b"/")[0]
    while above:
        attrs = yield from stat_path(above)
        if attrs is not None:
            return not is_folder(attrs)
        above = above.rpartition(b"/")[0]
    return False


def _drop(path: bytes, to: bytes, standing: Attrs, folders: list[tuple[bytes, bytes]]) -> Script[bool]:
    """Remove what no kept version needs; what a folder holds may be unknown, and is moved aside where that can be."""
    if is_folder(standing):
        folders.append((path, to))
    else:
        yield requests.Remove(path)
    return False


def _hold(offers: PlaceOffers, to: bytes, kept: Attrs | None) -> Script[None]:
    """Have the far disk hold what is kept at `to`, if it is a file: opening a link would lead to its target."""
    if kept is not None and is_regular(kept):
        yield from make_durable(offers, to)


def _move_contents_aside(offers: PlaceOffers, folders: list[tuple[bytes, bytes]]) -> Script[None]:
    """Move what these folders hold to beside what was moved before, and remove them."""
    emptied: list[bytes] = []
    while folders:
        path, to = folders.pop()
        emptied.append(path)
        # The far box is not trusted: it could make up folders for as long as they are looked into.
        if len(path) > LONGEST_PATH or len(emptied) + len(folders) > MOST_FOLDERS:
            raise Refused("lists folders without end", where=path.decode("utf-8", "backslashreplace"))
        for name, _ in (yield from list_names(path)) or ():
            # Such a name would lead to another folder.
            if b"/" in name or not name:
                raise Refused("lists names that no file can have", where=path.decode("utf-8", "backslashreplace"))
            yield from _move_one_aside(offers, path + b"/" + name, to + b"/" + name, folders)
    for path in reversed(emptied):  # a folder comes after those that it lies in
        yield requests.RemoveFolder(path)


def replace_keeping_old(
    offers: PlaceOffers, part: bytes, path: bytes, aside: bytes, had: bool, *, folds_case: bool = False
) -> Script[None]:
    """Let `part` become `path`; what stands there, known or not, is moved to `aside` first.

    If the last step fails, what was moved is moved back. Raises FoldedName if what stands there has another name.
    """
    # Before the rename nothing stands at `path`, and a crash there loses nothing: the old one is aside, the new one
    # still under `incoming/`, and `standing` finds it so. There is no rename that swaps two names over SFTP.
    moved = (yield from move_aside(offers, path, aside)) if had else False
    try:
        yield from _rename_in(offers, part, path, aside, moved, folds_case)
    except PlaceError:
        # Put back, so that a refusal leaves the newest copy as it was.
        if moved:
            yield requests.Rename(aside, path)
        raise


def _rename_in(
    offers: PlaceOffers, part: bytes, path: bytes, aside: bytes, moved: bool, folds_case: bool
) -> Script[None]:
    try:
        yield requests.Rename(part, path)
    except NotThere:
        yield from make_parents(path)
        yield requests.Rename(part, path)
    except Refused:
        # Something stands there that nobody knew of. It is kept like anything else, and the rename is asked for once
        # more.
        if moved:
            raise
        yield from refuse_folded_name(path, folds_case=folds_case)
        yield from move_aside(offers, path, aside)
        yield requests.Rename(part, path)
