"""A sink for what is read from the far box: a file of this machine. It must not know what is in it."""

from __future__ import annotations

import os

from otherroof.base.errors import HomeTrouble


class LocalFileSink:
    """Writes what comes into a local file, in a folder that is made if need be; `new`: it must not be there yet.

    `what` it is, for people. Raises HomeTrouble if this disk cannot take it.
    """

    def __init__(self, path: str, what: str, *, new: bool = False) -> None:
        self._path = path
        self._what = what
        try:
            os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
            self._file = open(path, "xb" if new else "wb", buffering=0)  # noqa: SIM115 - closed by `close`
        except OSError as problem:
            raise self._trouble(problem) from problem

    def take(self, data: bytes) -> None:
        """More bytes, in order."""
        left = memoryview(data)
        try:
            while left:
                left = left[self._file.write(left) :]
        except OSError as problem:
            raise self._trouble(problem) from problem

    def close(self) -> None:
        """The file stays as far as it came."""
        self._file.close()

    def _trouble(self, problem: OSError) -> HomeTrouble:
        return HomeTrouble(
            f"{self._what} cannot be written here: {problem.strerror}",
            where=self._path,
            advice="check that this folder can be written by this account and that its disk is not full",
        )
