"""Chooses the class that keeps a job's far copy. Everybody else works with what comes from it."""

from __future__ import annotations

from otherroof.far.place import Place
from otherroof.layouts.open.keeper import ExtraScript, HomeIdentity, OpenKeeper
from otherroof.settings import Settings


def keeper_of(
    _settings: Settings,
    job: str,
    place: Place,
    home: HomeIdentity,
    alongside: ExtraScript | None = None,
    *,
    only_reading: bool = False,
) -> OpenKeeper:
    """The keeper of a job's far copy. `alongside` is asked with its first look; one that is `only_reading` puts up
    with a far folder that does not say whose it is, as its listings prove that."""
    return OpenKeeper(place, job, home, alongside, only_reading=only_reading)
