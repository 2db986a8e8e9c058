"""Folds what a run did into the catalogue: old blocks and notes, both in order of the path, give new blocks.

Pure and streaming. A block that no note touches passes as it is; blocks are cut where the scan cuts its batches,
so that the next comparison can pass them whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from otherroof.copying.compare.catalogue import Block
from otherroof.copying.compare.change import DONE, PlannedChange
from otherroof.copying.home.scan import starts_new_batch
from otherroof.far_copy.listing import gzip_member
from otherroof.far_copy.numbers import FILE, FOLDER, SIZE, Numbers, join_path, kind_of, pack_batch

Item = tuple[bytes, Numbers, bytes]  # name, numbers, line


def fold(blocks: Iterable[Block], notes: Iterator[PlannedChange]) -> Iterator[Block]:
    """The blocks as they are after a run.

    A change that was carried out decides about its path; otherwise the old entry stays.
    """
    builder = _Builder()
    note = next(notes, None)
    for block in blocks:
        while note is not None and note.path < block.first:
            yield from builder.take_note(note, None)
            note = next(notes, None)
        if note is None or note.path > block.last:
            yield from builder.take_block(block)
            continue
        for item in block.items():
            path = join_path(block.folder, item[0])
            while note is not None and note.path < path:
                yield from builder.take_note(note, None)
                note = next(notes, None)
            if note is not None and note.path == path:
                yield from builder.take_note(note, item)
                note = next(notes, None)
            else:
                yield from builder.take_item(block.folder, item)
    while note is not None:
        yield from builder.take_note(note, None)
        note = next(notes, None)
    yield from builder.flush()


def make_block(folder: bytes, items: list[Item]) -> Block:
    """Items of one folder as a block."""
    names = [name for name, _, _ in items]
    numbers = [number for _, five, _ in items for number in five]
    text = b"".join(line + b"\n" for _, _, line in items)
    kinds = [(kind_of(five), five[SIZE]) for _, five, _ in items]
    return Block(
        folder=folder,
        count=len(items),
        files=sum(1 for kind, _ in kinds if kind != FOLDER),
        size=sum(size for kind, size in kinds if kind == FILE),
        packed=pack_batch(names, numbers),
        lines=gzip_member(text),
    )


class _Builder:
    """Gathers neighbours of one folder; holds back the newest block, since the next item may belong to it."""

    def __init__(self) -> None:
        self._folder = b""
        self._items: list[Item] = []
        self._held: Block | None = None

    def take_note(self, note: PlannedChange, item: Item | None) -> Iterator[Block]:
        folder, _, name = note.path.rpartition(b"/")
        if note.state == DONE:
            if note.want and note.line is not None and note.numbers is not None:
                yield from self.take_item(folder, (name, note.numbers, note.line))
        elif note.had and item is not None:
            yield from self.take_item(folder, item)

    def take_item(self, folder: bytes, item: Item) -> Iterator[Block]:
        if not self._goes_on(folder, item[0]):
            yield from self.flush()
            self._folder = folder
        elif self._held is not None:
            self._items, self._held = self._held.items(), None
        self._items.append(item)

    def take_block(self, block: Block) -> Iterator[Block]:
        if self._goes_on(block.folder, block.first_name):
            for item in block.items():
                yield from self.take_item(block.folder, item)
            return
        yield from self.flush()
        self._folder, self._held = block.folder, block

    def flush(self) -> Iterator[Block]:
        if self._held is not None:
            yield self._held
        elif self._items:
            yield make_block(self._folder, self._items)
        self._items, self._held = [], None

    def _goes_on(self, folder: bytes, name: bytes) -> bool:
        """Whether this name belongs to the block that is being gathered."""
        busy = self._held is not None or bool(self._items)
        return busy and folder == self._folder and not starts_new_batch(name)
