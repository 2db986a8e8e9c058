"""Small disks for the lab: in memory, of a given size, read-only on demand; and an image to be spoiled from below."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from support.lab.commands import call
from support.lab.ownership import Estate


@contextmanager
def memory_disk(path: Path, size: str, options: str = "") -> Iterator[Path]:
    """A file system in memory at `path`, of `size` as mount(8) takes it. Root only."""
    path.mkdir(parents=True, exist_ok=True)
    with Estate() as estate:
        estate.note("mount", path=str(path))
        more = f",{options}" if options else ""
        call(["mount", "-t", "tmpfs", "-o", f"size={size}{more}", "otherroof-lab", str(path)])
        yield path


def make_read_only(path: Path) -> None:
    """The disk at `path` takes no more writes."""
    call(["mount", "-o", "remount,ro", str(path)])


def make_writable(path: Path) -> None:
    """It takes them again."""
    call(["mount", "-o", "remount,rw", str(path)])


class ImageDisk:
    """An ext4 file system in a file, mounted at `path` on entry. Root only."""

    def __init__(self, path: Path, image: Path) -> None:
        self.path, self.image = path, image
        self._estate = Estate()

    def __enter__(self) -> ImageDisk:
        self.path.mkdir(parents=True, exist_ok=True)
        with self.image.open("wb") as file:
            file.truncate(16 * 1024 * 1024)
        call(["mkfs.ext4", "-q", "-F", "-O", "^has_journal", str(self.image)])
        self._estate.note("mount", path=str(self.path))
        call(["mount", "-o", "loop,noatime", str(self.image), str(self.path)])
        return self

    def __exit__(self, *_: object) -> None:
        self._estate.release()

    def spoil(self, old: bytes, new: bytes) -> int:
        """Change bytes on the disk below the file system, as a dying disk does; answers how often they stood there.

        It stays mounted: another process may be in a mount namespace of its own, and hold it there for a while.
        """
        assert len(old) == len(new)
        call(["sync", "-f", str(self.path)])
        content = self.image.read_bytes()
        with self.image.open("r+b") as image:
            for found in re.finditer(re.escape(old), content):
                os.pwrite(image.fileno(), new, found.start())
        for path in self.path.rglob("*"):
            if path.is_file():
                with path.open("rb") as file:  # what was read before is read from the disk again
                    os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        return content.count(old)
