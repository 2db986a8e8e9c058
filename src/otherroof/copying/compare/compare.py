"""Holds the scan against the catalogue, both streaming in byte order: what is new, different or gone.

Pure: values in, values out. An unchanged block passes as one piece; memory does not grow with the folder.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import cast

from otherroof.copying.compare.catalogue import Block
from otherroof.copying.home.scan import Batch
from otherroof.far_copy.numbers import COLUMNS, FILE, FOLDER, SIZE, Numbers, join_path, kind_of


@dataclass(frozen=True, slots=True)
class UnchangedBlock:
    """A stretch of the folder in which nothing changed."""

    files: int
    size: int


@dataclass(frozen=True, slots=True)
class Difference:
    """One path at which the folder and the catalogue differ. `device` is given for files with several names."""

    path: bytes
    found: Numbers | None
    known: Numbers | None
    line: bytes | None
    device: int = 0


def compare(
    batches: Iterable[Batch], blocks: Iterable[Block], is_blind: Callable[[bytes], bool], *, reread: bool = False
) -> Iterator[UnchangedBlock | Difference]:
    """Yield every difference in byte order of the path, and unchanged stretches as one value each.

    `is_blind` is asked only about paths that the scan has already passed. With `reread` no file passes as the same.
    """
    ours, theirs = _ScanCursor(iter(batches)), _CatalogueCursor(iter(blocks))
    while True:
        if not reread and ours.fresh and theirs.fresh and _alike(ours.batch, theirs.block):
            yield UnchangedBlock(theirs.block.files, theirs.block.size)
            ours.next_batch()
            theirs.next_block()
            continue
        here, there = ours.path, theirs.path
        if here is None and there is None:
            return
        if there is None or (here is not None and here < there):
            yield Difference(cast(bytes, here), ours.numbers, None, None, ours.device)
            ours.step()
        elif here is None or there < here:
            if is_blind(there):
                yield _as_same(theirs.numbers)
            else:
                yield Difference(there, None, theirs.numbers, theirs.line)
            theirs.step()
        else:
            if ours.numbers == theirs.numbers and not (reread and kind_of(ours.numbers) == FILE):
                yield _as_same(theirs.numbers)
            else:
                yield Difference(here, ours.numbers, theirs.numbers, theirs.line, ours.device)
            ours.step()
            theirs.step()


def _alike(batch: Batch, block: Block) -> bool:
    return batch.folder == block.folder and len(batch.names) == block.count and batch.packed() == block.packed


def _as_same(numbers: Numbers) -> UnchangedBlock:
    kind = kind_of(numbers)
    return UnchangedBlock(0 if kind == FOLDER else 1, numbers[SIZE] if kind == FILE else 0)


class _ScanCursor:
    """A cursor over the scan."""

    batch: Batch

    def __init__(self, batches: Iterator[Batch]) -> None:
        self._batches = batches
        self.next_batch()

    @property
    def fresh(self) -> bool:
        """At the beginning of a batch."""
        return self._at == 0 and self.path is not None

    def next_batch(self) -> None:
        batch = next(self._batches, None)
        self._at = 0
        self.path: bytes | None = None
        if batch is not None:
            self.batch = batch
            self.path = batch.first

    @property
    def numbers(self) -> Numbers:
        return cast(Numbers, tuple(self.batch.numbers[self._at * COLUMNS : (self._at + 1) * COLUMNS]))

    @property
    def device(self) -> int:
        return self.batch.hard.get(self.batch.names[self._at], 0) if self.batch.hard else 0

    def step(self) -> None:
        self._at += 1
        if self._at >= len(self.batch.names):
            self.next_batch()
        else:
            self.path = join_path(self.batch.folder, self.batch.names[self._at])


class _CatalogueCursor:
    """A cursor over the catalogue; a block is opened only if it is not passed as a whole."""

    block: Block

    def __init__(self, blocks: Iterator[Block]) -> None:
        self._blocks = blocks
        self.next_block()

    @property
    def fresh(self) -> bool:
        return self._at == 0 and not self._ended

    def next_block(self) -> None:
        block = next(self._blocks, None)
        self._at = 0
        self._items: list[tuple[bytes, Numbers, bytes]] | None = None
        self._ended = block is None
        if block is not None:
            self.block = block

    @property
    def path(self) -> bytes | None:
        return None if self._ended else join_path(self.block.folder, self._item[0])

    @property
    def numbers(self) -> Numbers:
        return self._item[1]

    @property
    def line(self) -> bytes:
        return self._item[2]

    @property
    def _item(self) -> tuple[bytes, Numbers, bytes]:
        if self._items is None:
            self._items = self.block.items()
        return self._items[self._at]

    def step(self) -> None:
        self._at += 1
        if self._items is not None and self._at >= len(self._items):
            self.next_block()
