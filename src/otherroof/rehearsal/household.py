"""Invents a household's folder, the same from the same seed: letters, scans, photos, mail, a database, oddities.

All of it is made up. Contents are random bytes or words out of a short list; names belong to nobody. What the file
system or the account does not allow (extended attributes, other owners) is left out without a word.
"""

from __future__ import annotations

import contextlib
import os
import random
import stat
import struct
from dataclasses import dataclass

_WORDS = (
    "harbour kettle orchard ladder button candle meadow lantern pebble bridge cellar thimble garden window "
    "shelter parcel ribbon winter summer evening morning gather mended carried painted promised borrowed quiet "
    "early late near yonder seldom always we they you and with before after under over the a our their"
)
WORDS = _WORDS.split()
PEOPLE = ("Odalys", "Bertram", "Wenna", "Ysolt", "Caspar", "Tamsin")
YEARS = range(2013, 2020)

DATABASE = b"accounts/household.db"
DATABASE_BYTES = 48_000_000
PAGE = 4096
EPOCH = 1_577_836_800  # 2020-01-01T00:00:00Z, when the invented household's first day ends
DAY_NS = 86_400 * 1_000_000_000

# <linux/posix_acl_xattr.h>: version 2, then (tag, permissions, id) for owner, one user, group, mask, others.
_NOBODY = 0xFFFFFFFF
_ACL = struct.pack(
    "<I" + "HHI" * 5, 2, 0x01, 6, _NOBODY, 0x02, 4, 12_001, 0x04, 4, _NOBODY, 0x10, 4, _NOBODY, 0x20, 0, _NOBODY
)


@dataclass(slots=True)
class HouseholdCounts:
    """What was made: numbers of files (each name counts), folders and symlinks, and bytes of content."""

    files: int = 0
    folders: int = 0
    links: int = 0
    bytes: int = 0


class HouseholdMaker:
    """Makes entries below one folder with times of their own; paths are bytes, relative to it."""

    def __init__(self, folder: str, seed: int) -> None:
        self.folder = os.fsencode(folder)
        # One source for everything, asked in a fixed order: that is what makes it the same household each time.
        self.chance = random.Random(seed)
        self.made = HouseholdCounts()

    def path(self, name: bytes) -> bytes:
        """`name` as the system calls it."""
        return os.path.join(self.folder, name)

    def moment(self) -> int:
        """Some moment in the household's past, in ns since 1970, with a fraction of a second."""
        return (EPOCH - self.chance.randrange(200_000_000)) * 1_000_000_000 + self.chance.randrange(1_000_000_000)

    def text(self, most: int) -> bytes:
        """Lines of words, at most about `most` bytes."""
        count = self.chance.randrange(10, max(11, most // 7))
        words = self.chance.choices(WORDS, k=count)
        return "\n".join(" ".join(words[at : at + 12]) for at in range(0, count, 12)).encode() + b"\n"

    def make_folder(self, name: bytes) -> None:
        """A folder, with those above it."""
        if name and not os.path.isdir(self.path(name)):
            self.make_folder(os.path.dirname(name))
            os.mkdir(self.path(name))
            self.made.folders += 1

    def file(self, name: bytes, content: bytes, mode: int = 0o644) -> None:
        """A file, with the folders above it."""
        self.make_folder(os.path.dirname(name))
        with open(self.path(name), "wb") as file:
            file.write(content)
        self._finish(name, mode)
        self.made.files += 1
        self.made.bytes += len(content)

    def link(self, name: bytes, target: bytes) -> None:
        """A symlink."""
        self.make_folder(os.path.dirname(name))
        os.symlink(target, self.path(name))
        moment = self.moment()
        os.utime(self.path(name), ns=(moment, moment), follow_symlinks=False)
        self.made.links += 1

    def second_name(self, old: bytes, new: bytes) -> None:
        """A hard link."""
        self.make_folder(os.path.dirname(new))
        os.link(self.path(old), self.path(new))
        self.made.files += 1

    def sparse(self, name: bytes, size: int, parts: tuple[int, ...]) -> None:
        """A file that is all hole but for a page at each offset of `parts`."""
        self.make_folder(os.path.dirname(name))
        with open(self.path(name), "wb") as file:
            for part in parts:
                file.seek(part)
                file.write(self.chance.randbytes(PAGE))
            file.truncate(size)
        self._finish(name, 0o600)
        self.made.files += 1
        self.made.bytes += size

    def attribute(self, name: bytes, key: bytes, value: bytes) -> None:
        """An extended attribute, if the file system has them; the file's times stay."""
        with contextlib.suppress(OSError):
            os.setxattr(self.path(name), key, value)

    def settle_times(self, end: int) -> None:
        """Give each folder whose contents changed just now a time before `end` (ns), now that all is in its place."""
        # Whatever is made in a folder changes its time, so folders get theirs last, and inner ones do not touch outer
        # ones.
        now_made = [at for at, _, _ in os.walk(self.folder) if os.stat(at).st_mtime_ns >= end]
        for at in sorted(now_made):
            moment = end - 1 - self.chance.randrange(DAY_NS)
            os.utime(at, ns=(moment, moment))

    def _finish(self, name: bytes, mode: int) -> None:
        moment = self.moment()
        os.chmod(self.path(name), mode)
        os.utime(self.path(name), ns=(moment, moment))


def invent(folder: str, seed: int) -> HouseholdCounts:
    """Fill the empty `folder` with an invented household: some 3,000 files, about 150 MB and a sparse file."""
    maker = HouseholdMaker(folder, seed)
    os.chmod(folder, 0o755)
    _letters(maker)
    _scans(maker)
    _photos(maker)
    _mail(maker)
    _database(maker)
    _settings(maker)
    _oddities(maker)
    _links(maker)
    _rights(maker)
    maker.settle_times(EPOCH * 1_000_000_000)
    return maker.made


def _letters(maker: HouseholdMaker) -> None:
    for number in range(900):
        who = maker.chance.choice(PEOPLE)
        year = maker.chance.choice(YEARS)
        maker.file(f"letters/{year}/to {who} {number:04d}.txt".encode(), maker.text(6000))


def _scans(maker: HouseholdMaker) -> None:
    for number in range(120):
        size = maker.chance.randrange(30_000, 180_000)
        year = maker.chance.choice(YEARS)
        maker.file(f"scans/{year}/receipt-{number:03d}.pdf".encode(), b"%PDF-1.4\n" + maker.chance.randbytes(size))


def _photos(maker: HouseholdMaker) -> None:
    for number in range(260):
        size = int(min(900_000, max(40_000, maker.chance.gauss(230_000, 110_000))))
        year, month = maker.chance.choice(YEARS), maker.chance.randrange(1, 13)
        name = f"photos/{year}/{month:02d}/P{number:05d}.jpg".encode()
        maker.file(name, b"\xff\xd8\xff\xe1" + maker.chance.randbytes(size) + b"\xff\xd9")


def _mail(maker: HouseholdMaker) -> None:
    for number in range(1500):
        box = maker.chance.choice((b"inbox", b"sent", b"household", b"school"))
        flags = maker.chance.choice((b"S", b"RS", b"FS", b""))
        name = b"mail/%s/cur/%d.M%06d.larch:2,%s" % (box, EPOCH - number * 7001, number, flags)
        who = maker.chance.choice(PEOPLE).lower()
        head = f"From: {who}@example.org\nSubject: {maker.chance.choice(WORDS)}\n\n".encode()
        maker.file(name, head + maker.text(5000), 0o600)


def _database(maker: HouseholdMaker) -> None:
    """Like a database file: a head, then pages of which some are full, some half empty, some zero."""
    pages = [b"household store 1\0".ljust(PAGE, b"\0")]
    full = maker.chance.randbytes(DATABASE_BYTES)
    for number in range(1, DATABASE_BYTES // PAGE):
        page = full[number * PAGE : (number + 1) * PAGE]
        kept = (PAGE, PAGE, PAGE, PAGE // 2, 0)[page[0] % 5]
        pages.append(page[:kept].ljust(PAGE, b"\0"))
    maker.file(DATABASE, b"".join(pages), 0o640)


def _settings(maker: HouseholdMaker) -> None:
    for number in range(60):
        maker.file(f"server/settings/{maker.chance.choice(WORDS)}-{number}.conf".encode(), maker.text(900))
    maker.file(b"server/tools/tidy.sh", b"#!/bin/sh\nexit 0\n", 0o755)
    maker.file(b".hidden/.note", b"kept too\n", 0o600)


def _oddities(maker: HouseholdMaker) -> None:
    """Names and contents that programs stumble over."""
    for name in (
        b"two\nlines.txt",
        b"\"quoted\" and 'quoted'.txt",
        b"-rf",
        b" spaces around ",
        b"back\\slash",
        b"tab\there",
        b"semi;colon & $(dollar) `tick`",
        b"not utf-8 \xff\xfe\x80.txt",
        b"latin-1 caf\xe9",
        "Größe – naïve 写真 🏡.txt".encode(),
        "composed é".encode(),
        "decomposed e\u0301".encode(),
        b"CASE",
        b"case",
        b"n" * 255,
        "ü".encode() * 127,
        b"...",
    ):
        maker.file(b"keepsakes/names/" + name, b"content of " + name)
    maker.file(b"keepsakes/empty file", b"")
    maker.file(b"keepsakes/one byte", b"1")
    for size in (PAGE - 1, PAGE, PAGE + 1, 1 << 18, (1 << 18) + 1):
        maker.file(b"keepsakes/sizes/%d" % size, maker.chance.randbytes(size))
    deep = b"/".join(b"level %02d" % level for level in range(30))
    maker.file(b"keepsakes/deep/" + deep + b"/bottom", b"found it\n")
    for name in (b"keepsakes/empty/a/b", b"keepsakes/empty/c", b"keepsakes/empty/new\nline"):
        maker.make_folder(name)
    maker.sparse(b"keepsakes/mostly holes.img", 64 << 20, (0, 5 << 20, (64 << 20) - PAGE))
    maker.sparse(b"keepsakes/all hole.img", 8 << 20, ())


def _links(maker: HouseholdMaker) -> None:
    maker.file(b"keepsakes/links/target", b"target\n")
    for name, target in (
        (b"near", b"target"),
        (b"to folder", b"../names"),
        (b"nowhere", b"gone/long ago"),
        (b"whole", b"/nowhere/else"),
        (b"odd \xff\n", b"\xfe \n target"),
        (b"itself", b"itself"),
    ):
        maker.link(b"keepsakes/links/" + name, target)
    maker.file(b"keepsakes/album/one", maker.chance.randbytes(50_000))
    for name in (b"keepsakes/album/two", b"photos/three", b"same as one"):
        maker.second_name(b"keepsakes/album/one", name)


def _rights(maker: HouseholdMaker) -> None:
    maker.file(b"keepsakes/rights/read only", b"look, do not touch\n", 0o400)
    maker.file(b"keepsakes/rights/described", b"has attributes\n")
    maker.attribute(b"keepsakes/rights/described", b"user.comment", b"from the attic \xff\0\n")
    maker.attribute(b"keepsakes/rights/described", b"user.empty", b"")
    maker.attribute(b"keepsakes/rights", b"user.folder", b"folders have them too")
    maker.file(b"keepsakes/rights/shared", b"has a list of who may read it\n", 0o640)
    maker.attribute(b"keepsakes/rights/shared", b"system.posix_acl_access", _ACL)
    maker.file(b"keepsakes/closed/inside", b"in a folder that cannot be written to\n")
    if os.geteuid() == 0:
        maker.file(b"keepsakes/rights/somebody's", b"another owner's\n")
        os.chown(maker.path(b"keepsakes/rights/somebody's"), 12_001, 12_002)
    os.chmod(maker.path(b"keepsakes/rights"), 0o750)
    # Last of all: nothing can be made in it any more, but by root.
    os.chmod(maker.path(b"keepsakes/closed"), stat.S_IRUSR | stat.S_IXUSR)
