"""What is asked of a disk before it is carried, and what a person is told to type for it, from values."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from otherroof.base.errors import Denied, FarTrouble
from otherroof.copying.compare.change import PlannedChange, Rows
from otherroof.copying.compare.half_sent import SafePart
from otherroof.copying.compare.plan import RunPlan
from otherroof.far.local.disk import LocalDisk
from otherroof.far_copy.numbers import FILE, FOLDER, LINK, Numbers
from otherroof.jobs.carried import hand_over, landed, onto
from otherroof.jobs.carried.disk import CarriedDisk, DiskNote
from otherroof.jobs.carried.fits import ENTRY_ROOM, LINE_ROOM, Coming, DiskNeeds
from otherroof.jobs.carried.onto import OntoDisk
from otherroof.jobs.open_job import OpenedJob
from otherroof.settings import Settings
from support.simulated import household

EXT4 = LocalDisk(1, "ext4", False, 10**9, 10**9, 4096, 10**6, 255)
EXFAT = replace(EXT4, system="exfat", links=False)
HOME = "0123456789abcdef"
FAR = "heron"


# -- what a disk needs --


def needs_of(disk: LocalDisk, *coming: Coming) -> DiskNeeds:
    needs = DiskNeeds(disk)
    needs.add(coming)
    return needs


def test_each_file_takes_whole_blocks_and_its_entry() -> None:
    needs = needs_of(EXT4, Coming(b"a", 1, 1), Coming(b"b", 4097, 4097), Coming(b"c", 5000, 0))
    assert needs.size == LINE_ROOM + 3 * 4096 + 3 * ENTRY_ROOM
    assert needs.entries == 3
    assert ENTRY_ROOM >= 256, "an inode of ext4 (mke2fs(8)) and its line of the listing"
    assert needs.lacks_room(needs.size, 3) == ""
    assert "would come onto the disk" in needs.lacks_room(needs.size - 1, 3)
    assert needs.lacks_room(needs.size, 2) == "3 entries would come onto the disk, and it has room for 2 more"


def test_file_that_is_too_large_for_fat_is_told_also_if_nothing_of_it_is_still_to_come() -> None:
    fat = replace(EXFAT, system="vfat")
    assert "is larger than 4 GiB" in needs_of(fat, Coming(b"film", 5 << 30, 0)).misfit


def test_names_that_fall_together_are_told_and_like_names_elsewhere_are_none() -> None:
    assert needs_of(EXFAT, Coming(b"a/one", 1, 1), Coming(b"b/one", 1, 1)).misfit == ""
    assert needs_of(EXT4, Coming(b"a/one", 1, 1), Coming(b"a/ONE", 1, 1)).misfit == ""
    needs = needs_of(EXFAT, Coming(b"a/one", 1, 1), Coming(b"a/ONE", 1, 1), Coming(b"a/x:", 1, 1))
    assert "a/ONE has a name that it takes for another one beside it, and 1 entry more" in needs.misfit
    needs = needs_of(EXFAT, Coming(b"a/one", 1, 1))
    needs.add([Coming(b"a/one", 1, 1)])  # the next job's folder is another one
    assert needs.misfit == ""


# -- before a run's first byte --


@dataclass
class HalfSent:
    """Of this file so much is there."""

    path: bytes = b""
    upto: int = 0

    def known(self, path: bytes, numbers: Numbers) -> tuple[Numbers, SafePart] | None:
        return (numbers, SafePart(self.upto, b"")) if path == self.path else None


class Plan:
    """A run's plan with these changes."""

    def __init__(self, changes: dict[Rows, Sequence[PlannedChange]], half_sent: HalfSent | None = None) -> None:
        self._changes = changes
        self.half_sent = half_sent or HalfSent()

    def pages(self, rows: Rows) -> Iterator[PlannedChange]:
        return iter(self._changes.get(rows, ()))


def change(path: bytes, size: int = 0, want: int = FILE, **more: Any) -> PlannedChange:
    plain = PlannedChange(
        path, 0, want, False, (1, size, 0, 0, 0o600, 0, 0), 1, None, 0, None, None, None, None, 0, None, None
    )
    for name, value in more.items():
        setattr(plain, name, value)
    return plain


class Claims(CarriedDisk):
    """A disk on which nothing is written, only noted."""

    claimed = 0

    def claim(self, home: str, home_id: str, far: str) -> None:
        self.claimed += 1


@pytest.fixture
def disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Claims:
    """A disk with a megabyte of room by the latest look, and more by the one before."""
    monkeypatch.setattr(onto, "look_at_disk", lambda _: replace(EXT4, free=1_000_000))
    return Claims(str(tmp_path), replace(EXT4, free=10**9), DiskNote(HOME, FAR, "f" * 16), "f" * 16)


def accept(run: OntoDisk, plan: Plan, *, dry: bool = False, home: str = HOME) -> None:
    home_settings = SimpleNamespace(home=SimpleNamespace(name="hearth"))
    job = SimpleNamespace(
        name="photos", key=SimpleNamespace(home_id=home), settings=home_settings, job=SimpleNamespace(far=FAR)
    )
    run.accepts(cast(OpenedJob, job), dry=dry)(cast(RunPlan, plan))


def files(*changes: PlannedChange) -> Plan:
    return Plan({Rows.FILES_TO_BRING: changes})


def settings(tmp_path: Path) -> Settings:
    made = household({"photos": {"folder": str(tmp_path)}}, zone="Europe/Berlin")
    return made.model_copy(update={"home": made.home.model_copy(update={"state": str(tmp_path / "state")})})


def test_room_is_that_of_this_moment_and_looks_of_several_jobs_need_it_together(tmp_path: Path, disk: Claims) -> None:
    run = OntoDisk(settings(tmp_path), disk)
    with pytest.raises(FarTrouble, match=r"1\.00 MB are free; nothing was written"):
        accept(run, files(change(b"a", 2_000_000)))
    assert disk.claimed == 0
    accept(run, files(change(b"a", 600_000)), dry=True)
    with pytest.raises(FarTrouble, match="nothing was written"):
        accept(run, files(change(b"b", 600_000)), dry=True)
    assert disk.claimed == 0, "a look writes nothing"
    for name in (b"a", b"b"):  # each is on the disk before the next begins, and its room is gone from what is free
        accept(run, files(change(name, 600_000)))
    assert disk.claimed == 2


def test_another_homes_disk_is_not_claimed(tmp_path: Path, disk: Claims) -> None:
    with pytest.raises(FarTrouble, match="another home's"):
        accept(OntoDisk(settings(tmp_path), disk), files(change(b"a", 1)), home="f" * 16)
    assert disk.claimed == 0


def test_what_need_not_be_brought_takes_no_room(tmp_path: Path, disk: Claims) -> None:
    large = 3_000_000
    run = OntoDisk(settings(tmp_path), disk)
    for light in (
        change(b"a", large, first=b"b"),
        change(b"a", large, source=b"b"),
        change(b"a", large, doubt=True),
        change(b"a", large, LINK),
    ):
        accept(run, files(light))
    accept(run, Plan({Rows.FILES_TO_BRING: [change(b"a", large)]}, HalfSent(b"a", large - 1000)))
    with pytest.raises(FarTrouble):
        accept(run, Plan({Rows.FILES_TO_BRING: [change(b"a", large)]}, HalfSent(b"b", large - 1000)))


@pytest.mark.parametrize(
    ("rows", "want"), [(Rows.FOLDERS_TO_MAKE, FOLDER), (Rows.FILES_TO_BRING, FILE), (Rows.LINKS_TO_MAKE, LINK)]
)
def test_names_of_folders_files_and_links_are_looked_at(
    tmp_path: Path, disk: Claims, rows: Rows, want: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk.disk = EXFAT
    with pytest.raises(FarTrouble, match=r"to: whom has a character in its name"):
        accept(OntoDisk(settings(tmp_path), disk), Plan({rows: [change(b"to: whom", 0, want)]}))
    assert disk.claimed == 0


# -- what a person types --


def far_at(base: str, account: str = "copykeeper") -> Settings:
    made = household({"photos": {"folder": "/home/photos"}}, zone="Europe/Berlin")
    box = made.far[FAR].model_copy(update={"base": base, "account": account})
    return made.model_copy(update={"far": {FAR: box}})


def test_lines_for_root_name_the_copies_alone_and_hold_together_with_blanks() -> None:
    """The folder above may hold other people's files: of it one entry is given away, and no link is followed."""
    assert hand_over.owner_lines(far_at("/big disk"), FAR, ["photos@heron", "music"]) == [
        "sudo chown -h copykeeper: '/big disk'",
        "sudo chown -hR copykeeper: '/big disk/photos' '/big disk/music'",
    ]
    assert hand_over.owner_lines(far_at("/copies"), FAR, ["photos"], "/mnt/new disk")[1] == (
        "sudo chown -hR copykeeper: '/mnt/new disk/photos'"
    )


def test_disk_that_keeps_no_owners_is_mounted_for_the_account_instead() -> None:
    lines = hand_over.next_steps(far_at("/copies"), FAR, ["photos"], "/mnt/my disk", keeps_owners=False)
    assert lines[0].startswith("sudo umount '/mnt/my disk'   (")
    assert lines[2].startswith("   (/copies is what account copykeeper sees: ")
    assert "mount it there with uid=copykeeper" in lines[3]
    assert not any("chown" in line for line in lines)
    assert lines[-1] == "otherroof landed photos   (here; until then it does not count as a copy)"
    lines = hand_over.next_steps(far_at("/copies"), FAR, ["photos"], "/mnt/disk", keeps_owners=True)
    assert not any("uid=" in line for line in lines)


def test_folder_is_told_as_root_sees_it_if_the_account_cannot_leave_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    record = SimpleNamespace(plan=SimpleNamespace(account="copykeeper", folder="/srv/otherroof/"))
    monkeypatch.setattr(hand_over, "find_record", lambda *_: record)
    assert hand_over.far_folder(far_at("/copies"), FAR) == "/srv/otherroof/copies"
    assert hand_over.far_folder(far_at("/copies", "somebody"), FAR) == "/copies", "that was paired for another account"
    record.plan.folder = ""
    assert hand_over.far_folder(far_at("/copies"), FAR) == "/copies"


def test_disk_whose_files_belong_to_nobody_is_given_away_where_it_is_mounted() -> None:
    with pytest.raises(FarTrouble) as caught, landed._in_words(far_at("/copies"), FAR, "photos", "/mnt/new disk"):
        raise Denied("listing the folder was refused")
    assert "sudo chown -h copykeeper: '/mnt/new disk' && sudo chown -hR copykeeper: '/mnt/new disk/photos'" in str(
        caught.value
    )


def test_each_of_several_jobs_on_a_disk_is_given_away_and_named_for_its_landing() -> None:
    lines = hand_over.next_steps(far_at("/copies"), FAR, ["photos", "music"], "/mnt/disk", keeps_owners=True)
    assert "   sudo chown -hR copykeeper: /copies/photos /copies/music" in lines
    assert lines[-1] == "otherroof landed photos music   (here; until then none of them counts as a copy)"
