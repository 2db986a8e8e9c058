"""Chooses by `Job.layout` which class keeps a job's far copy. Everybody else knows only the ports that come from it."""

from __future__ import annotations

from typing import Protocol

from otherroof.far.place import Place
from otherroof.far_copy.keeper import ExtraScript, HomeIdentity, Keeper
from otherroof.layouts.open.keeper import OpenKeeper
from otherroof.layouts.open.read_me import BY_HAND as OPEN_BY_HAND
from otherroof.settings import Settings
from otherroof.settings.copies.names import stem_of


class _MakesKeeper(Protocol):
    def __call__(
        self, place: Place, job: str, home: HomeIdentity, alongside: ExtraScript | None, *, only_reading: bool
    ) -> Keeper: ...


KEEPERS: dict[str, _MakesKeeper] = {"open": OpenKeeper}
# How files are got out of a far copy with no tool, for the recovery sheet.
BY_HAND: dict[str, str] = {"open": OPEN_BY_HAND}


def keeper_of(
    settings: Settings,
    job: str,
    place: Place,
    home: HomeIdentity,
    alongside: ExtraScript | None = None,
    *,
    only_reading: bool = False,
) -> Keeper:
    """The keeper of a job's far copy. `alongside` is asked with its first look; one that is `only_reading` puts up
    with a far folder that does not say whose it is, as its listings prove that."""
    # At every far end the folder has the same name, so that a disk which comes home is known for what it is.
    return KEEPERS[settings.jobs[job].layout](place, stem_of(job), home, alongside, only_reading=only_reading)
