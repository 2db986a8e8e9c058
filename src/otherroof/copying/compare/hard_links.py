"""Finds names of a file that look unchanged while another name of the same file came or went.

Renaming a folder changes nothing in the files below it, nor in their other hard links elsewhere; yet the entries of
those links name a first path that is gone now. The catalogue is read only if a file with several names differs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from otherroof.base.errors import HomeTrouble
from otherroof.copying.compare.catalogue import Block
from otherroof.copying.compare.compare import Difference
from otherroof.far_copy.numbers import HARD, INODE, MODE, join_path


def unchanged_names_of(
    blocks: Iterable[Block], inodes: set[int], is_planned: Callable[[bytes], bool], device: Callable[[bytes], int]
) -> Iterator[Difference]:
    """The unchanged names of the files with these `inodes`, as differences, so that they are linked again.

    `device` tells the device of a path at home and raises HomeTrouble if it is gone.
    """
    if not inodes:
        return
    for block in blocks:
        if inodes.isdisjoint(block.inodes()):
            continue
        for name, numbers, line in block.items():
            path = join_path(block.folder, name)
            if not numbers[MODE] & HARD or numbers[INODE] not in inodes or is_planned(path):
                continue
            try:
                yield Difference(path, numbers, numbers, line, device(path))
            except HomeTrouble:
                continue  # gone since the scan: the next run meets it
