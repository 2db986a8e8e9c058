"""What a day does to the invented household: edits, moves, removals, copies, rights, and a hostile name.

The same seed does the same to the same folder. It stays well below what the guard lets pass;
`empty_main_folders` does not.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass

from otherroof.rehearsal.household import DATABASE, DAY_NS, EPOCH, PAGE, HouseholdMaker

HOSTILE_NAME = b"; rm -rf $HOME; `reboot` \"'\n\x1b[31m..\xff"
EDITS = 12
INSERTED = b"seven new bytes"


@dataclass(slots=True)
class DayChanges:
    """What was done, in names of files."""

    new: int = 0
    edited: int = 0
    moved: int = 0
    removed: int = 0
    copied: int = 0
    touched: int = 0
    rights: int = 0


def change_like_a_day(folder: str, seed: int) -> DayChanges:
    """Change the household in `folder`, as `invent` made it, the way one day does."""
    maker = HouseholdMaker(folder, seed)
    changes = DayChanges()
    _edit_database(maker, changes)
    _edit_letters(maker, changes)
    _move(maker, changes)
    _remove(maker, changes)
    _add(maker, changes)
    _change_kinds(maker, changes)
    _change_rights(maker, changes)
    maker.settle_times(EPOCH * 1_000_000_000 + DAY_NS)
    return changes


def empty_main_folders(folder: str) -> int:
    """Empty the mail store and the letters, as a slip or a thief would; how many files went."""
    gone = 0
    for name in (b"mail", b"letters"):
        path = os.path.join(os.fsencode(folder), name)
        gone += sum(len(files) for _, _, files in os.walk(path))
        shutil.rmtree(path)
    return gone


def _later(maker: HouseholdMaker) -> int:
    return EPOCH * 1_000_000_000 + maker.chance.randrange(DAY_NS)


def _rewrite(maker: HouseholdMaker, name: bytes, content: bytes) -> None:
    """New content in an existing file, at some time of the day."""
    with open(maker.path(name), "r+b") as file:
        file.write(content)
        file.truncate()
    _touch(maker, name)


def _touch(maker: HouseholdMaker, name: bytes) -> None:
    moment = _later(maker)
    os.utime(maker.path(name), ns=(moment, moment), follow_symlinks=False)


def _names(maker: HouseholdMaker, below: bytes) -> list[bytes]:
    """All files below a folder, in byte order."""
    found = []
    for at, _, files in os.walk(maker.path(below)):
        found += [os.path.relpath(os.path.join(at, name), maker.folder) for name in files]
    return sorted(found)


def _edit_database(maker: HouseholdMaker, changes: DayChanges) -> None:
    """About one part in a hundred, in scattered places, and a few bytes put in near the start: all behind it moves."""
    with open(maker.path(DATABASE), "rb") as file:
        content = bytearray(file.read())
    for _ in range(EDITS):
        place = maker.chance.randrange(PAGE, len(content) - 18 * PAGE)
        piece = maker.chance.randbytes(maker.chance.randrange(2 * PAGE, 18 * PAGE))
        content[place : place + len(piece)] = piece
    content[PAGE + 17 : PAGE + 17] = INSERTED
    _rewrite(maker, DATABASE, bytes(content))
    changes.edited += 1


def _edit_letters(maker: HouseholdMaker, changes: DayChanges) -> None:
    letters = maker.chance.sample(_names(maker, b"letters"), 30)
    for name in letters[:10]:
        _rewrite(maker, name, maker.text(6000))
    for name in letters[10:20]:
        size = os.stat(maker.path(name)).st_size
        _rewrite(maker, name, maker.chance.randbytes(size))
    changes.edited += 20
    for name in letters[20:30]:
        _touch(maker, name)
    changes.touched += 10


def _move(maker: HouseholdMaker, changes: DayChanges) -> None:
    """A folder gets another name, mails change their flags, and two files change places."""
    busiest = max((len(_names(maker, b"photos/2017/%02d" % month)), month) for month in range(1, 13))[1]
    old, new = b"photos/2017/%02d" % busiest, b"photos/2017/at the lake"
    changes.moved += len(_names(maker, old))
    os.rename(maker.path(old), maker.path(new))
    mails = [name for name in _names(maker, b"mail") if name.endswith(b":2,")][:40]
    for name in mails:
        os.rename(maker.path(name), maker.path(name + b"S"))
    changes.moved += len(mails)
    first, second = _names(maker, b"scans")[:2]
    os.rename(maker.path(first), maker.path(b"scans/aside"))
    os.rename(maker.path(second), maker.path(first))
    os.rename(maker.path(b"scans/aside"), maker.path(second))
    changes.moved += 2


def _remove(maker: HouseholdMaker, changes: DayChanges) -> None:
    for name in maker.chance.sample(_names(maker, b"letters"), 12):
        os.unlink(maker.path(name))
        changes.removed += 1
    changes.removed += len(_names(maker, b"scans/2014"))
    shutil.rmtree(maker.path(b"scans/2014"))


def _add(maker: HouseholdMaker, changes: DayChanges) -> None:
    for number in range(12):
        maker.file(b"photos/2019/today/P9%04d.jpg" % number, maker.chance.randbytes(200_000))
    for number in range(25):
        maker.file(b"mail/inbox/cur/%d.M9%05d.larch:2," % (EPOCH + number, number), maker.text(4000), 0o600)
    maker.file(b"keepsakes/names/" + HOSTILE_NAME, b"harmless inside\n")
    changes.new += 38
    old = _names(maker, b"photos/2019")[0]
    with open(maker.path(old), "rb") as file:
        maker.file(b"keepsakes/best of " + os.path.basename(old), file.read())
    changes.copied += 1
    with open(maker.path(b"keepsakes/mostly holes.img"), "r+b") as file:
        file.seek(33 << 20)
        file.write(maker.chance.randbytes(PAGE))
    _touch(maker, b"keepsakes/mostly holes.img")
    changes.edited += 1


def _change_kinds(maker: HouseholdMaker, changes: DayChanges) -> None:
    """A file becomes a folder, an empty folder a file, a link points elsewhere, a hard link is cut loose."""
    os.unlink(maker.path(b"keepsakes/one byte"))
    maker.file(b"keepsakes/one byte/is a folder now", b"2")
    os.rmdir(maker.path(b"keepsakes/empty/c"))
    maker.file(b"keepsakes/empty/c", b"no folder any more\n")
    os.unlink(maker.path(b"keepsakes/links/near"))
    maker.link(b"keepsakes/links/near", b"../album/two")
    os.unlink(maker.path(b"keepsakes/album/two"))
    maker.file(b"keepsakes/album/two", b"on its own now\n")
    changes.new += 2
    changes.edited += 1
    changes.removed += 1


def _change_rights(maker: HouseholdMaker, changes: DayChanges) -> None:
    os.chmod(maker.path(b"server/tools/tidy.sh"), 0o700)
    os.chmod(maker.path(b"server/settings"), 0o700)
    maker.attribute(b"keepsakes/rights/described", b"user.comment", b"from the cellar")
    changes.rights += 3
