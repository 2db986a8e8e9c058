"""The TOML files as frozen models; every mistake is named by file, key and what would be right."""

from otherroof.settings.models import Far, Guard, Home, Job, Settings
from otherroof.settings.reader import Mistake, Parts, read_parts, read_settings, require_settings
from otherroof.settings.tunnel import CommandTunnel, NoTunnel, Tunnel, WireguardTunnel
from otherroof.settings.world import look_around

__all__ = [
    "CommandTunnel",
    "Far",
    "Guard",
    "Home",
    "Job",
    "Mistake",
    "NoTunnel",
    "Parts",
    "Settings",
    "Tunnel",
    "WireguardTunnel",
    "look_around",
    "read_parts",
    "read_settings",
    "require_settings",
]
