"""The digest as a static page with charts, for a household's own web server."""

from __future__ import annotations

import os

from otherroof.base.accounts import as_root
from otherroof.base.atomic_file import make_folder, replace_file
from otherroof.base.clock import Clock
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
    page = as_page(digest, history(settings, ledger, digest.at))
    with as_root():  # if a person named the folder; the service has no such rights
        make_folder(folder, mode=0o777, advice=_ADVICE)
        replace_file(os.path.join(folder, PAGE), page, what="the page", advice=_ADVICE)
    return digest
