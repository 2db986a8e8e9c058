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
# The service's own unit lets it write nowhere but in its own folders.
_SERVICE_ADVICE = (
    "the folder under [page] must stand and belong to the service's account, and its unit must let it write there: "
    "`sudo systemctl edit otherroof`, [Service], ReadWritePaths="
)


def write(settings: Settings, ledger: Ledger, clock: Clock, folder: str, extra: WatchInputs | None = None) -> Digest:
    """Write the page into `folder`, which is made if it is missing; returns the digest that it shows.

    A browser sees the old page or the new one, never half of one. Raises HomeTrouble.
    """
    digest, page = _made(settings, ledger, clock, extra)
    with as_root():  # if a person named the folder; the service has no such rights
        make_folder(folder, mode=0o777, advice=_ADVICE)
        _put(page, folder, _ADVICE)
    return digest


def write_by_service(settings: Settings, ledger: Ledger, clock: Clock, extra: WatchInputs) -> None:
    """Write the page where the settings want it, if they do. Makes no folder, since what the service makes only its own
    account can read. Raises HomeTrouble."""
    if settings.told.page is not None:
        _, page = _made(settings, ledger, clock, extra)
        folder = settings.told.page.folder
        _put(page, folder, f"{_SERVICE_ADVICE}{folder}")


def _made(settings: Settings, ledger: Ledger, clock: Clock, extra: WatchInputs | None) -> tuple[Digest, str]:
    digest = digests.make(settings, ledger, clock, extra)
    return digest, as_page(digest, history(settings, ledger, digest.at))


def _put(page: str, folder: str, advice: str) -> None:
    replace_file(os.path.join(folder, PAGE), page, what="the page", advice=advice)
