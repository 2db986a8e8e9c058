"""A household's days in its folder: random deeds, with the odd ones that file systems and people are capable of."""

from __future__ import annotations

import mmap
import os
from collections.abc import Callable
from pathlib import Path

from support.random_days import RandomDays

ALBUM = 80  # files that hardly change, so that a day's deeds stay under the guard's limits
ODD_NAMES = (
    b"\xff\xfe",
    b"new\nline",
    b"-rf",
    b" ",
    b"ends with a dot.",
    b"\x1b[31mred",
    b"n" * 255,
    "o\u0308".encode(),
    "\u00f6".encode(),
    b"Photo.jpg",
    b"photo.jpg",
    b"'\"`$;",
)
DEEP = 600  # folders, one in another
HOLES = 4200
REACH = 6  # folders that the random deeds go down
LINKS = (b"../../outside", b"/outside", b"/copies/outside", b"..", b"a", b"\xff\n")


class HouseholdDays(RandomDays):
    """Deeds for the campaign. An album and a log are always there."""

    def __init__(self, folder: Path, seed: int) -> None:
        super().__init__(folder, seed, largest=1_200_000 + 300_000 * (seed % 5))
        self.log = folder / "log"
        self.album = folder / "album"
        self.album.mkdir(parents=True)
        for number in range(ALBUM):
            (self.album / f"{number:03}").write_bytes(b"photo %d " % number * self.dice.randint(1, 400))
        self.log.write_bytes(b"the log begins\n")

    def _entries(self) -> list[Path]:
        """What the random deeds may meet: neither the album nor the log, and nothing that lies very deep."""
        kept = {self.album, self.log}
        found, waiting = [], [(self.folder, 0)]
        while waiting:
            above, depth = waiting.pop()
            with os.scandir(above) as rows:
                for row in rows:
                    path = Path(row.path)
                    if path in kept:
                        continue
                    found.append(path)
                    if row.is_dir(follow_symlinks=False) and depth < REACH:
                        waiting.append((path, depth + 1))
        return sorted(found, key=os.fsencode)

    def pass_day(self) -> None:
        """A day's deeds, and now and then an odd one."""
        self.pass_one(self.dice.randint(3, 12))
        if self.dice.random() < 0.6:
            self.dice.choice(self._ODD_DEEDS)(self)
        if self.dice.random() < 0.3:
            self.grow(self.log, self.dice.randrange(1, 50_000))

    def grow(self, path: Path, size: int) -> None:
        """Append to a file."""
        with path.open("ab") as file:
            file.write(self.dice.randbytes(size))

    def overwrite_quietly(self, path: Path, content: bytes) -> None:
        """Other content of the same size, and the file's time put back."""
        before = path.stat()
        with path.open("r+b") as file:
            file.write(content)
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))

    def encrypt_all(self) -> dict[Path, bytes]:
        """What a blackmailer does: every file of the album overwritten with noise, sizes and times as they were.

        Answers what it held before.
        """
        before = {path: path.read_bytes() for path in sorted(self.album.iterdir())}
        for path, content in before.items():
            self.overwrite_quietly(path, self.dice.randbytes(len(content)))
        return before

    def put_back(self, before: dict[Path, bytes]) -> None:
        """The album as it was."""
        for path, content in before.items():
            self.overwrite_quietly(path, content)

    # -- odd deeds --

    def _odd_name(self) -> None:
        path = Path(os.fsdecode(os.path.join(os.fsencode(self.folder), b"odd", self.dice.choice(ODD_NAMES))))
        self._clear(path)
        path.write_bytes(self.dice.choice(self.contents[:6]))

    def _quietly(self) -> None:
        files = [path for path in self._files() if path.stat().st_size]
        if files:
            path = self.dice.choice(files)
            self.overwrite_quietly(path, self.dice.randbytes(min(path.stat().st_size, 100)))

    def _through_memory(self) -> None:
        files = [path for path in self._files() if path.stat().st_size]
        if files:
            with self.dice.choice(files).open("r+b") as file, mmap.mmap(file.fileno(), 0) as memory:
                memory[: min(len(memory), 60)] = self.dice.randbytes(min(len(memory), 60))

    def _deep(self) -> None:
        path = self.folder.joinpath("deep", *("d",) * self.dice.choice((40, DEEP)))
        path.mkdir(parents=True, exist_ok=True)
        (path / "bottom").write_bytes(self.dice.choice(self.contents[:6]))

    def _holes(self) -> None:
        with (self.folder / "holes").open("wb") as file:
            for number in range(self.dice.choice((3, 3, HOLES))):
                file.seek(number * 8192 + 4096)
                file.write(b"%d" % number)
            file.truncate(file.tell() + self.dice.randrange(200_000))

    def _attribute(self) -> None:
        files = self._files()
        if files:
            name, value = f"user.{self.dice.choice('abc')}", self.dice.randbytes(self.dice.choice((0, 9, 900)))
            try:
                os.setxattr(self.dice.choice(files), name, value)
            except OSError:  # none here, or no room for so many
                return

    def _links_out(self) -> None:
        path = os.path.join(os.fsencode(self.folder), self.dice.choice((b"a", b"b", b"way out")))
        self._clear(Path(os.fsdecode(path)))
        os.symlink(self.dice.choice(LINKS), path)

    def _link_becomes_folder(self) -> None:
        """What pointed out of the job becomes a folder with something in it: nothing may ever be written through."""
        path = self.folder / "way out"
        if path.is_symlink():
            self._clear(path)
            path.mkdir()
            (path / "inside").write_bytes(self.dice.choice(self.contents[:6]))
        else:
            self._links_out()

    def _clear_album_page(self) -> None:
        """A photo goes, another comes."""
        photos = sorted(self.album.iterdir())
        if len(photos) > ALBUM // 2:
            self.dice.choice(photos).unlink()
        (self.album / f"new {self.dice.randrange(20)}").write_bytes(self.dice.choice(self.contents[:6]))

    def _swap_names(self) -> None:
        files = self._files()
        if len(files) > 1:
            first, second = self.dice.sample(files, 2)
            aside = self.folder / "swapped"
            first.rename(aside)
            second.rename(first)
            aside.rename(second)

    _ODD_DEEDS: tuple[Callable[[HouseholdDays], None], ...] = (
        _odd_name,
        _odd_name,
        _quietly,
        _quietly,
        _through_memory,
        _deep,
        _holes,
        _attribute,
        _links_out,
        _link_becomes_folder,
        _link_becomes_folder,
        _clear_album_page,
        _swap_names,
    )
