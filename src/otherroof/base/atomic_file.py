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
from otherroof.base.handles import open_folder

FOR_OWNER = 0o600
FOR_ALL = 0o644
ADVICE = "check owner, mode and free space of its folder"


def replace_file(
    path: str, content: str | bytes, mode: int = FOR_ALL, *, what: str = "", advice: str = ADVICE, own: bool = False
) -> None:
    """Put `content` at `path`, in place of what stands there. The new file gets the old one's owner, if we may do that;
    if nothing stands there yet and it is to be its folder's `own`, that of the folder.

    Text is written as UTF-8, with question marks for what cannot be (some file names). Raises HomeTrouble, which says
    that `what` cannot be written.
    """
    with _translated(path, what, advice), _folder_of(path) as folder:
        _through_spare(path, content, mode, os.rename, folder, own=own)


def create_file(path: str, content: str | bytes, *, what: str = "", advice: str = ADVICE, own: bool = False) -> bool:
    """Put `content` at `path`, for its owner alone, if nothing stands there; says whether it did. With `own` it belongs
    to the owner of its folder.

    Raises what `replace_file` raises.

    Linking is the form of renaming that never replaces a file, not even one made in this very moment by another
    process.
    """
    with _translated(path, what, advice), _folder_of(path) as folder:
        try:
            _through_spare(path, content, FOR_OWNER, _linked, folder, own=own)
        except FileExistsError:
            return False
    return True


def rename_over(spare: str, path: str, advice: str = ADVICE) -> None:
    """Rename `spare`, written and synced in the same folder, over `path`, durably. Raises HomeTrouble."""
    with _translated(path, "", advice), _folder_of(path) as folder:
        os.rename(os.path.basename(spare), os.path.basename(path), src_dir_fd=folder, dst_dir_fd=folder)
        os.fsync(folder)


def make_folder(path: str, *, advice: str = ADVICE, mode: int = 0o700) -> None:
    """`path` as a folder, for its owner alone unless another `mode` is given, with those above it; what stands keeps
    its mode. Raises HomeTrouble."""
    with _translated(path, "", advice):
        os.close(open_folder(path, make=mode))


def make_own_folder(path: str, *, advice: str = ADVICE) -> None:
    """`path` as a folder for one account alone, which is that of the folder above, also if root makes it.

    Raises HomeTrouble.
    """
    with _translated(path, "", advice):
        os.close(open_folder(path, make=0o700, own=True))


@contextlib.contextmanager
def _folder_of(path: str) -> Iterator[int]:
    """A handle on the folder of `path`. All that follows goes by it: the folder's owner, or whoever owns the one above,
    may put another in its place at any moment, and root must not go on in that one."""
    handle = open_folder(os.path.dirname(path))
    try:
        yield handle
    finally:
        os.close(handle)


def _through_spare(
    path: str, content: str | bytes, mode: int, settle: Callable[..., None], folder: int, *, own: bool
) -> None:
    # A name that begins with a dot and ends like this is shown by no web server and read by no collector of metrics.
    name = os.path.basename(path)
    spare = f".{name}.{secrets.token_hex(4)}.new"
    # Made for the owner alone: there is no instant in which others could open a secret.
    handle = os.open(spare, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FOR_OWNER, dir_fd=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content.encode("utf-8", "replace") if isinstance(content, str) else content)
            file.flush()
            # Owner first, mode second: until the owner is right, nobody but us may open it. All this is synced before
            # the name is given: a rename may reach the disk earlier than content does, and would leave an empty file
            # after a power cut.
            _leave_to_owner(name, folder, file.fileno(), own=own)
            os.fchmod(file.fileno(), mode)
            os.fsync(file.fileno())
        settle(spare, name, src_dir_fd=folder, dst_dir_fd=folder)
    except BaseException:
        with contextlib.suppress(FileNotFoundError):  # an interrupt may come after the rename
            os.unlink(spare, dir_fd=folder)
        raise
    # A name is content of its folder: without this it may be gone after a power cut.
    os.fsync(folder)


def _linked(spare: str, name: str, *, src_dir_fd: int, dst_dir_fd: int) -> None:
    # If the machine stops between the two, the content has two names; the spare one is never looked at again.
    os.link(spare, name, src_dir_fd=src_dir_fd, dst_dir_fd=dst_dir_fd, follow_symlinks=False)
    os.unlink(spare, dir_fd=src_dir_fd)


def _leave_to_owner(name: str, folder: int, handle: int, *, own: bool) -> None:
    """Give the new file the old one's owner, so that a file replaced by root stays readable for the service."""
    try:
        old = os.stat(name, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        if not own:
            return
        old = os.fstat(folder)
    with contextlib.suppress(PermissionError):  # only root may give files away; then it is ours, as a new one is
        os.fchown(handle, old.st_uid, old.st_gid)


@contextlib.contextmanager
def _translated(path: str, what: str, advice: str) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        said = f"{what} cannot be written" if what else "cannot be written"
        raise HomeTrouble(f"{said}: {problem.strerror}", where=path, advice=advice) from problem
