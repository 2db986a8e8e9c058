"""Invented trees for property tests: paths of awkward names, and what the scan would see of them."""

from __future__ import annotations

import stat
from dataclasses import dataclass

from hypothesis import strategies as st

from otherroof.copying.compare.catalogue import Block
from otherroof.copying.compare.fold import make_block
from otherroof.copying.home.scan import Batch, starts_new_batch
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.numbers import Numbers

# Names that sort before and after the slash, prefixes of each other, and one at which a batch is cut.
CUTS = next(name for name in (b"cut%d" % number for number in range(100_000)) if starts_new_batch(name))
NAMES = (b"a", b"a.b", b"a-", b"ab", b"a0", b"b", b"\xff\xfe", b"\n", b"' \"", b"z" * 255, CUTS)
FILE, FOLDER, LINK = stat.S_IFREG, stat.S_IFDIR, stat.S_IFLNK

Tree = dict[bytes, Numbers]


@dataclass(frozen=True)
class Things:
    """What stands at a path; a folder has things below it."""

    numbers: Numbers
    below: dict[bytes, Things]


def numbers(kind: int) -> st.SearchStrategy[Numbers]:
    """Five numbers of an entry; few values, so that some are alike."""
    small = st.integers(1, 3)
    size = st.just(0) if kind == FOLDER else small
    return st.builds(lambda ino, size, mtime, ctime: (ino, size, mtime, ctime, kind | 0o644), small, size, small, small)


def _things(below: st.SearchStrategy[Things]) -> st.SearchStrategy[Things]:
    children = st.dictionaries(st.sampled_from(NAMES), below, max_size=5)
    return st.builds(Things, numbers(FOLDER), children)


leaves = st.one_of(st.builds(Things, numbers(FILE), st.just({})), st.builds(Things, numbers(LINK), st.just({})))
things = st.recursive(leaves, _things, max_leaves=25)
trees = st.dictionaries(st.sampled_from(NAMES), things, max_size=6).map(lambda top: flat(top))  # noqa: PLW0108 - defined below


def flat(things_below: dict[bytes, Things], above: bytes = b"") -> Tree:
    """Path → numbers."""
    found: Tree = {}
    for name, thing in things_below.items():
        path = above + b"/" + name if above else name
        found[path] = thing.numbers
        found |= flat(thing.below, path)
    return found


def line_of(path: bytes, five: Numbers) -> bytes:
    """The line that a listing would hold; the digest tells which content it is."""
    kind = "folder" if stat.S_ISDIR(five[4]) else "link" if stat.S_ISLNK(five[4]) else "file"
    entry = Entry(path, kind, five[1], five[2], five[4] & 0o7777, 0, 0)  # type: ignore[arg-type]
    entry.digest = bytes([five[1]]) * 32 if kind == "file" else b""
    entry.target = b"target" if kind == "link" else b""
    return entry.line().encode()


def cut_up(tree: Tree) -> list[list[bytes]]:
    """Paths in byte order, in stretches of one folder's neighbours, cut where a name says so: the rule, spelt out."""
    stretches: list[list[bytes]] = []
    for path in sorted(tree):
        folder, _, name = path.rpartition(b"/")
        goes_on = stretches and stretches[-1][0].rpartition(b"/")[0] == folder and not starts_new_batch(name)
        if goes_on:
            stretches[-1].append(path)
        else:
            stretches.append([path])
    return stretches


def batches_of(tree: Tree) -> list[Batch]:
    """The tree as the scan gives it."""
    return [
        Batch(
            paths[0].rpartition(b"/")[0],
            [path.rpartition(b"/")[2] for path in paths],
            [number for path in paths for number in tree[path]],
        )
        for paths in cut_up(tree)
    ]


def blocks_of(tree: Tree) -> list[Block]:
    """The tree as the catalogue holds it."""
    return [
        make_block(
            paths[0].rpartition(b"/")[0],
            [(path.rpartition(b"/")[2], tree[path], line_of(path, tree[path])) for path in paths],
        )
        for paths in cut_up(tree)
    ]
