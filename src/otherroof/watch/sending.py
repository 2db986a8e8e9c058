"""Takes what waits in the ledger to the channels, with growing pauses for a channel that does not take it.

A message is claimed before it is handed over, so that two processes do not both send it. If this process dies
between the handing over and the note of it, the message goes out once more, with the same id. A bundle that a channel
refuses although it takes others is split, so that one bad message in it does not block the rest.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import groupby

from otherroof.base.clock import Clock
from otherroof.base.errors import OtherroofError
from otherroof.base.units import count_text
from otherroof.ledger import Ledger
from otherroof.ledger.messages import ChannelState, QueuedMessage
from otherroof.settings import Settings
from otherroof.watch.channels import Channel
from otherroof.watch.channels.build import channels_of
from otherroof.watch.messages import message_of

# Minutes from one try of a channel to the next; the last one stays.
PAUSES_MIN = (1, 5, 15, 60, 240, 360)
LONGEST_PAUSE = timedelta(minutes=PAUSES_MIN[-1])
# Longer than any channel may take; if this process dies meanwhile, the message is tried again after it.
CLAIM = timedelta(minutes=15)
# Tries of a bundle after which one of its messages goes ahead by itself, to see whether the bundle is what is refused.
TRIES_WHOLE = 4
# After this many tries without an end, the bundle is assumed to crash the process.
TRIES_UNSAID = 2

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

    `channels` stands in for those that the settings describe. Raises HomeTrouble if the ledger cannot be used.
    """
    by_name = channels_of(settings) if channels is None else channels
    made: list[Delivery] = []
    # One failure is enough for this time: a mail server that is down would else cost its time-out for each message.
    given_up: set[str] = set()
    _part_unsaid(ledger)
    for posts in _bundles(ledger.posts.waiting()):
        channel = posts[0].channel
        if channel not in by_name:
            dropped = count_text(ledger.posts.drop(channel), "message")
            log.warning("channel %s is no longer in the settings; %s dropped", channel, dropped)
            given_up.add(channel)
        elif channel not in given_up and _is_due(posts[0], clock.now()):
            delivery = _send(settings, ledger, clock, by_name[channel], posts)
            if delivery is not None:
                made.append(delivery)
                if not delivery.sent:
                    given_up.add(channel)
    return made


def to_unbundle(posts: Sequence[QueuedMessage], state: ChannelState | None) -> Sequence[QueuedMessage]:
    """Which messages of a bundle that was just refused go on by themselves; `state` is the channel's before that.

    All, if the channel took something else since they were made: what it refuses is in here. One, if it has
    taken nothing for long and nothing else waits by which to tell: the one that goes ahead will tell. None, if it
    is simply down: then all of it is to arrive as one when it is back.
    """
    if len(posts) < 2 or state is None:
        return ()
    if state.fails == 0 and state.last_sent is not None and state.last_sent > posts[0].made:
        return posts
    return posts[-1:] if posts[0].tries + 1 >= TRIES_WHOLE and state.waiting == 1 else ()


def _bundles(posts: Iterable[QueuedMessage]) -> list[list[QueuedMessage]]:
    return [list(bundle) for _, bundle in groupby(posts, lambda post: (post.channel, post.bundle))]


def _part_unsaid(ledger: Ledger) -> None:
    for posts in _bundles(ledger.posts.waiting()):
        # A claim counts as a try, and every try that ends leaves either `sent` or a problem. Tries without either mean
        # that the process died each time; alone, the bad one harms no other.
        if len(posts) > 1 and posts[0].tries >= TRIES_UNSAID and not any(post.problem for post in posts):
            ledger.posts.part(posts)


def _is_due(post: QueuedMessage, now: datetime) -> bool:
    next_try = post.next_try or post.made
    # A message, or a next try, from the future was written by a clock that was wrong; it is not left to wait for that
    # day.
    return next_try <= now or post.made > now + CLAIM or next_try > now + LONGEST_PAUSE


def _send(
    settings: Settings, ledger: Ledger, clock: Clock, channel: Channel, waiting: Sequence[QueuedMessage]
) -> Delivery | None:
    # Claimed before the channel is spoken to, so no transaction is open while a server takes its time.
    posts = ledger.posts.claim(waiting, clock.now() + CLAIM)
    if not posts:
        return None
    message = message_of(settings.home.name, posts)
    name = posts[0].channel
    delivery = Delivery(name, message.kind, message.about, message.subject, True)
    try:
        note = channel.deliver(message)
    except OtherroofError as problem:
        now, state = clock.now(), ledger.posts.channel_states().get(name)
        ledger.posts.failed(posts, str(problem), now, now + pause_after((state.fails if state else 0) + 1))
        ledger.posts.part(to_unbundle(posts, state))
        log.warning("channel %s did not take %r: %s", name, message.subject, problem)
        return replace(delivery, sent=False, problem=str(problem))
    ledger.posts.sent(posts, clock.now(), note)
    return replace(delivery, problem=note)
