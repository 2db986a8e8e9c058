"""Takes what waits in the ledger to the channels, with growing pauses for a channel that does not take it.

A message is claimed before it is handed over, so that two processes do not both send it. If this process dies
between the handing over and the note of it, the message goes out once more, with the same id.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from otherroof.clock import Clock
from otherroof.errors import OtherroofError
from otherroof.ledger import Ledger
from otherroof.ledger.post import Post
from otherroof.settings import Settings
from otherroof.watch.channels import Channel, Message, channels_of

# Minutes from one try of a channel to the next; the last one stays.
PAUSES_MIN = (1, 5, 15, 60, 240, 360)
# Longer than any channel may take; if this process dies meanwhile, the message is tried again after it.
CLAIM = timedelta(minutes=15)

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Delivery:
    """One try to hand a message over. `problem` is empty when all went well."""

    channel: str
    kind: str
    about: str
    subject: str
    sent: bool
    problem: str = ""


def pause_after(fails: int) -> timedelta:
    """How long a channel is left alone after `fails` failures in a row (at least 1)."""
    return timedelta(minutes=PAUSES_MIN[min(fails, len(PAUSES_MIN)) - 1])


def send_due(
    settings: Settings, ledger: Ledger, clock: Clock, channels: Mapping[str, Channel] | None = None
) -> list[Delivery]:
    """Hand over every message that is due; each channel is given up for this time at its first failure.

    `channels` stands in for those that the settings describe. Raises HomeTrouble where the ledger cannot be used.
    """
    ways = channels_of(settings) if channels is None else channels
    made: list[Delivery] = []
    given_up: set[str] = set()
    for post in ledger.waiting_posts():
        if post.channel not in ways:
            log.warning(
                "channel %s is no longer in the settings; %d messages dropped",
                post.channel,
                ledger.drop_posts(post.channel),
            )
            given_up.add(post.channel)
        elif post.channel not in given_up and _is_due(post, clock.now()):
            delivery = _send(settings, ledger, clock, ways[post.channel], post)
            if delivery is not None:
                made.append(delivery)
                if not delivery.sent:
                    given_up.add(post.channel)
    return made


def message_of(home: str, post: Post) -> Message:
    """A waiting message as a channel is given it."""
    return Message(
        id=f"{home}.{post.id}.{post.made:%Y%m%dT%H%M%SZ}",
        kind=post.kind,
        about=post.about,
        at=post.made,
        subject=post.subject,
        text=post.text,
        html=post.html,
        facts=post.facts,
    )


def _is_due(post: Post, now: datetime) -> bool:
    # A message from the future was written by a clock that was wrong; it is not left to wait for that day.
    return (post.next_try or post.made) <= now or post.made > now + CLAIM


def _send(settings: Settings, ledger: Ledger, clock: Clock, channel: Channel, post: Post) -> Delivery | None:
    if not ledger.claim_post(post, clock.now() + CLAIM):
        return None
    delivery = Delivery(post.channel, post.kind, post.about, post.subject, True)
    try:
        note = channel.deliver(message_of(settings.home.name, post))
    except OtherroofError as problem:
        now = clock.now()
        state = ledger.channel_states().get(post.channel)
        ledger.post_failed(post, str(problem), now, now + pause_after((state.fails if state else 0) + 1))
        log.warning("channel %s did not take %r: %s", post.channel, post.subject, problem)
        return replace(delivery, sent=False, problem=str(problem))
    ledger.post_sent(post, clock.now(), note)
    return replace(delivery, problem=note)
