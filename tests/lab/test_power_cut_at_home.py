"""Home's power goes while a run is under way: what the disk holds at that moment is all that the next start has."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.copying.compare.change import BEGUN, Rows
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.send.send import PlanSender
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.view import FarCopyView
from support.lab.commands import call
from support.lab.need import require_programs
from support.lab.ownership import Estate
from support.main_job import one_job

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)

FILES = 40


class HomeDisk:
    """A journalled disk in a file. What lies in that file is what a power cut would leave."""

    def __init__(self, where: Path, estate: Estate) -> None:
        self._estate, self._where = estate, where
        self._image = where / "disk.img"
        with self._image.open("wb") as file:
            file.truncate(64 * 1024 * 1024)
        call(["mkfs.ext4", "-q", "-F", str(self._image)])
        self.path = self._mount(self._image, "disk")

    def cut_power(self) -> None:
        """Keep the disk as it is now, without what only memory holds."""
        shutil.copyfile(self._image, self._where / "after.img")

    def after_the_cut(self) -> Path:
        """The kept disk, mounted."""
        return self._mount(self._where / "after.img", "after")

    def _mount(self, image: Path, name: str) -> Path:
        path = self._where / name
        path.mkdir()
        self._estate.note("mount", path=str(path))
        # The kernel writes by itself only once a minute: what lies in the image was asked for.
        call(["mount", "-o", "loop,noatime,commit=60", str(image), str(path)])
        return path


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[HomeDisk]:
    require_programs("mount", "mkfs.ext4", root=True)
    with Estate() as estate:
        yield HomeDisk(tmp_path, estate)


def new_file(number: int) -> Difference:
    return Difference(b"%03d" % number, (number + 1, 1, 1, 1, 0o100644), None, None)


def test_an_intention_that_was_committed_outlives_a_power_cut(disk: HomeDisk) -> None:
    """Invariant 8."""
    plan = RunPlan(str(disk.path / "state" / "notes" / "papers.db"))
    plan.add(new_file(number) for number in range(FILES))
    plan.commit()
    for change in plan.pages(Rows.FILES_TO_BRING):
        plan.begin(change)
    plan.commit()
    disk.cut_power()
    plan.close()
    after = RunPlan(str(disk.after_the_cut() / "state" / "notes" / "papers.db"))
    assert [change.state for change in after.outcome(NOW)] == [BEGUN] * FILES
    after.close()


def test_files_put_back_by_hand_after_a_power_cut_are_copied_as_they_are(tmp_path: Path, disk: HomeDisk) -> None:
    """Invariants 3 and 8: the far box had taken new content; the household took it back while the power was off."""
    state, away = disk.path / "state", tmp_path / "by hand"
    state.mkdir()
    away.mkdir()
    with one_job(tmp_path / "house") as job:
        job.state.symlink_to(state)
        files = [job.put(f"{number:03}", b"as it was %d" % number) for number in range(FILES)]
        job.done()
        call(["sync", "-f", str(state)])
        for path in files:
            path.rename(away / path.name)
            path.write_bytes(b"half written " + path.name.encode())

        def cut_power(*_: object) -> None:
            assert [(job.latest / path.name).read_bytes() for path in files] == [path.read_bytes() for path in files]
            disk.cut_power()
            raise KeyboardInterrupt

        def send(self: PlanSender, keeper: Keeper, view: FarCopyView) -> None:
            call(["sync", "-f", str(state)])  # as the kernel may at any time: the notes as they were before sending
            really_send(self, keeper, view)

        really_send = PlanSender.send
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(PlanSender, "send", send)
            patch.setattr("otherroof.copying.run.commit_run", cut_power)  # all has arrived, and the run does not count
            with pytest.raises(KeyboardInterrupt):
                job.run()
        job.state.unlink()
        job.state.symlink_to(disk.after_the_cut() / "state")
        for path in files:
            (away / path.name).replace(path)
        report = job.done()
        assert job.unlike(report.run) == []
