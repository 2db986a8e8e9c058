"""Whether the keys that the settings name are keys: a file of the right mode may still hold something else.

It opens and reads, and shows nothing of what it reads; who may read a key is `settings.machine_checks`' matter.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator

from otherroof.base.errors import WrongSettings
from otherroof.far.session import read_login_key
from otherroof.far_copy.listing_key import read_key
from otherroof.settings import Settings, WireguardTunnel
from otherroof.settings.reader import MAIN_FILE, Mistake, ReadableSettings
from otherroof.tunnel.keys import read_public_key, require_shared


def keys_that_are_none(settings: Settings | ReadableSettings, faulty: Collection[str]) -> list[Mistake]:
    """A mistake for each file that should hold a key and does not; `faulty` are keys of the settings whose files have
    another fault, which is told already."""
    main = os.path.join(settings.where, MAIN_FILE)
    mistakes = []
    for key, path, read in _key_files(settings):
        if key in faulty:
            continue
        try:
            read(settings.path(path))
        except WrongSettings as problem:
            mistakes.append(Mistake(main, key, f"{problem.where} {problem.what}", problem.advice))
    return mistakes


def _key_files(settings: Settings | ReadableSettings) -> Iterator[tuple[str, str, Callable[[str], object]]]:
    """The setting, its path, and what reads such a key."""
    # The first run makes the listing key; until then there is none.
    if settings.home is not None and os.path.exists(settings.path(settings.home.listing_key)):
        yield "home.listing_key", settings.home.listing_key, read_key
    for name, far in settings.far.items():
        yield f"far.{name}.login_key", far.login_key, read_login_key
        if isinstance(far.tunnel, WireguardTunnel):
            yield f"far.{name}.tunnel.key_file", far.tunnel.key_file, read_public_key
            if far.tunnel.shared_key_file:
                yield f"far.{name}.tunnel.shared_key_file", far.tunnel.shared_key_file, require_shared
