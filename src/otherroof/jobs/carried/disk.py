"""A disk of this machine that stands in for the far box, and the note at its top that tells whose it is.

What home knows of such a disk is kept apart from what it knows of the far box, by the number in the disk's note, until
the disk has landed. Refusals come before anything is written. It must not know how copies lie on it.
"""

from __future__ import annotations

import getpass
import os
import re
import secrets
from contextlib import closing, suppress
from dataclasses import dataclass, replace

from otherroof.base.errors import FarTrouble, HomeTrouble, NotThere, PlaceError, WrongUse
from otherroof.base.handles import read_plain_file
from otherroof.base.printable import escaped
from otherroof.base.text.words import list_text
from otherroof.far import requests
from otherroof.far.local.disk import LocalDisk, gives_second_names, look_at_disk
from otherroof.far.local.disk_place import DiskPlace
from otherroof.far.place import Meter, Place, run_script
from otherroof.settings import Settings
from otherroof.settings.copies.names import stem_of

NOTE = b"OTHERROOF-DISK.txt"
_STATES = "carried"  # in the state folder: what is known of each disk; what is in it can be lost without losing a copy
_TEXT = """\
THIS DISK IS ON ITS WAY

It carries a copy of folders of the home "{home}" to its far box "{far}", put here by Otherroof. The folders beside this
file are the copy: each has a READ-ME-FIRST.txt that says how to get files back. Please change nothing in them.

Whoever has this disk in hand can read the copy, unless the disk itself is encrypted.

home mark: {home_id}
far box: {far}
disk: {number}
"""
_LINES = re.compile(rb"^home mark: ([0-9a-f]{16})\nfar box: (\S{1,100})\ndisk: ([0-9a-f]{16})$", re.MULTILINE)
LONGEST_NOTE = 4096  # bytes


@dataclass(frozen=True, slots=True)
class DiskNote:
    """What a disk's note says: whose it is, which far box it goes to, and the number that tells it from other disks."""

    home_id: str
    far: str
    number: str


@dataclass(slots=True)
class CarriedDisk:
    """The folder on a disk that copies are written into or read from. Of one that is written into `note` is what stands
    at its top, None if there is none yet, and `number` is that of the disk, by its note or for the note to come."""

    folder: str
    disk: LocalDisk
    note: DiskNote | None = None
    number: str = ""

    def open(self, meter: Meter) -> Place:
        """The folder as a place."""
        return DiskPlace(self.folder, self.disk, meter)

    def claim(self, home: str, home_id: str, far: str) -> None:
        """Write the note, if there is none. Raises HomeTrouble, FarTrouble if another process has just done so."""
        if self.note is not None:
            return
        text = _TEXT.format(home=home, far=far, home_id=home_id, number=self.number).encode()
        with closing(self.open(Meter())) as place:
            run_script(place, _write_note(text))
        note = note_at(self.folder)
        if note != DiskNote(home_id, far, self.number):
            raise FarTrouble("another run took this disk at this moment", where=self.folder, advice="start it again")
        self.note = note


def disk_state(state: str, number: str) -> str:
    """Where it lies what home knows of the disk with this number."""
    return os.path.join(state, _STATES, number)


def disk_states(state: str) -> list[str]:
    """The same of every disk of which something is known. Raises OSError."""
    folder = os.path.join(state, _STATES)
    return [os.path.join(folder, number) for number in sorted(os.listdir(folder))] if os.path.isdir(folder) else []


def disk_to_write(settings: Settings, names: list[str], folder: str) -> CarriedDisk:
    """The disk with `folder`, found fit for copies of these jobs; nothing is written but a trial file that goes again.

    Raises WrongUse, HomeTrouble or FarTrouble, saying why it is not.
    """
    folder = os.path.realpath(folder)
    found = _looked_at(folder)
    _refuse_own_disk(settings, names, folder)
    far = one_far_box(settings, names)
    note = note_at(folder)
    if note is not None and note.far != far:
        raise FarTrouble(
            f"this disk goes to far box {note.far}, and {names[0]} is copied to {far}, so nothing was written",
            where=folder,
            advice="take another disk or an empty folder on it",
        )
    if found.read_only:
        raise HomeTrouble(
            "the disk is mounted read-only, so nothing was written",
            where=folder,
            advice="mount it writable; a disk that fails is often shut like this: the kernel log tells",
        )
    for path in _to_be_written(folder, names):
        _require_writable(path, folder, found)
    try:
        found = replace(found, links=gives_second_names(folder))
    except OSError as problem:
        raise HomeTrouble(f"nothing can be written there: {problem.strerror}", where=folder) from problem
    return CarriedDisk(folder, found, note, note.number if note is not None else secrets.token_hex(8))


def disk_to_read(folder: str, job: str) -> CarriedDisk:
    """The disk with `folder`, to be read only. Raises WrongUse if it is not there, or has no copy of `job`."""
    folder = os.path.realpath(folder)
    found = _looked_at(folder)
    if not os.path.isdir(os.path.join(folder, job)):
        try:
            names = sorted(entry.name for entry in os.scandir(folder) if entry.is_dir() and entry.name[0] != ".")
        except OSError as problem:
            raise HomeTrouble(f"cannot be read: {problem.strerror}", where=folder) from problem
        has = f"; it has {list_text([escaped(name) for name in names])}" if names else ""
        advice = f"name the folder on the disk in which the folder {job} lies"
        raise WrongUse(f"has no copy of {job}{has}", where=folder, advice=advice)
    return CarriedDisk(folder, found)


def refuse_other_home(disk: CarriedDisk, home_id: str) -> None:
    """Raises FarTrouble if the disk's note names another home."""
    if disk.note is not None and disk.note.home_id != home_id:
        raise FarTrouble(
            "this disk is another home's, so nothing was written",
            where=disk.folder,
            advice="take another disk or an empty folder on it, or put back this home's own listing key if it was lost",
        )


def note_at(folder: str) -> DiskNote | None:
    """The note on a disk; None if there is none. Raises HomeTrouble if it cannot be read, or tells nothing."""
    path = os.path.join(folder, NOTE.decode())
    try:
        text = read_plain_file(path, LONGEST_NOTE)
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise HomeTrouble(f"cannot be read: {problem.strerror}", where=path) from problem
    note = note_in(text)
    if note is None:
        raise HomeTrouble("does not say whose disk this is", where=path, advice="if it is yours, remove that one file")
    return note


def note_in(text: bytes) -> DiskNote | None:
    """What a note says; None if it is none."""
    found = _LINES.search(text)
    return DiskNote(*(part.decode("utf-8", "backslashreplace") for part in found.groups())) if found else None


def read_note() -> requests.Script[DiskNote | None]:
    """The note at the top of a place."""
    try:
        handle = yield requests.OpenFile(NOTE, requests.Mode.READ)
    except PlaceError:
        return None
    text, _ = yield (requests.Read(handle, 0, LONGEST_NOTE), requests.CloseFile(handle))
    return note_in(bytes(text))


def _write_note(text: bytes) -> requests.Script[None]:
    new = requests.Mode.WRITE | requests.Mode.CREATE | requests.Mode.ONLY_NEW
    aside = NOTE + b".new-" + secrets.token_hex(4).encode()
    handle = yield requests.OpenFile(aside, new, 0o644)
    yield (requests.Write(handle, 0, text), requests.Sync(handle), requests.CloseFile(handle))
    try:
        yield requests.Rename(aside, NOTE)
    except NotThere:
        raise
    except PlaceError:  # another process was quicker: what it wrote stands, and is looked at
        yield requests.Remove(aside)


def _looked_at(folder: str) -> LocalDisk:
    if not os.path.isdir(folder):
        advice = "is the disk plugged in and mounted? else make the folder on it"
        raise WrongUse("is no folder here", where=folder, advice=advice)
    return look_at_disk(folder)


def device_of(path: str) -> int:
    """By which the disk that `path` is on is known. Raises OSError."""
    return os.stat(path).st_dev


def _refuse_own_disk(settings: Settings, names: list[str], folder: str) -> None:
    """Raises WrongUse if the folder is where it would be no second copy, or copied itself."""
    for name, job in settings.jobs.items():
        source = os.path.realpath(job.folder)
        if _is_inside(folder, source):
            advice = f"name a folder on another disk: {name} would copy it"
            raise WrongUse(f"lies inside the folder of job {name}", where=folder, advice=advice)
        if _is_inside(source, folder):
            raise WrongUse(f"the folder of job {name} lies inside it", where=folder, advice="name another folder")
    for name in names:
        source = settings.jobs[name].folder
        with suppress(OSError):  # the folder is not there: the run says so
            if device_of(source) == device_of(folder):
                what = f"is on the same disk as {source}, so it would be no second copy"
                raise WrongUse(what, where=folder, advice="is the other disk mounted? name a folder on that one")
    if device_of("/") == device_of(folder):
        what = "is on the disk that this machine runs from"
        raise WrongUse(what, where=folder, advice="is the disk that is to be carried mounted there?")


def _is_inside(path: str, folder: str) -> bool:
    return os.path.commonpath((path, folder)) == folder


def one_far_box(settings: Settings, names: list[str]) -> str:
    """The far box that all these jobs go to. Raises WrongUse if there are several."""
    boxes = sorted({settings.jobs[name].far for name in names})
    if len(boxes) > 1:
        what = f"a disk is carried to one far box, and these jobs have {' and '.join(boxes)}"
        raise WrongUse(what, advice="name the jobs of one of them, and take another disk for the others")
    return boxes[0]


def _to_be_written(folder: str, names: list[str]) -> list[str]:
    """The folder, and of what stands there for these jobs the two upper levels."""
    found = [folder]
    for name in names:
        top = os.path.join(folder, stem_of(name))
        if os.path.isdir(top) and not os.path.islink(top):
            found.append(top)
            with suppress(PermissionError), os.scandir(top) as entries:
                found += sorted(entry.path for entry in entries if entry.is_dir(follow_symlinks=False))
    return found


def _require_writable(path: str, folder: str, disk: LocalDisk) -> None:
    if os.access(path, os.R_OK | os.W_OK | os.X_OK, effective_ids=True):
        return
    who = getpass.getuser()
    # Of the disk's own top that folder alone: there may be other people's files in it.
    top = os.path.join(folder, os.path.relpath(path, folder).split(os.sep)[0])
    chown = f"sudo chown {who}: {folder}" if path == folder else f"sudo chown -hR {who}: {top}"
    how = f"mount it with uid={os.geteuid()}" if disk.is_windows else chown
    raise HomeTrouble(f"account {who}, which keeps this home's copies, may not write there", where=path, advice=how)
