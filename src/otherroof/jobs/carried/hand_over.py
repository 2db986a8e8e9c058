"""What a person does with a disk between the two houses, as lines to be followed. It looks nothing up on the disk."""

from __future__ import annotations

import shlex

from otherroof.base.errors import WrongSettings
from otherroof.pairing.record import find_record
from otherroof.settings import Settings
from otherroof.settings.copies.names import stem_of

CAUTION = (
    "CAUTION: whoever has this disk in hand can read the copy, on its way and later, unless the disk is encrypted"
    " (common practice: LUKS, `cryptsetup luksFormat`, which erases the disk: before the first run)"
)


def far_folder(settings: Settings, far: str) -> str:
    """The far box's base folder as root there sees it: what SFTP shows as `base` may be inside of a folder that the
    account cannot leave."""
    box = settings.far[far]
    try:
        record = find_record(settings.where, far)
    except WrongSettings:
        record = None
    if record is None or record.plan.account != box.account or not record.plan.folder:
        return box.base
    return record.plan.folder.rstrip("/") + box.base


def _seen_by_account(settings: Settings, far: str) -> list[str]:
    """That root there may see the base elsewhere: of a far box set up by hand, home knows only what SFTP shows."""
    box = settings.far[far]
    if far_folder(settings, far) != box.base:
        return []
    return [
        f"   ({box.base} is what account {box.account} sees: if sshd shuts it into a folder, put that folder before it)"
    ]


def owner_lines(settings: Settings, far: str, jobs: list[str], folder: str = "") -> list[str]:
    """What sets owner and rights right at the far box, typed there by whoever may; `folder` is where the disk is."""
    account = settings.far[far].account
    base = folder or far_folder(settings, far)
    tops = " ".join(shlex.quote(f"{base}/{stem_of(job)}") for job in jobs)
    return [f"sudo chown -h {account}: {shlex.quote(base)}", f"sudo chown -hR {account}: {tops}"]


def next_steps(settings: Settings, far: str, jobs: list[str], disk: str, *, keeps_owners: bool) -> list[str]:
    """What comes after the last run onto the disk, in order."""
    account, base = settings.far[far].account, far_folder(settings, far)
    if keeps_owners:
        owners = [
            "set owner and rights there, once, as root:",
            *(f"   {line}" for line in owner_lines(settings, far, jobs)),
        ]
    else:
        owners = [f"its file system keeps no owners: mount it there with uid={account}"]
    counts = "it does not count" if len(jobs) == 1 else "none of them counts"
    return [
        f"sudo umount {shlex.quote(disk)}   (or where it is mounted; wait until it returns), and carry it to {far}",
        f"mount it there so that what is in {disk} now stands in {base}, and write that into /etc/fstab",
        *_seen_by_account(settings, far),
        *owners,
        f"otherroof landed {' '.join(jobs)}   (here; until then {counts} as a copy)",
    ]
