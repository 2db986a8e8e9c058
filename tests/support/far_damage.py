"""Damage done to a job's far folder on this machine, of every kind, at places that a seed chooses."""

from __future__ import annotations

import os
import random
from dataclasses import dataclass, field
from pathlib import Path

KINDS = ("bit", "short", "longer", "zeros", "missing", "swapped", "other", "folder", "link")


@dataclass
class FarDamages:
    """What was done: `spoilt` are names of far files that are not what they should be, `extra` such as were added."""

    far: Path
    chance: random.Random
    spoilt: set[bytes] = field(default_factory=set)
    extra: set[bytes] = field(default_factory=set)
    kinds: dict[str, int] = field(default_factory=dict)

    def files(self) -> list[bytes]:
        """Every far file that belongs to a version, its name as seen from the job's folder, that is not spoilt yet."""
        found = []
        for part in ("latest", "earlier"):
            for folder, _, names in os.walk(self.far / part):
                for name in names:
                    path = os.path.join(folder, name)
                    if os.path.isfile(path) and not os.path.islink(path):
                        found.append(os.fsencode(os.path.relpath(path, self.far)))
        return sorted(set(found) - self.spoilt - self.extra)

    def spoil(self, places: int) -> None:
        """Spoil so many files, each in one of the ways."""
        while len(self.spoilt) < places:
            self.spoil_one(self.chance.choice(KINDS))

    def spoil_one(self, kind: str) -> None:
        """Spoil one file, or two if they are swapped."""
        files = self.files()
        name = self.chance.choice(files)
        content = self._at(name).read_bytes()
        if kind == "swapped":
            other = next((one for one in self._shuffled(files) if self._at(one).read_bytes() != content), None)
            assert other is not None
            theirs = self._at(other).read_bytes()
            self._write(name, theirs)
            self._write(other, content)
            self.spoilt |= {name, other}
        else:
            self._spoil(kind, name, content)
            self.spoilt.add(name)
        self.kinds[kind] = self.kinds.get(kind, 0) + 1

    def _spoil(self, kind: str, name: bytes, content: bytes) -> None:
        path = self._at(name)
        if kind == "missing":
            path.unlink()
        elif kind in ("folder", "link"):
            path.unlink()
            if kind == "folder":
                path.mkdir()
            else:
                path.symlink_to("/etc/hostname")
        elif kind == "other":
            self._write(name, self.chance.randbytes(len(content) + 1))
        else:
            self._write(name, self._spoilt(kind, content))

    def _spoilt(self, kind: str, content: bytes) -> bytes:
        if not content or kind == "longer":
            return content + b"x"
        if kind == "short":
            return content[: self.chance.randrange(len(content))]
        at = self.chance.randrange(len(content))
        if kind == "zeros" and any(content[at:]):
            return content[:at] + bytes(len(content) - at)
        return content[:at] + bytes([content[at] ^ 1 << self.chance.randrange(8)]) + content[at + 1 :]

    def add_extra(self, count: int) -> None:
        """Files that nobody sent."""
        for number in range(count):
            part = self.chance.choice([b"latest", b"earlier"])
            above = self.far / os.fsdecode(part)
            if part == b"earlier":
                above = self.chance.choice(sorted(above.iterdir()))
            path = above / f"nobody's {number}"
            path.write_bytes(b"who sent this?")
            self.extra.add(os.fsencode(os.path.relpath(path, self.far)))

    def _at(self, name: bytes) -> Path:
        return self.far / os.fsdecode(name)

    def _write(self, name: bytes, content: bytes) -> None:
        """A file of its own: a second name of the same file is another place, and stays as it was."""
        path = self._at(name)
        mode = path.stat().st_mode if path.exists() else 0o644
        aside = path.with_name(path.name[:100] + ".new")
        aside.write_bytes(content)
        os.chmod(aside, mode)
        os.replace(aside, path)

    def _shuffled(self, files: list[bytes]) -> list[bytes]:
        return self.chance.sample(files, len(files))


def fingerprint(far: Path) -> dict[bytes, tuple[int, int, int, bytes]]:
    """Of every far file: inode, size, time of change, content."""
    found = {}
    for part in ("latest", "earlier", "runs"):
        for folder, _, names in os.walk(far / part):
            for name in names:
                path = os.path.join(folder, name)
                if os.path.isfile(path) and not os.path.islink(path):
                    seen = os.stat(path)
                    with open(path, "rb") as file:
                        content = file.read()
                    key = os.fsencode(os.path.relpath(path, far))
                    found[key] = (seen.st_ino, seen.st_size, seen.st_mtime_ns, content)
    return found
