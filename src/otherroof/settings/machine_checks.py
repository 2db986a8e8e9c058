"""Asks the machine whether what the settings name is really there and safe: folders, keys, addresses.

Kept apart from the reader because these answers change without the files changing.
"""

from __future__ import annotations

import os
import stat

from otherroof.base.errors import WrongSettings, with_sudo
from otherroof.settings.fields import is_documentation
from otherroof.settings.models import FarBox, Settings
from otherroof.settings.reader import MAIN_FILE, Mistake, ReadableSettings, each_once, job_file
from otherroof.settings.tunnel import WireguardTunnel, split_host_port

MAKE_KEY = "make it with `ssh-keygen -t ed25519 -N '' -f` and that path, or correct the path"
MAKE_SECRET = "write the secret into it as its only line, `chmod 600` it, or correct the path"
TUNNEL_KEY_ADVICE = "make it with `umask 077; wg genkey >` and that path, or correct the path"
SHARED_KEY_ADVICE = "make it with `umask 077; wg genpsk >` and that path, and the same file at the far box"


def check_machine(settings: Settings | ReadableSettings) -> list[Mistake]:
    """Every mistake that only a look at this machine can find."""
    main = os.path.join(settings.where, MAIN_FILE)
    mistakes = []
    for name, far in settings.far.items():
        mistakes += _far_mistakes(settings, main, name, far)
    if settings.home is not None and os.path.exists(settings.path(settings.home.listing_key)):
        mistakes += _secret_mistakes(main, "home.listing_key", settings.path(settings.home.listing_key))
    mistakes += _told_mistakes(settings, main)
    for name, job in settings.jobs.items():
        path = job_file(settings.where, name)
        if not os.path.isdir(job.folder):
            mistakes.append(
                Mistake(
                    path,
                    "folder",
                    f"{job.folder} is not a folder on this machine",
                    "create or mount it, or correct the path",
                )
            )
        for key, argv in (("before", job.before), ("drill.also", job.drill.also)):
            if argv is not None and not os.access(argv[0], os.X_OK):
                mistakes.append(
                    Mistake(path, key, f"{argv[0]} cannot be run", "correct the path, or make it executable")
                )
    return each_once(mistakes)


def require_secret(path: str, make: str = MAKE_KEY) -> str:
    """`path`, if it is a file that only its owner can read; raises WrongSettings otherwise.

    `make` is the advice for a file that is not there.
    """
    found = _secret_mistakes("", "", path, make)
    if found:
        raise WrongSettings(found[0].wrong, advice=found[0].right)
    return path


def _far_mistakes(settings: Settings | ReadableSettings, main: str, name: str, far: FarBox) -> list[Mistake]:
    mistakes = []
    if is_documentation(far.address):
        mistakes.append(
            Mistake(
                main,
                f"far.{name}.address",
                f"{far.address} is an address for documentation (RFC 5737, 3849, 9637)",
                "no machine has it; write the far box's own address in the tunnel",
            )
        )
    mistakes += _secret_mistakes(main, f"far.{name}.login_key", settings.path(far.login_key))
    if isinstance(far.tunnel, WireguardTunnel):
        mistakes += _tunnel_mistakes(settings, main, f"far.{name}.tunnel", far.tunnel)
    return mistakes


def _tunnel_mistakes(
    settings: Settings | ReadableSettings, main: str, key: str, tunnel: WireguardTunnel
) -> list[Mistake]:
    mistakes = _secret_mistakes(main, f"{key}.key_file", settings.path(tunnel.key_file), TUNNEL_KEY_ADVICE)
    if tunnel.shared_key_file:
        path = settings.path(tunnel.shared_key_file)
        mistakes += _secret_mistakes(main, f"{key}.shared_key_file", path, SHARED_KEY_ADVICE)
    named = {
        "own_address": tunnel.own_address.partition("/")[0],
        "own_name": tunnel.own_name,
        "far_name": split_host_port(tunnel.far_name)[0] if tunnel.far_name else "",
    }
    for field, host in named.items():
        if is_documentation(host):
            wrong = f"{host} is an address for documentation (RFC 5737, 3849, 9637)"
            mistakes.append(Mistake(main, f"{key}.{field}", wrong, "no machine has it; write the real one"))
    return mistakes


def _told_mistakes(settings: Settings | ReadableSettings, main: str) -> list[Mistake]:
    alerting = settings.told
    mistakes = []
    if alerting.mail is not None and alerting.mail.password_file:
        mistakes += _secret_mistakes(
            main, "mail.password_file", settings.path(alerting.mail.password_file), MAKE_SECRET
        )
    if alerting.page is not None and not os.path.isdir(alerting.page.folder):
        wrong = f"{alerting.page.folder} is not a folder on this machine"
        right = f"`sudo install -d -o otherroof -g otherroof -m 755 {alerting.page.folder}`, or correct the path"
        mistakes.append(Mistake(main, "page.folder", wrong, right))
    for name, channel in alerting.channel.items():
        above = f"channel.{name}"
        if channel.kind == "webhook":
            for key in ("url_file", "token_file"):
                given = getattr(channel, key)
                if given:
                    mistakes += _secret_mistakes(main, f"{above}.{key}", settings.path(given), MAKE_SECRET)
        if channel.kind == "command" and not os.access(channel.command[0], os.X_OK):
            wrong = f"{channel.command[0]} cannot be run"
            mistakes.append(Mistake(main, f"{above}.command", wrong, "correct the path, or make it executable"))
    return mistakes


def _secret_mistakes(file: str, key: str, path: str, make: str = MAKE_KEY) -> list[Mistake]:
    try:
        found = os.stat(path)
    except FileNotFoundError:
        return [
            Mistake(
                file,
                key,
                f"{path} is not there",
                make,
            )
        ]
    except OSError as problem:
        return [Mistake(file, key, f"{path} cannot be read: {problem.strerror}", with_sudo("check its owner and mode"))]
    if not stat.S_ISREG(found.st_mode):
        return [Mistake(file, key, f"{path} is not a file", "name the file itself")]
    # Neither group nor others: sshd and `ssh` ask the same of a private key.
    if found.st_mode & 0o077:
        return [
            Mistake(
                file,
                key,
                f"{path} can be read by others (mode {found.st_mode & 0o777:04o})",
                f"`chmod 600 {path}`, and make a new secret if somebody may have read it",
            )
        ]
    try:
        # Tried, not asked for: access(2) goes by the account alone, and the service may read what is not its own.
        os.close(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC))
    except OSError:
        return [Mistake(file, key, f"{path} cannot be read by this account", with_sudo("check its owner"))]
    return []
