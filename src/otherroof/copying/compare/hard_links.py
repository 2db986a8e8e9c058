"""Finds names of a file that look unchanged while another name of the same file came or went.

A folder that gets another name changes nothing about the files in it, nor about their further names elsewhere; yet
those must be told anew whose further names they are. Reads the catalogue only where a file with several names differs.
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
    """Each unchanged further name of the files `inodes`, as something to be looked at again.

    `device` tells the device of a path at home and raises HomeTrouble where it is gone.
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
