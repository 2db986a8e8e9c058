"""`otherroof alert-test`: a test message by one channel or by all, with what is wrong if it does not arrive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_LOOK, EXIT_WELL, OtherroofError, WrongUse
from otherroof.base.local_time import moment_text
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, ledger_of, print_json, say, settings_in_use

if TYPE_CHECKING:
    from otherroof.ledger import Ledger
    from otherroof.settings import Settings
    from otherroof.watch.channels import Channel


@dataclass(frozen=True, slots=True)
class ChannelTest:
    """One channel and how it did: `problem` is empty if all went well."""

    channel: str
    taken: bool
    problem: str = ""


def verb(
    channel: Annotated[str, typer.Argument(metavar="CHANNEL", help="Its name in the settings; without one, all.")] = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Send a test message, to know that alerts reach you."""
    from otherroof.schedule.goes_by import service_view
    from otherroof.watch.channels.build import channels_of

    settings, mistakes = settings_in_use(config)
    channels = channels_of(settings)
    if channel and channel not in channels:
        raise WrongUse(f"there is no channel {channel!r}", where=settings.where, advice=f"known: {', '.join(channels)}")
    with ledger_of(settings) as ledger:
        tried = [_try(settings, ledger, name, carrier) for name, carrier in channels.items() if channel in ("", name)]
    view = service_view(settings, SystemClock(), mistakes=bool(mistakes))
    if as_json:
        rows = [{"channel": test.channel, "taken": test.taken, "problem": test.problem} for test in tried]
        print_json({"channels": rows, "service": view.as_json()})
    else:
        for test in tried:
            say(f"{test.channel}: " + (test.problem or "handed over; now look whether it arrived"))
        if view.differs:
            say(view.line)
    raise typer.Exit(EXIT_WELL if all(test.taken and not test.problem for test in tried) else EXIT_LOOK)


def _try(settings: Settings, ledger: Ledger, name: str, channel: Channel) -> ChannelTest:
    from otherroof.watch.channels import Message

    now = SystemClock().now()
    home = settings.home.name
    message = Message(
        id=f"{home}.test.{name}.{now:%Y%m%dT%H%M%SZ}",
        kind="test",
        about="test",
        at=now,
        subject=f"[{home}] test message by channel {name}",
        text=f"This is a test from {home}, sent {moment_text(now, settings.zone)}. "
        f"Alerts by channel {name} reach you.\n",
        facts=f'{{"home": "{home}", "kind": "test"}}',
    )
    try:
        note = channel.deliver(message)
    except OtherroofError as problem:
        return ChannelTest(name, False, str(problem))
    if not note:
        ledger.posts.note_channel_works(name)
    # What waited because the channel was broken need not wait for the next try.
    ledger.posts.hurry(name, now)
    return ChannelTest(name, True, note)
