"""A stand-in whose disk takes several names for one, as exFAT, FAT and the usual file systems of other makers do."""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path

from otherroof.rehearsal.far_box.confined import ConfinedFolder, ResolvedPath
from support.main_job import StandInDoor


def folded(name: bytes) -> str:
    """What such a disk compares: no capital letters, one way to write each letter, no dots or spaces at the end."""
    text = name.decode("utf-8", "surrogateescape")
    return unicodedata.normalize("NFC", text).casefold().rstrip(". ") or text


class FoldingFolder(ConfinedFolder):
    """Finds a name under which something stands that it takes for the same."""

    def __init__(self, folder: str) -> None:
        super().__init__(folder)
        self._real = os.fsencode(folder)

    def find(self, path: bytes, *, follow: bool) -> ResolvedPath:
        parts: list[bytes] = []
        for part in path.split(b"/"):
            parts.append(
                self._standing(b"/".join([self._real, *parts]), part) if part not in (b"", b".", b"..") else part
            )
        return super().find(b"/".join(parts), follow=follow)

    def _standing(self, folder: bytes, name: bytes) -> bytes:
        try:
            names = os.listdir(folder)
        except OSError:
            return name
        if name in names:
            return name
        return next((other for other in names if folded(other) == folded(name)), name)


def fold_names(door: StandInDoor) -> None:
    """From now on the door's disk folds names."""
    old = door.box._folder
    door.box._folder = FoldingFolder(str(Path(door.base_path).parent))
    old.close()
