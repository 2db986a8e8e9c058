"""Finds jobs that would send this home's own secrets to the far box, or the state that every run changes.

Looks at where files lie, and reads the secrets themselves so that a run knows them under any name. It stands here
because it needs both the settings and the patterns by which a run leaves things out.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

from otherroof.base.errors import WrongSettings
from otherroof.base.handles import read_plain_file
from otherroof.copying.home.leave_out import leave_out_rule
from otherroof.copying.send.own_secrets import LOOKED_INTO, OwnSecrets
from otherroof.settings import Job, Settings
from otherroof.settings.alerting import WebhookChannelSettings
from otherroof.settings.models import key_paths
from otherroof.settings.reader import Mistake, ReadableSettings, each_once, job_file


def jobs_that_copy_secrets(parts: ReadableSettings) -> list[Mistake]:
    """One mistake for each job whose folder holds our secrets, and one if it holds the state folder."""
    if parts.home is None:
        return []
    state = os.path.realpath(parts.path(parts.home.state))
    found = []
    for name, job in parts.jobs.items():
        file = job_file(parts.where, name)
        if mistake := _sends_secrets(parts, job, file):
            found.append(mistake)
        if inside := _inside(job, state, is_folder=True):
            wrong = f"the state folder ({inside}) would be copied, and every run changes it"
            right = f'add "/{inside}/" to leave_out; it can be lost without losing a copy'
            found.append(Mistake(file, "leave_out", wrong, right))
    return each_once(found)


def refuse_to_send_secrets(settings: Settings, name: str) -> None:
    """Raises WrongSettings if the job's folder holds our secrets and they are not left out."""
    file = job_file(settings.where, name)
    mistake = _sends_secrets(settings, settings.jobs[name], file)
    if mistake is not None:
        raise WrongSettings(mistake.wrong, where=f"{mistake.file}: {mistake.key}", advice=mistake.right)


def own_secrets(settings: Settings) -> OwnSecrets:
    """The secrets as they are now, by their content. One that cannot be read here is passed over."""
    found = []
    for secret in sorted(set(_secrets(settings))):
        try:
            found.append((secret, read_plain_file(settings.path(secret), LOOKED_INTO)))
        except OSError:
            continue
    return OwnSecrets(found)


def _sends_secrets(parts: Settings | ReadableSettings, job: Job, file: str) -> Mistake | None:
    secrets = sorted({os.path.realpath(parts.path(secret)) for secret in _secrets(parts)})
    sent = [inside for path in secrets if (inside := _inside(job, path, is_folder=False))]
    if not sent:
        return None
    more = f" and {len(sent) - 1} more" if len(sent) > 1 else ""
    wrong = (
        f"this home's own secrets ({sent[0]}{more}) would lie at the far end, where whoever owns that box can read them"
    )
    return Mistake(
        file, "leave_out", wrong, f"add {_pattern(sent[0])} to leave_out, and keep them on paper or a stick instead"
    )


def _secrets(parts: Settings | ReadableSettings) -> Iterator[str]:
    """Every file whose content others must not read, as the settings name it; those that are not named are left out."""
    return (secret for secret in _named_secrets(parts) if secret)


def _named_secrets(parts: Settings | ReadableSettings) -> Iterator[str]:
    for _, path in key_paths(parts.home, parts.far):
        yield path
    if parts.told.mail is not None:
        yield parts.told.mail.password_file
    for channel in parts.told.channel.values():
        if isinstance(channel, WebhookChannelSettings):
            yield channel.url_file
            yield channel.token_file


def _inside(job: Job, path: str, *, is_folder: bool) -> str:
    """`path` as seen from the job's folder; empty if it lies elsewhere or is left out."""
    folder = os.path.realpath(job.folder)
    relative = os.path.relpath(path, folder)
    if relative == "." or relative.split(os.sep)[0] == "..":
        return ""
    left_out = leave_out_rule(job.leave_out)
    parts = relative.split(os.sep)
    for count in range(1, len(parts) + 1):
        above = os.fsencode(os.sep.join(parts[:count]))
        if left_out is not None and left_out(above, is_folder or count < len(parts)):
            return ""
    return relative


def _pattern(secret: str) -> str:
    folder = os.path.dirname(secret)
    return f'"/{folder}/"' if folder else f'"/{secret}"'
