"""The weekly digest: gathered, built, shown, and sent also when all is well."""

from __future__ import annotations

import json
from collections.abc import Mapping

from otherroof.base.clock import Clock
from otherroof.ledger import Ledger
from otherroof.ledger.messages import QueuedMessage
from otherroof.settings import Settings
from otherroof.watch.channels import Channel
from otherroof.watch.digest.build import build_digest
from otherroof.watch.digest.gather import gather_digest
from otherroof.watch.digest.render import as_html, as_text, subject
from otherroof.watch.digest.values import Digest
from otherroof.watch.gather import WatchInputs
from otherroof.watch.sending import Delivery, send_due


def make(settings: Settings, ledger: Ledger, clock: Clock, extra: WatchInputs | None = None) -> Digest:
    """The digest of the week that ends now. Raises HomeTrouble if the ledger cannot be used."""
    return build_digest(gather_digest(settings, ledger, clock, extra or WatchInputs()))


def send(
    settings: Settings,
    ledger: Ledger,
    clock: Clock,
    extra: WatchInputs | None = None,
    channels: Mapping[str, Channel] | None = None,
) -> list[Delivery]:
    """Make the digest, note it in the ledger, queue it for every channel that carries it, and send what is due.

    Returns the deliveries tried. A channel that does not take it now gets it later, or a newer one in its place.
    """
    digest = make(settings, ledger, clock, extra)
    facts = json.dumps(digest.as_json(), ensure_ascii=False)
    text, html, line = as_text(digest), as_html(digest), subject(digest)
    posts = tuple(
        QueuedMessage(name, "digest", "digest", digest.at, line, text, html, facts)
        for name, channel in settings.told.channels.items()
        if "digest" in channel.carries
    )
    ledger.digests.note(digest.at, digest.since, digest.verdict != "unsafe", posts)
    return send_due(settings, ledger, clock, channels)


__all__ = ["Digest", "as_html", "as_text", "make", "send", "subject"]
