"""The digest as a static page with charts, for a household's own web server."""

from __future__ import annotations

import os

from otherroof.base.atomic_file import replace_file
from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble
from otherroof.ledger import Ledger
from otherroof.settings import Settings
from otherroof.watch import digest as digests
from otherroof.watch.digest.values import Digest
from otherroof.watch.gather import WatchInputs
from otherroof.watch.page.history import history
from otherroof.watch.page.render import as_page

PAGE = "index.html"
_ADVICE = "name a folder that this account can write in"


def write(settings: Settings, ledger: Ledger, clock: Clock, folder: str, extra: WatchInputs | None = None) -> Digest:
    """Write the page into `folder`, which is made if it is missing; returns the digest that it shows.

    A browser sees the old page or the new one, never half of one. Raises HomeTrouble.
    """
    digest = digests.make(settings, ledger, clock, extra)
    try:
        os.makedirs(folder, exist_ok=True)
    except OSError as problem:
        raise HomeTrouble(f"cannot be made: {problem.strerror}", where=folder, advice=_ADVICE) from problem
    page = as_page(digest, history(settings, ledger, digest.at))
    replace_file(os.path.join(folder, PAGE), page, what="the page", advice=_ADVICE)
    return digest
