"""What differs between two states of the settings, in the words of their tables, for people. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from otherroof.settings.models import Settings


def what_differs(old: Settings, new: Settings) -> list[str]:
    """The tables that differ, such as `job photos (new)` or `channel parents`; empty if the settings are the same."""
    found = ["home"] if old.home != new.home else []
    found += _in("far box", old.far, new.far) + _in("job", old.jobs, new.jobs)
    found += _in("channel", old.told.channel, new.told.channel)
    tables = ("mail", "alerts", "digest", "metrics", "page", "sheet")
    found += [table for table in tables if getattr(old.told, table) != getattr(new.told, table)]
    if not found and old != new:
        found.append("jobs that cannot be read" if old.unread != new.unread else "the settings folder")
    return found


def _in(what: str, old: Mapping[str, object], new: Mapping[str, object]) -> list[str]:
    found = []
    for name in sorted(old.keys() | new.keys()):
        if name not in old:
            found.append(f"{what} {name} (new)")
        elif name not in new:
            found.append(f"{what} {name} (gone)")
        elif old[name] != new[name]:
            found.append(f"{what} {name}")
    return found
