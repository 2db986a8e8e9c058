"""The TOML files as frozen models; every mistake is named by file, key and what would be right.

Also what settings mean by themselves: crontab fields, stretches of the day, promises that cannot be kept.
"""

from otherroof.settings.machine_checks import check_machine
from otherroof.settings.models import FarBox, Guard, Home, Job, Settings
from otherroof.settings.reader import Mistake, ReadableSettings, read_parts, read_settings, require_settings
from otherroof.settings.tunnel import CommandTunnel, NoTunnel, TunnelSettings, WireguardTunnel

__all__ = [
    "CommandTunnel",
    "FarBox",
    "Guard",
    "Home",
    "Job",
    "Mistake",
    "NoTunnel",
    "ReadableSettings",
    "Settings",
    "TunnelSettings",
    "WireguardTunnel",
    "check_machine",
    "read_parts",
    "read_settings",
    "require_settings",
]
