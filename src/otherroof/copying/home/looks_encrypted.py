"""Signs of malicious encryption: content that cannot be compressed, and new file endings. Samples, not proof.

Pure. A run hands in the beginnings of files, and the names that went and came; what the figures mean in the light
of earlier runs is the watch's affair, and whether a run may go on is the guard's.
"""

from __future__ import annotations

import zlib
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from otherroof.copying.report import EncryptionSigns

HEAD = 4096  # bytes of a file's beginning that are looked at
# For zlib: a window as large as HEAD, and tables to match. To clear those that it takes by itself costs more than the
# compressing.
WINDOW_BITS, MEMORY = 12, 6
LEAST = 512  # less than this says nothing
MOST_SAMPLES = 400
NEAR = 16  # how many changed names may lie between a name and the same one with another ending
# Deflate cannot shrink encrypted or already compressed content; text, tables and most documents it halves.
DENSE = 0.95
# How files begin whose kind is compressed anyway: offset, and the bytes that stand there.
COMPRESSED_KINDS = (
    *((0, b"\xff\xd8\xff"), (0, b"\x89PNG"), (0, b"GIF8"), (0, b"RIFF"), (0, b"II*\0"), (0, b"MM\0*")),  # pictures
    *((4, b"ftyp"), (0, b"\x1aE\xdf\xa3"), (0, b"OggS"), (0, b"fLaC"), (0, b"ID3")),  # films and sound
    *((0, b"\xff\xfb"), (0, b"\xff\xf3"), (0, b"\xff\xf2"), (0, b"\0\0\1\xba"), (0, b"\0\0\1\xb3")),
    *((0, b"PK\3\4"), (0, b"%PDF"), (0, b"\x1f\x8b"), (0, b"BZh"), (0, b"\xfd7zXZ"), (0, b"(\xb5/\xfd")),  # packed
    *((0, b"7z\xbc\xaf"), (0, b"Rar!"), (0, b"wOFF"), (0, b"wOF2")),
)


@dataclass(frozen=True, slots=True)
class ChangedHeads:
    """How the content of changed files looks: of `files` that changed so many were `looked` into, so many of these
    look `encrypted`."""

    files: int = 0
    looked: int = 0
    encrypted: int = 0


def cannot_be_compressed(head: bytes) -> bool:
    """Whether the beginning of a file cannot be compressed (RFC 1951, by zlib at its quickest)."""
    deflate = zlib.compressobj(1, zlib.DEFLATED, WINDOW_BITS, MEMORY)
    return len(deflate.compress(head[:HEAD])) + len(deflate.flush()) >= DENSE * len(head[:HEAD])


def looks_encrypted(head: bytes) -> bool:
    """Whether the beginning of a file is noise: it cannot be compressed and is of no kind that never can."""
    if len(head) < LEAST or any(head.startswith(mark, at) for at, mark in COMPRESSED_KINDS):
        return False
    return cannot_be_compressed(head)


def without_ending(path: bytes) -> bytes:
    """`path` without the ending of its last name: `a/b.txt` → `a/b`; a name that is all ending stays."""
    folder, slash, name = path.rpartition(b"/")
    stem, dot, _ = name.rpartition(b".")
    return folder + slash + (stem if dot and stem else name)


def has_new_ending(went: bytes, came: bytes) -> bool:
    """Whether `came` is `went` with one ending more, or with another ending in its place."""
    if went == came:
        return False
    bare = without_ending(came)
    return bare != came and bare in (went, without_ending(went))


def count_new_endings(changes: Iterable[tuple[bytes, bool]]) -> int:
    """How many files went while a file of the same name but for its ending came.

    `changes` are (path, whether it came) in byte order of the path, so that the two names lie near each other.
    """
    went: deque[bytes] = deque(maxlen=NEAR)
    came: deque[bytes] = deque(maxlen=NEAR)
    count = 0
    for path, is_new in changes:
        others, own = (went, came) if is_new else (came, went)
        match = next((other for other in others if has_new_ending(*((other, path) if is_new else (path, other)))), None)
        if match is None:
            own.append(path)
        else:
            others.remove(match)
            count += 1
    return count


class EncryptionSampler:
    """Looks into some of the files that a run reads: into each at first, into ever fewer as they become many."""

    def __init__(self) -> None:
        self._met = 0
        self._every = 1
        self._kept = 0
        self._dense = 0

    def look(self, head: bytes) -> None:
        """The beginning of one new or changed file's content, at least HEAD bytes if it has them."""
        if len(head) < LEAST:
            return
        self._met += 1
        if self._met % self._every:
            return
        self._kept += 1
        self._dense += cannot_be_compressed(head)
        if self._kept % MOST_SAMPLES == 0:
            self._every *= 2

    def signs(self) -> EncryptionSigns:
        """What was seen in contents; of names this knows nothing."""
        return EncryptionSigns(sampled=self._kept, dense=self._dense, endings_changed=0)
