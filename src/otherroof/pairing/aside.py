"""Writes small files so that a cut in the middle leaves either the old file or the new one, never half of one.

A file is written under another name beside its place, synced, and renamed. It knows nothing of what the files
mean; a refusal by the disk is translated into one error that names the file.
"""

from __future__ import annotations

import os
import secrets

from otherroof.errors import HomeTrouble

FOR_OWNER = 0o600
FOR_ALL = 0o644


def write_aside(path: str, content: bytes, mode: int = FOR_ALL) -> None:
    """Put `content` at `path`, in place of what stands there.

    Raises HomeTrouble where the disk or its permissions forbid it.
    """
    try:
        spare = _write_spare(path, content, mode)
        try:
            os.rename(spare, path)
        except OSError:
            os.unlink(spare)
            raise
        _sync_folder(path)
    except OSError as problem:
        raise _trouble(path, problem) from problem


def write_new(path: str, content: bytes, mode: int = FOR_OWNER) -> bool:
    """Put `content` at `path` only if nothing stands there; says whether it did.

    Linking is the form of renaming that never replaces a file, not even one made in this very moment by
    another process. Raises HomeTrouble as `write_aside` does.
    """
    try:
        spare = _write_spare(path, content, mode)
        try:
            os.link(spare, path)
        except FileExistsError:
            return False
        finally:
            os.unlink(spare)
        _sync_folder(path)
    except OSError as problem:
        raise _trouble(path, problem) from problem
    return True


def make_folder(path: str, mode: int = 0o700) -> None:
    """`path` as a folder, with those above it; one that stands keeps its mode. Raises HomeTrouble."""
    try:
        os.makedirs(path, mode=mode, exist_ok=True)
    except OSError as problem:
        raise _trouble(path, problem) from problem


def _write_spare(path: str, content: bytes, mode: int) -> str:
    spare = os.path.join(os.path.dirname(path), f".{os.path.basename(path)}.{secrets.token_hex(4)}.new")
    # The mode is given at creation: there is no instant in which others could open a secret.
    handle = os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        os.unlink(spare)
        raise
    return spare


def _sync_folder(path: str) -> None:
    handle = os.open(os.path.dirname(path) or ".", os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _trouble(path: str, problem: OSError) -> HomeTrouble:
    return HomeTrouble(
        f"cannot be written: {problem.strerror}", where=path, advice="check owner, mode and free space of its folder"
    )
