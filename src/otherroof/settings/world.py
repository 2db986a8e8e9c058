"""Asks the machine whether what the settings name is really there and safe: folders, keys, addresses.

Kept apart from the reader because these answers change without the files changing.
"""

from __future__ import annotations

import os
import stat

from otherroof.errors import WrongSettings
from otherroof.settings.fields import is_documentation
from otherroof.settings.models import Far, Settings
from otherroof.settings.reader import JOBS_FOLDER, MAIN_FILE, Mistake, Parts


def look_around(settings: Settings | Parts) -> list[Mistake]:
    """Every mistake that only a look at this machine can find."""
    main = os.path.join(settings.where, MAIN_FILE)
    mistakes = []
    for name, far in settings.far.items():
        mistakes += _far_mistakes(settings, main, name, far)
    if settings.home is not None and os.path.exists(settings.path(settings.home.listing_key)):
        mistakes += _secret_mistakes(main, "home.listing_key", settings.path(settings.home.listing_key))
    for name, job in settings.jobs.items():
        path = os.path.join(settings.where, JOBS_FOLDER, name + ".toml")
        if not os.path.isdir(job.folder):
            mistakes.append(
                Mistake(
                    path,
                    "folder",
                    f"{job.folder} is not a folder on this machine",
                    "create or mount it, or correct the path",
                )
            )
        if job.before is not None and not os.access(job.before[0], os.X_OK):
            mistakes.append(
                Mistake(path, "before", f"{job.before[0]} cannot be run", "correct the path, or make it executable")
            )
    return mistakes


def require_secret(path: str) -> str:
    """`path`, if it is a file that only its owner can read; raises WrongSettings otherwise."""
    found = _secret_mistakes("", "", path)
    if found:
        raise WrongSettings(found[0].wrong, advice=found[0].right)
    return path


def _far_mistakes(settings: Settings | Parts, main: str, name: str, far: Far) -> list[Mistake]:
    mistakes = []
    if is_documentation(far.address):
        mistakes.append(
            Mistake(
                main,
                f"far.{name}.address",
                f"{far.address} is an address for documentation (RFC 5737, 3849, 9637)",
                "no machine has it; write the far box's own address in the tunnel",
            )
        )
    return mistakes + _secret_mistakes(main, f"far.{name}.login_key", settings.path(far.login_key))


def _secret_mistakes(file: str, key: str, path: str) -> list[Mistake]:
    try:
        found = os.stat(path)
    except FileNotFoundError:
        return [
            Mistake(
                file,
                key,
                f"{path} is not there",
                "make it with `ssh-keygen -t ed25519 -N '' -f` and that path, or correct the path",
            )
        ]
    except OSError as problem:
        return [Mistake(file, key, f"{path} cannot be read: {problem.strerror}", "check its owner and mode")]
    if not stat.S_ISREG(found.st_mode):
        return [Mistake(file, key, f"{path} is not a file", "name the private key itself")]
    if found.st_mode & 0o077:
        return [
            Mistake(
                file,
                key,
                f"{path} can be read by others (mode {found.st_mode & 0o777:04o})",
                f"`chmod 600 {path}`, and make a new key if somebody may have read it",
            )
        ]
    if not os.access(path, os.R_OK):
        return [Mistake(file, key, f"{path} cannot be read by this account", "check its owner")]
    return []
