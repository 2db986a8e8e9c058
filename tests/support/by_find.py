"""A folder as `find` and `sha256sum` see it: two programs that share nothing with the code under test."""

from __future__ import annotations

import subprocess
from pathlib import Path

FORMAT = r"%p\0%y\0%s\0%m\0%T@\0%U\0%G\0%l\0%i\0"
FIELDS = 9

Row = tuple[bytes, ...]


def seen_by_find(folder: Path, *, owners: bool = True) -> dict[bytes, Row]:
    """Every entry below `folder`: kind, size, rights, time to the nanosecond, owner, target, content, and its names."""
    told = _run(["find", ".", "-printf", FORMAT], folder).split(b"\0")[:-1]
    rows = [told[at : at + FIELDS] for at in range(0, len(told), FIELDS)]
    sums = _sums(folder)
    names: dict[bytes, list[bytes]] = {}
    for path, kind, *_, inode in rows:
        if kind == b"f":
            names.setdefault(inode, []).append(path)
    found = {}
    for path, kind, size, rights, time, user, group, target, inode in rows:
        together = b"\n".join(sorted(names.get(inode, ())))
        shown_size = size if kind == b"f" else b""
        shown_rights = b"" if kind == b"l" else rights
        owner = (user, group) if owners else ()
        found[path] = (kind, shown_size, shown_rights, time, *owner, target, sums.get(path, b""), together)
    return found


def _sums(folder: Path) -> dict[bytes, bytes]:
    """SHA-256 of every file, by path."""
    listed = _run(["find", ".", "-type", "f", "-print0"], folder)
    told = subprocess.run(
        ["xargs", "-0", "-r", "sha256sum", "-z", "--"],
        input=listed,
        cwd=folder,
        capture_output=True,
        check=True,
        timeout=300,
    ).stdout
    return {line[66:]: line[:64] for line in told.split(b"\0") if line}


def _run(argv: list[str], folder: Path) -> bytes:
    return subprocess.run(argv, cwd=folder, capture_output=True, check=True, timeout=300).stdout


def unlike(wanted: dict[bytes, Row], found: dict[bytes, Row]) -> list[str]:
    """Every path at which the two differ, with both rows."""
    paths = sorted(path for path in wanted.keys() | found.keys() if wanted.get(path) != found.get(path))
    return [f"{path!r}: {wanted.get(path)} became {found.get(path)}" for path in paths]
