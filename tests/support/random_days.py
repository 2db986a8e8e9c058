"""Random days in a folder: files come, change, move, are copied, linked, become something else. Same seed, same days.

Only names that are used again and again are used, so that deeds meet each other's traces.
"""

from __future__ import annotations

import os
import random
import shutil
from pathlib import Path

NAMES = ("a", "b", "c", "d.txt", "e f", "ä", "z")
DEPTH = 3


class RandomDays:
    """Deeds in `folder`, drawn with `seed`. Contents are drawn from a few, so that many files are alike."""

    def __init__(self, folder: Path, seed: int, *, largest: int = 3_000_000) -> None:
        self.folder = folder
        self.dice = random.Random(seed)
        self.contents = [self.dice.randbytes(size) for size in (0, 1, 900, 900, 40_000, 40_000, largest, largest)]

    def pass_one(self, deeds: int) -> None:
        """One day with so many deeds."""
        for _ in range(deeds):
            self.dice.choice(self._DEEDS)(self)

    def _some_path(self) -> Path:
        depth = self.dice.randint(1, DEPTH)
        return self.folder.joinpath(*(self.dice.choice(NAMES) for _ in range(depth)))

    def _entries(self) -> list[Path]:
        return sorted(self.folder.rglob("*"), key=os.fsencode)

    def _files(self) -> list[Path]:
        return [path for path in self._entries() if path.is_file() and not path.is_symlink()]

    def _clear(self, path: Path) -> None:
        """Make way at `path`: what stands there goes, and so does a file that stands where a folder is needed."""
        for above in reversed(path.relative_to(self.folder).parents[:-1]):
            standing = self.folder / above
            if standing.is_symlink() or standing.is_file():
                standing.unlink()
        if path.is_symlink() or path.is_file():
            path.unlink()
        elif path.is_dir():
            shutil.rmtree(path)
        path.parent.mkdir(parents=True, exist_ok=True)

    def _write(self) -> None:
        path = self._some_path()
        self._clear(path)
        path.write_bytes(self.dice.choice(self.contents))

    def _edit(self) -> None:
        files = self._files()
        if files:
            with self.dice.choice(files).open("r+b") as file:
                file.seek(self.dice.randrange(1_000_000))
                file.write(self.dice.randbytes(40))

    def _move(self) -> None:
        entries = self._entries()
        target = self._some_path()
        if entries:
            source = self.dice.choice(entries)
            if source != target and source not in target.parents and target not in source.parents:
                self._clear(target)
                if os.path.lexists(source):
                    source.rename(target)

    def _copy(self) -> None:
        files = self._files()
        if files:
            content = self.dice.choice(files).read_bytes()
            target = self._some_path()
            self._clear(target)
            target.write_bytes(content)

    def _second_name(self) -> None:
        files = self._files()
        target = self._some_path()
        if files:
            source = self.dice.choice(files)
            if source != target and target not in source.parents and source not in target.parents:
                self._clear(target)
                target.hardlink_to(source)

    def _remove(self) -> None:
        entries = self._entries()
        if len(entries) > 3:
            self._clear(self.dice.choice(entries))

    def _link(self) -> None:
        path = self._some_path()
        self._clear(path)
        path.symlink_to(self.dice.choice(NAMES))

    def _folder(self) -> None:
        path = self._some_path()
        self._clear(path)
        path.mkdir()

    def _rights(self) -> None:
        entries = [path for path in self._entries() if not path.is_symlink()]
        if entries:
            entry, mode = self.dice.choice(entries), self.dice.choice((0o600, 0o644, 0o755, 0o700))
            # Only root gets into a folder that its owner may not enter.
            entry.chmod(mode | 0o100 if entry.is_dir() and os.geteuid() else mode)

    def _time(self) -> None:
        entries = self._entries()
        if entries:
            moment = self.dice.randrange(-(10**18), 2 * 10**18)
            os.utime(self.dice.choice(entries), ns=(moment, moment), follow_symlinks=False)

    _DEEDS = (_write, _write, _write, _edit, _move, _move, _copy, _second_name, _remove, _link, _folder, _rights, _time)
