"""Whether the keys that the settings name are keys: a file of the right mode may still hold something else.

It opens and reads, and shows nothing of what it reads; who may read a key is `settings.machine_checks`' matter.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Mapping

from otherroof.base.errors import WrongSettings
from otherroof.far.session import read_login_key
from otherroof.far_copy.listing_key import read_key
from otherroof.settings import Settings
from otherroof.settings.models import key_paths
from otherroof.settings.reader import MAIN_FILE, Mistake, ReadableSettings
from otherroof.tunnel.keys import read_public_key, require_shared

# What reads a key, by the last word of the setting that names its file.
_READERS: Mapping[str, Callable[[str], object]] = {
    "listing_key": read_key,
    "login_key": read_login_key,
    "key_file": read_public_key,
    "shared_key_file": require_shared,
}


def keys_that_are_none(settings: Settings | ReadableSettings, faulty: Collection[str]) -> list[Mistake]:
    """A mistake for each file that should hold a key and does not; `faulty` are keys of the settings whose files have
    another fault, which is told already."""
    main = os.path.join(settings.where, MAIN_FILE)
    mistakes = []
    for named, path in key_paths(settings.home, settings.far):
        key, full = ".".join(named), settings.path(path)
        # The first run makes the listing key; until then there is none.
        if key in faulty or (named == ("home", "listing_key") and not os.path.exists(full)):
            continue
        try:
            _READERS[named[-1]](full)
        except WrongSettings as problem:
            mistakes.append(Mistake(main, key, f"{problem.where} {problem.what}", problem.advice))
    return mistakes
