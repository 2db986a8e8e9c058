"""Finds jobs that would send this home's own secrets to the far box, or the state that every run changes.

Pure but for resolving links in paths. It stands here because it needs both the settings and the patterns by which a run
leaves things out.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

from otherroof.copying.home.leave_out import leave_out_rule
from otherroof.settings import Job
from otherroof.settings.alerting import WebhookChannelSettings
from otherroof.settings.reader import JOBS_FOLDER, Mistake, ReadableSettings
from otherroof.settings.tunnel import WireguardTunnel


def jobs_that_copy_secrets(parts: ReadableSettings) -> list[Mistake]:
    """One mistake for each job whose folder holds our secrets, and one if it holds the state folder."""
    if parts.home is None:
        return []
    secrets = sorted({os.path.realpath(parts.path(secret_name)) for secret_name in _secrets(parts)})
    state = os.path.realpath(parts.path(parts.home.state))
    found = []
    for name, job in parts.jobs.items():
        file = os.path.join(parts.where, JOBS_FOLDER, name + ".toml")
        sent = [inside for path in secrets if (inside := _inside(job, path, is_folder=False))]
        if sent:
            more = f" and {len(sent) - 1} more" if len(sent) > 1 else ""
            wrong = f"this home's own secrets ({sent[0]}{more}) would lie at the far end for all to read who own it"
            right = f"add {_pattern(sent[0])} to leave_out, and keep them on paper or a stick instead"
            found.append(Mistake(file, "leave_out", wrong, right))
        if inside := _inside(job, state, is_folder=True):
            wrong = f"the state folder ({inside}) would be copied, and every run changes it"
            right = f'add "/{inside}/" to leave_out; it can be lost without losing a copy'
            found.append(Mistake(file, "leave_out", wrong, right))
    return found


def _secrets(parts: ReadableSettings) -> Iterator[str]:
    """Every file whose content others must not read, as the settings name it."""
    assert parts.home is not None
    yield parts.home.listing_key
    for far in parts.far.values():
        yield far.login_key
        if isinstance(far.tunnel, WireguardTunnel):
            yield far.tunnel.key_file
            yield far.tunnel.shared_key_file
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
