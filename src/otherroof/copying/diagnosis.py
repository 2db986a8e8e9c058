"""Why a far box said no: SFTP gives no reason, so a refusal is looked into before a person is told."""

from __future__ import annotations

from otherroof.errors import Denied, FarTrouble, NotOffered, NotThere, PlaceError
from otherroof.far.ops import AskSpace, Look, Place, Script, Space, ask, perform
from otherroof.units import size_text

FULL_BELOW = 1024 * 1024  # free bytes under which any refusal is taken for a full disk


def reason_of(place: Place, name: str, refusal: FarTrouble, size: int = 0) -> FarTrouble | None:
    """What the refusal means for everything else too; None where it is a matter of this one entry.

    `size` is what was to be written, in bytes; `name` the far copy's.
    """
    if isinstance(refusal, Denied):
        return FarTrouble(
            "the far box lets us in but not write",
            where=name,
            advice="check there that the folder belongs to the account and its disk is not mounted read-only",
        )
    if isinstance(refusal, NotThere) and not perform(place, _base_stands()):
        return FarTrouble(
            "the folder that is named as `base` is not there",
            where=name,
            advice="is its disk mounted there? else make the folder, or correct `base`",
        )
    try:
        space: Space = perform(place, ask(AskSpace(b".")))
    except (NotOffered, PlaceError):
        return None
    if space.free >= max(FULL_BELOW, size) and space.files_free != 0:
        return None
    what = "disk is full" if space.files_free else "disk has no room for more files"
    return FarTrouble(
        f"the far {what} ({size_text(space.free)} free of {size_text(space.total)})",
        where=name,
        advice="make room there; what was sent is kept and used by the next run",
    )


def _base_stands() -> Script[bool]:
    try:
        yield Look(b".")
    except NotThere:
        return False
    return True
