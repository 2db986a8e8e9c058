"""Streams what stands in a folder, in byte order of the path, in batches of one folder's neighbours.

Built for a million files: for each entry it takes one `lstat` by folder handle and keeps five numbers. Files are
not opened. Where a batch begins and ends depends on names alone, so that an unchanged stretch of folder gives the
same batch again and can be compared as one piece.
"""

from __future__ import annotations

import heapq
import os
import zlib
from bisect import bisect_left
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field
from typing import Protocol

from otherroof.base.errors import HomeTrouble
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.numbers import COLUMNS, FILE, FOLDER, HARD, LARGEST, LINK, clamp_ns, join_path, pack_batch

NAMES_AT_ONCE = 4096
MOST_OPEN = 100  # folder handles: a process may often have no more than 1,024, and a folder can be deeper than that
SPLIT = 1023  # a batch ends before a name whose checksum has these bits zero: one in 1,024

# https://bford.info/cachedir/ : the tag's name and the first bytes that make it one.
CACHE_TAG = b"CACHEDIR.TAG"
CACHE_TAG_BYTES = b"Signature: 8a477f597d28d172789f06886806bc55"


@dataclass(slots=True)
class Batch:
    """Neighbours in one folder: their names in byte order and five numbers for each."""

    folder: bytes
    names: list[bytes]
    numbers: list[int]
    hard: dict[bytes, int] = field(default_factory=dict)  # name → device, for files with several names

    @property
    def first(self) -> bytes:
        """The path of the first entry."""
        return join_path(self.folder, self.names[0])

    def packed(self) -> bytes:
        """Names and numbers as bytes: equal exactly when nothing here changed."""
        return pack_batch(self.names, self.numbers)


class LeaveOutRule(Protocol):
    """Says which entries no copy should hold."""

    def __call__(self, path: bytes, is_folder: bool) -> bool: ...


@dataclass(slots=True)
class ScanNotes:
    """What the scan found besides entries. At and below a `blind` path (unreadable) the far copy is left as it is.

    `other_disks` are folders at which another file system begins that was not entered.
    """

    problems: list[Problem] = field(default_factory=list)
    blind: set[bytes] = field(default_factory=set)
    left_out: int = 0
    other_disks: list[bytes] = field(default_factory=list)

    def is_blind(self, path: bytes) -> bool:
        """Whether `path`, or a folder above it, could not be looked at."""
        if not self.blind:
            return False
        parts = path.split(b"/")
        return any(b"/".join(parts[:count]) in self.blind for count in range(1, len(parts) + 1))


def starts_new_batch(name: bytes) -> bool:
    """Whether a new batch starts at this name; depends on the name alone."""
    return zlib.crc32(name) & SPLIT == 0


# Names, their numbers, and the devices of hard-linked ones; or a name to go down into.
_Look = tuple[list[bytes], list[int], dict[bytes, int]]
_Step = _Look | bytes
_Frame = Generator[_Step, None, None]


@dataclass(slots=True)
class _Level:
    """A folder on the way down. Its handle is -1 while the walk is far below it."""

    folder: bytes
    handle: int
    frame: _Frame = field(init=False)
    identity: tuple[int, int] = field(init=False)

    def __post_init__(self) -> None:
        found = os.fstat(self.handle)
        self.identity = found.st_dev, found.st_ino


def _reopen_above(below: _Level, above: _Level) -> None:
    """Open the folder above anew. Raises HomeTrouble if it is another by now: what is in it would be taken for gone."""
    try:
        handle = os.open(b"..", os.O_RDONLY | os.O_DIRECTORY, dir_fd=below.handle)
    except OSError as problem:
        raise _unreadable(above.folder, problem) from problem
    found = os.fstat(handle)
    if (found.st_dev, found.st_ino) != above.identity:
        os.close(handle)
        raise HomeTrouble(
            "was moved while it was looked through", where=path_text(below.folder), advice="the next run looks again"
        )
    above.handle = handle


class Scan:
    """One walk through `root`. Iterate it once; `notes` is complete afterwards."""

    def __init__(self, root: bytes, *, left_out: LeaveOutRule | None = None, other_disks: bool = False) -> None:
        self.root = root
        self.notes = ScanNotes()
        self._left_out = left_out
        self._other_disks = other_disks
        self._device = 0

    def __iter__(self) -> Iterator[Batch]:
        return _in_batches(self._walk())

    def _walk(self) -> Iterator[tuple[bytes, _Look]]:
        """Segments of one folder each, in byte order of the path."""
        try:
            top = os.open(self.root, os.O_RDONLY | os.O_DIRECTORY)
            self._device = os.fstat(top).st_dev
        except OSError as problem:
            raise _unreadable(self.root, problem) from problem
        stack = [self._level(b"", top)]
        try:
            while stack:
                level = stack[-1]
                step = next(level.frame, None)
                if step is None:
                    if len(stack) > 1 and stack[-2].handle < 0:
                        _reopen_above(level, stack[-2])
                    os.close(stack.pop().handle)
                elif isinstance(step, bytes):
                    path = join_path(level.folder, step)
                    below = self._enter(path, step, level.handle)
                    if below is not None:
                        stack.append(self._level(path, below))
                        if len(stack) > MOST_OPEN:
                            os.close(stack[-MOST_OPEN - 1].handle)
                            stack[-MOST_OPEN - 1].handle = -1
                else:
                    yield level.folder, step
        finally:
            for level in stack:
                if level.handle >= 0:
                    os.close(level.handle)

    def _level(self, folder: bytes, handle: int) -> _Level:
        level = _Level(folder, handle)
        level.frame = self._frame(level)
        return level

    def _enter(self, path: bytes, name: bytes, above: int) -> int | None:
        """A handle for the folder, or None if it must not or cannot be entered."""
        try:
            handle = os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=above)
        except (FileNotFoundError, NotADirectoryError):
            return None  # gone or replaced since its folder was read
        except OSError as problem:
            self._note(path, problem)
            return None
        if not self._other_disks and os.fstat(handle).st_dev != self._device:
            os.close(handle)
            self.notes.other_disks.append(path)
            return None
        return handle

    def _note(self, path: bytes, problem: OSError) -> None:
        self.notes.problems.append(Problem(path_text(path), f"cannot be read: {problem.strerror}"))
        self.notes.blind.add(path)

    def _frame(self, level: _Level) -> _Frame:
        """The folder's own segments, and names to go down into, each at its place in the order."""
        folder = level.folder
        try:
            names = [os.fsencode(name) for name in os.listdir(level.handle)]
        except OSError as problem:
            if not folder:
                raise _unreadable(self.root, problem) from problem
            self._note(folder, problem)
            return
        names.sort()
        if CACHE_TAG in names and _is_cache(level.handle):
            names = [CACHE_TAG]
        pending: list[bytes] = []
        for start in range(0, len(names), NAMES_AT_ONCE):
            segment = self._look(folder, level.handle, names[start : start + NAMES_AT_ONCE], pending)
            following = names[start + NAMES_AT_ONCE] if start + NAMES_AT_ONCE < len(names) else None
            yield from _cut(segment, pending, following)

    def _look(self, folder: bytes, handle: int, names: list[bytes], pending: list[bytes]) -> _Look:
        """`lstat` each name. Folders are added to `pending` as the key under which their content sorts."""
        kept: list[bytes] = []
        numbers: list[int] = []
        hard: dict[bytes, int] = {}
        keep, add, look, left_out = kept.append, numbers.extend, os.stat, self._left_out
        for name in names:
            try:
                found = look(name, dir_fd=handle, follow_symlinks=False)
            except FileNotFoundError:
                continue  # gone since the folder was read: it is simply not there
            except OSError as problem:
                self._note(join_path(folder, name), problem)
                continue
            mode = found.st_mode
            kind = mode >> 12
            if left_out is not None and left_out(join_path(folder, name), kind == FOLDER):
                continue
            size = found.st_size
            if kind != FILE:
                if kind == FOLDER:
                    size = 0
                    heapq.heappush(pending, name + b"/")
                elif kind != LINK:
                    self.notes.left_out += 1
                    continue
            elif found.st_nlink > 1:
                mode |= HARD
                hard[name] = found.st_dev
            mtime = found.st_mtime_ns
            if not -LARGEST <= mtime <= LARGEST:
                mtime = clamp_ns(mtime)
            keep(name)
            add((found.st_ino & LARGEST, size, mtime, found.st_ctime_ns, mode))
        return kept, numbers, hard


def _unreadable(root: bytes, problem: OSError) -> HomeTrouble:
    return HomeTrouble(
        f"cannot be read: {problem.strerror}", where=path_text(root), advice="check the folder, its owner and its disk"
    )


def _cut(segment: _Look, pending: list[bytes], following: bytes | None) -> Iterator[_Step]:
    """The segment in pieces, with every pending folder at its place among the names."""
    names, numbers, hard = segment
    start = 0
    while pending and (following is None or pending[0] < following):
        key = heapq.heappop(pending)
        place = bisect_left(names, key, start)
        if place > start:
            yield names[start:place], numbers[start * COLUMNS : place * COLUMNS], hard
        yield key[:-1]
        start = place
    if start < len(names):
        yield (names[start:], numbers[start * COLUMNS :], hard) if start else (names, numbers, hard)


def _is_cache(handle: int) -> bool:
    try:
        tag = os.open(CACHE_TAG, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=handle)
    except OSError:
        return False
    try:
        return os.read(tag, len(CACHE_TAG_BYTES)) == CACHE_TAG_BYTES
    except OSError:
        return False
    finally:
        os.close(tag)


def _in_batches(segments: Iterator[tuple[bytes, _Look]]) -> Iterator[Batch]:
    """Joins neighbouring segments of one folder and cuts where a name says so."""
    held: Batch | None = None
    for folder, (names, numbers, hard) in segments:
        cuts = [place for place, name in enumerate(names) if zlib.crc32(name) & SPLIT == 0]
        start = 0
        for end in [*cuts, len(names)]:
            if end > start:
                held, ready = _joined(held, folder, names[start:end], numbers[start * COLUMNS : end * COLUMNS], hard)
                if ready is not None:
                    yield ready
            if end < len(names) and held is not None:
                yield held
                held = None
            start = end
    if held is not None:
        yield held


def _joined(
    held: Batch | None, folder: bytes, names: list[bytes], numbers: list[int], hard: dict[bytes, int]
) -> tuple[Batch, Batch | None]:
    """The batch that now grows, and the one that is finished."""
    if held is not None and held.folder == folder:
        held.names += names
        held.numbers += numbers
        if hard:
            held.hard = held.hard | hard
        return held, None
    return Batch(folder, names, numbers, hard), held
