"""Where the indexes lie, and which one may be believed: its name is a keyed digest of what it holds.

The digest is under the key of the listings, so that an index is worth as much as the listings that it was made of: one
that a disk has spoilt, or somebody has changed, is not found at all, and made anew. It must not know what is in it.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from otherroof.base.atomic_file import make_folder
from otherroof.base.errors import HomeTrouble
from otherroof.base.handles import open_plain_file
from otherroof.far_copy.listing_key import ListingKey
from otherroof.restore.finding.index_db import FORMAT

_BLOCK = 1024 * 1024
_END = ".index"
_UNDER_WAY = ".new"
_LITTER_S = 24 * 3600.0  # what is being written for so long has been left by somebody who was killed
_ADVICE = "check that the state folder can be written by this account and that its disk is not full"


class IndexStore:
    """The indexes of one job in `folder`, which may be removed at any time."""

    def __init__(self, folder: str, job: str, key: ListingKey) -> None:
        self._folder = folder
        self._job = job
        self._key = key
        self._ours = re.compile(re.escape(job) + r"\.[0-9a-f]{64}" + re.escape(_END))

    def found(self) -> str:
        """The path of the index that may be believed; empty if there is none."""
        for name in self._names():
            path = os.path.join(self._folder, name)
            with suppress(OSError):  # what cannot be read is made anew
                if name == self._proper_name(path):
                    return path
        return ""

    @contextmanager
    def anew(self, old: str) -> Iterator[str]:
        """The path of a copy of `old` (or of nothing yet) to be written into; `publish` makes it count.

        Raises HomeTrouble if this machine cannot take it.
        """
        make_folder(self._folder, advice=_ADVICE)
        self._sweep()
        path = os.path.join(self._folder, f"{self._job}.{secrets.token_hex(4)}{_UNDER_WAY}")
        try:
            if old:
                shutil.copyfile(old, path)
            yield path
        except OSError as problem:
            raise HomeTrouble(f"cannot be written: {problem.strerror}", where=path, advice=_ADVICE) from problem
        finally:
            with suppress(OSError):  # litter at worst; published, it has gone from here
                os.unlink(path)

    def publish(self, path: str) -> str:
        """Let the index at `path` count, in place of all others of this job; its path from now on."""
        # Not synced: after a power cut what is not whole has not the digest that its name says.
        before = self._names()
        name = self._proper_name(path)
        os.rename(path, os.path.join(self._folder, name))
        for other in before:
            if other != name:
                with suppress(OSError):  # tried again next time
                    os.unlink(os.path.join(self._folder, other))
        return os.path.join(self._folder, name)

    def _sweep(self) -> None:
        """Remove what was begun a day ago, with what the database laid beside it."""
        litter = re.compile(re.escape(self._job) + r"\.[0-9a-f]{8}" + re.escape(_UNDER_WAY) + "(-.*)?")
        for name in filter(litter.fullmatch, os.listdir(self._folder)):
            path = os.path.join(self._folder, name)
            with suppress(OSError):  # tried again next time
                if time.time() - os.lstat(path).st_mtime > _LITTER_S:
                    os.unlink(path)

    def _names(self) -> list[str]:
        try:
            return [name for name in os.listdir(self._folder) if self._ours.fullmatch(name)]
        except OSError:
            return []

    def _proper_name(self, path: str) -> str:
        """The only name under which what lies at `path` is believed."""
        mac = self._key.index_mac()
        # The job and the format too: another job's index, or one of other tables, is as true, but not what is asked.
        mac.update(f"{self._job}\n{FORMAT}\n".encode())
        with open_plain_file(path) as file:
            while block := file.read(_BLOCK):
                mac.update(block)
        return f"{self._job}.{mac.hexdigest()}{_END}"
