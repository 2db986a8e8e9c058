"""Writes files in one step: written beside, synced, renamed. A reader sees the old file or the new one, also after a
crash.

Ground floor: it must not know what the files mean. A refusal by the disk is translated into one error that names the
file.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Callable, Iterator

from otherroof.base.errors import HomeTrouble

FOR_OWNER = 0o600
FOR_ALL = 0o644
ADVICE = "check owner, mode and free space of its folder"


def replace_file(
    path: str, content: str | bytes, mode: int = FOR_ALL, *, what: str = "", advice: str = ADVICE, like: str = ""
) -> None:
    """Put `content` at `path`, in place of what stands there. The new file gets the old one's owner, if we may do that;
    if nothing stands there yet, the owner of `like`.

    Text is written as UTF-8, with question marks for what cannot be (some file names). Raises HomeTrouble, which says
    that `what` cannot be written.
    """
    with _translated(path, what, advice):
        _through_spare(path, content, mode, os.rename, like)


def create_file(path: str, content: str | bytes, *, what: str = "", advice: str = ADVICE, like: str = "") -> bool:
    """Put `content` at `path`, for its owner alone, if nothing stands there; says whether it did.

    Raises what `replace_file` raises.

    Linking is the form of renaming that never replaces a file, not even one made in this very moment by another
    process.
    """
    with _translated(path, what, advice):
        try:
            _through_spare(path, content, FOR_OWNER, _linked, like)
        except FileExistsError:
            return False
    return True


def rename_over(spare: str, path: str, advice: str = ADVICE) -> None:
    """Rename `spare`, written and synced in the same folder, over `path`, durably. Raises HomeTrouble."""
    with _translated(path, "", advice):
        os.rename(spare, path)
        _sync_folder(path)


def make_folder(path: str, *, advice: str = ADVICE) -> None:
    """`path` as a folder for its owner alone, with those above it; what stands keeps its mode. Raises HomeTrouble."""
    # Since Python 3.7 the mode is for the last folder only; those above it follow the umask.
    with _translated(path, "", advice):
        os.makedirs(path, mode=0o700, exist_ok=True)


def make_own_folder(path: str, *, advice: str = ADVICE) -> None:
    """`path` as a folder for one account alone, which is that of the folder above, also where root makes it.

    Raises HomeTrouble.
    """
    with _translated(path, "", advice):
        if os.path.isdir(path):
            return
        os.makedirs(path, mode=0o700, exist_ok=True)
        above = os.stat(os.path.dirname(path) or ".")
        with contextlib.suppress(PermissionError):  # only root may give it away
            os.chown(path, above.st_uid, above.st_gid, follow_symlinks=False)


def _through_spare(path: str, content: str | bytes, mode: int, settle: Callable[[str, str], None], like: str) -> None:
    # A name that begins with a dot and ends like this is shown by no web server and read by no collector of metrics.
    spare = os.path.join(os.path.dirname(path), f".{os.path.basename(path)}.{secrets.token_hex(4)}.new")
    # Made for the owner alone: there is no instant in which others could open a secret.
    handle = os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FOR_OWNER)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content.encode("utf-8", "replace") if isinstance(content, str) else content)
            file.flush()
            # Owner first, mode second: until the owner is right, nobody but us may open it. All this is synced before
            # the name is given: a rename may reach the disk earlier than content does, and would leave an empty file
            # after a power cut.
            _leave_to_owner_of(path if os.path.exists(path) else like or path, file.fileno())
            os.fchmod(file.fileno(), mode)
            os.fsync(file.fileno())
        settle(spare, path)
    except BaseException:
        with contextlib.suppress(FileNotFoundError):  # an interrupt may come after the rename
            os.unlink(spare)
        raise
    # A name is content of its folder: without this it may be gone after a power cut.
    _sync_folder(path)


def _linked(spare: str, path: str) -> None:
    # If the machine stops between the two, the content has two names; the spare one is never looked at again.
    os.link(spare, path)
    os.unlink(spare)


def _leave_to_owner_of(path: str, handle: int) -> None:
    """Give the new file the old one's owner, so that a file replaced by root stays readable for the service."""
    with contextlib.suppress(FileNotFoundError):
        old = os.stat(path)
        with contextlib.suppress(PermissionError):  # only root may give files away; then it is ours, as a new one is
            os.fchown(handle, old.st_uid, old.st_gid)


def _sync_folder(path: str) -> None:
    handle = os.open(os.path.dirname(path) or ".", os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def _translated(path: str, what: str, advice: str) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        said = f"{what} cannot be written" if what else "cannot be written"
        raise HomeTrouble(f"{said}: {problem.strerror}", where=path, advice=advice) from problem
