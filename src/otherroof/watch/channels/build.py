"""Builds the channel for each table of channels in the settings; the rest of the house sees only the port.

Apart from the port, because mail and the web are slow to import, and most of the house only passes messages on.
"""

from __future__ import annotations

from otherroof.settings import Settings
from otherroof.settings.alerting import CommandChannelSettings as CommandSettings
from otherroof.settings.alerting import MailChannelSettings as MailSettings
from otherroof.settings.alerting import WebhookChannelSettings as WebhookSettings
from otherroof.watch.channels.command import CommandChannel
from otherroof.watch.channels.journal import JournalChannel
from otherroof.watch.channels.mail import MailChannel
from otherroof.watch.channels.port import Channel
from otherroof.watch.channels.webhook import WebhookChannel


def channels_of(settings: Settings) -> dict[str, Channel]:
    """Every channel that the settings describe, ready to use; nothing is opened yet."""
    return {name: _channel(settings, name) for name in settings.told.channels}


def _channel(settings: Settings, name: str) -> Channel:
    channel = settings.told.channels[name]

    def path(relative: str) -> str:
        return settings.path(relative) if relative else ""

    if isinstance(channel, MailSettings):
        mail = settings.told.mail
        assert mail is not None  # the settings refuse a mail channel without [mail]
        return MailChannel(settings.home.name, mail, channel.to, path(mail.password_file), path(mail.ca_file))
    if isinstance(channel, WebhookSettings):
        return WebhookChannel(
            channel.url or "", channel.answer_s, path(channel.url_file), path(channel.token_file), path(channel.ca_file)
        )
    if isinstance(channel, CommandSettings):
        return CommandChannel(channel.command, channel.answer_s)
    return JournalChannel()
