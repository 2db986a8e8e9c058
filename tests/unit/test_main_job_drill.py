"""A drill brings a part of the copy back for practice: what is damaged is found, and nothing is left afterwards."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import Busy, FarTrouble, HomeTrouble, LinkLost, OtherroofError, WrongUse
from otherroof.jobs.commands import DRILL_FOLDER
from otherroof.jobs.drill import TimeLimit
from otherroof.jobs.drill_folder import drill_folder, remove_tree, room_for_drill
from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillPage, DrillRow
from otherroof.restore.restore import Restorer
from support.drills import a_disk_with, drill_rows, drilled, left_over
from support.main_job import JOB, OneJob, one_job
from support.run_context import UpAfter

pytestmark = [pytest.mark.slow, pytest.mark.lasts(15)]

MB = 1_000_000
FILES = 60


@pytest.fixture(scope="module")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> OneJob:
    """A household with 60 letters, 12 pictures, a film, a link, a further name and an empty folder."""
    with one_job(tmp_path_factory.mktemp("furnished")) as made:
        chance = random.Random(5)
        for number in range(FILES):
            made.put(f"letters/{number % 7}/{number}.txt", chance.randbytes(2_000 + 37 * number))
        for number in range(12):
            made.put(f"pictures/{number}.jpg", chance.randbytes(300_000))
        made.put("films/holiday.mkv", chance.randbytes(3 * MB))
        made.path("letters/newest").symlink_to("0/0.txt")
        os.link(made.path("letters/0/0.txt"), made.path("again.txt"))
        made.path("empty").mkdir()
        made.done()
    return made


@pytest.fixture
def job(tmp_path: Path, furnished: OneJob) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        made.go_on_from(furnished)
        yield made


def damages(job: OneJob) -> list[str]:
    with Ledger(job.settings.ledger) as ledger:
        return [one.path for one in ledger.damages.of(JOB)]


def test_all_of_a_small_folder_comes_back_whole_and_is_gone_again(job: OneJob) -> None:
    found = drilled(job)
    assert (found.whole, found.wrong, found.lacks, found.needs_a_look) == (True, [], [], False)
    assert found.files == FILES + 12 + 1 + 2 == found.sums.files
    assert found.compared.same_at_home == FILES + 12 + 1 + 1
    assert left_over(job) == []
    (row,) = drill_rows(job)
    assert (row.outcome, row.version, row.figures.files) == ("whole", found.run, found.files)
    assert row.figures.wire_down > found.size > 6 * MB
    assert row.figures.back_s is not None
    assert row.figures.soonest_s is not None
    assert row.figures.latest_s is not None
    assert 0 < row.figures.soonest_s <= row.figures.back_s <= row.figures.latest_s


def test_never_more_than_it_may_and_some_of_every_size(job: OneJob) -> None:
    for seed in range(6):
        found = drilled(job, most=2 * MB, seed=seed)
        assert not found.whole
        assert found.size <= 2 * MB
        assert found.sums.too_large.count == 1, "the film alone is more than half of what may come"
        assert 0 < found.files < FILES + 12
        assert found.sums.files == FILES + 12 + 3
    assert left_over(job) == []


def test_drill_mb_of_the_settings_bounds_it(job: OneJob) -> None:
    job.job_more = {"drill_mb": 1.5}
    job.write_settings()
    found = drilled(job)
    assert 0 < found.size <= 1.5 * MB
    assert drill_rows(job)[0].figures.wire_down < 2 * MB


def test_what_is_damaged_is_found_told_and_known_until_it_is_whole(job: OneJob) -> None:
    good = (job.latest / "letters/3/3.txt").read_bytes()
    (job.latest / "letters/3/3.txt").write_bytes(b"x" + good[1:])
    (job.latest / "pictures/7.jpg").unlink()
    found = drilled(job)
    assert {one.path for one in found.wrong} == {"letters/3/3.txt", "pictures/7.jpg"}
    assert set(damages(job)) == {"letters/3/3.txt", "pictures/7.jpg"}
    assert drill_rows(job)[0].outcome == "damaged"
    (job.latest / "letters/3/3.txt").write_bytes(good)
    assert [one.path for one in drilled(job).wrong] == ["pictures/7.jpg"]
    assert damages(job) == ["pictures/7.jpg"]


def test_a_part_settles_only_the_damage_that_it_has_read(job: OneJob) -> None:
    (job.latest / "films/holiday.mkv").write_bytes(b"no film")
    assert [one.path for one in drilled(job).wrong] == ["films/holiday.mkv"]
    part = drilled(job, most=2 * MB, seed=1)
    assert part.wrong == []
    assert damages(job) == ["films/holiday.mkv"], "the film was too large to be drawn"


def test_a_drawn_part_finds_damage_as_often_as_it_draws_the_file(job: OneJob) -> None:
    (job.latest / "pictures/7.jpg").write_bytes(b"no picture")
    found = sum(bool(drilled(job, most=2 * MB, seed=seed).wrong) for seed in range(12))
    assert 0 < found < 12


def test_what_changed_at_home_since_is_no_damage(job: OneJob) -> None:
    job.put("letters/1/1.txt", b"written anew")
    job.path("letters/2/2.txt").unlink()
    found = drilled(job)
    assert (found.wrong, found.needs_a_look) == ([], False)
    assert (found.compared.changed_at_home, found.compared.gone_at_home) == (1, 1)


def test_file_at_home_that_changed_without_a_trace_is_told(job: OneJob) -> None:
    path = job.path("pictures/4.jpg")
    times = (path.stat().st_atime_ns, path.stat().st_mtime_ns)
    with path.open("r+b") as file:
        file.write(b"rot")
    os.utime(path, ns=times)
    found = drilled(job)
    assert found.wrong == []
    assert [one.path for one in found.compared.odd] == ["pictures/4.jpg"]
    assert found.needs_a_look


def test_home_that_lost_its_folder_is_drilled_all_the_same(job: OneJob) -> None:
    shutil.rmtree(job.folder)
    found = drilled(job)
    assert (found.wrong, found.compared.same_at_home) == ([], 0)


def test_without_a_version_it_says_so(job: OneJob) -> None:
    next((job.far / "runs").iterdir()).unlink()
    with pytest.raises(WrongUse, match="no version yet"):
        drilled(job)
    assert [row.outcome for row in drill_rows(job)] == ["failed"]
    assert left_over(job) == []


# -- the disk here --


def test_disk_without_room_takes_no_drill(job: OneJob) -> None:
    with a_disk_with(5_000), pytest.raises(HomeTrouble, match="too little for a drill"):
        drilled(job)
    assert left_over(job) == []
    assert drill_rows(job)[0].outcome == "failed"


def test_disk_with_little_room_takes_a_small_part(job: OneJob) -> None:
    with a_disk_with(MB):
        found = drilled(job)
    assert not found.whole
    assert 0 < found.size <= MB


def test_a_tenth_and_a_gigabyte_stay_free(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = os.statvfs(tmp_path)

    def disk(total: int, free: int) -> None:
        blocks = total // 4096
        for_root = free // 4096 + blocks // 20
        made = os.statvfs_result((4096, 4096, blocks, for_root, free // 4096, *tuple(seen)[5:]))
        monkeypatch.setattr(os, "statvfs", lambda _: made)

    disk(total=4096 * 10**9, free=4096 * 10**8 + 4096 * 500)
    assert room_for_drill("any") == 4096 * 500
    disk(total=4096 * 10**6, free=MB * 1_100)
    assert room_for_drill("any") == pytest.approx(100 * MB, abs=4096)
    disk(total=4096 * 10**6, free=MB * 900)
    assert room_for_drill("any") == 0


def test_disk_that_fills_under_way_ends_it_and_nothing_is_left(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    beside: list[str] = []
    end = DrillPage.end

    def ended(self: DrillPage, number: int, row: DrillRow) -> None:
        beside.extend(os.path.relpath(one, job.state) for one in (job.state / "drill").glob("*/*"))
        end(self, number, row)

    monkeypatch.setattr("otherroof.restore.local_file.os.pwrite", full)
    monkeypatch.setattr(DrillPage, "end", ended)
    with pytest.raises(HomeTrouble, match="No space left"):
        drilled(job)
    monkeypatch.undo()
    assert left_over(job) == []
    assert drill_rows(job)[0].outcome == "failed"
    assert beside == [], "the history is on the same disk, and needs what the drill took"


def test_folders_that_forbid_it_are_removed_too(job: OneJob) -> None:
    job.path("letters/0").chmod(0o500)
    job.path("empty").chmod(0)
    job.done()
    try:
        assert drilled(job).wrong == []
    finally:
        job.path("letters/0").chmod(0o755)
        job.path("empty").chmod(0o755)
    assert left_over(job) == []


def test_a_folder_that_forbids_it_is_opened_up_before_it_is_entered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Root is forbidden nothing, so that the modes are looked at; the topmost folder is of a drill's own making."""
    (tmp_path / "drill/outer/inner").mkdir(parents=True)
    for closed in ("outer/inner", "outer"):
        (tmp_path / "drill" / closed).chmod(0o100)
    seen: list[int] = []

    def removed(top: str) -> None:
        seen.extend(os.stat(at).st_mode & 0o777 for at, _, _ in os.walk(top) if at != top)

    monkeypatch.setattr("otherroof.jobs.drill_folder.shutil.rmtree", removed)
    remove_tree(str(tmp_path / "drill"))
    assert seen == [0o700, 0o700]


def test_removing_follows_no_link(tmp_path: Path) -> None:
    (tmp_path / "kept").mkdir(mode=0o750)
    (tmp_path / "kept/file").write_text("stays")
    (tmp_path / "drill/sub").mkdir(parents=True)
    (tmp_path / "drill/sub/out").symlink_to(tmp_path / "kept")
    remove_tree(str(tmp_path / "drill"))
    assert (tmp_path / "kept/file").read_text() == "stays"
    assert (tmp_path / "kept").stat().st_mode & 0o777 == 0o750
    assert not (tmp_path / "drill").exists()


def test_what_a_killed_drill_left_is_swept_but_not_one_under_way(job: OneJob) -> None:
    for name in (f"{JOB}.00000001", "gone-job.00000002", "other.00000003"):
        (job.state / "drill" / name / "restored").mkdir(parents=True)
        (job.state / "drill" / name / "restored/file").write_bytes(b"left")
    with drill_folder(job.settings, "other", SystemClock()) as theirs:
        assert os.listdir(theirs) == []
        assert os.stat(theirs).st_mode & 0o777 == 0o700, "what comes back is for nobody else of this machine"
        drilled(job)
        assert left_over(job) == [os.path.basename(theirs)]
    assert left_over(job) == []


def test_two_drills_of_a_job_do_not_meet(job: OneJob) -> None:
    with drill_folder(job.settings, JOB, SystemClock()), pytest.raises(Busy, match="a drill of this job"):
        drilled(job)


# -- stopped, cut, hostile --


@pytest.mark.parametrize("times", [0, 6])
def test_stop_sign_ends_it_with_what_was_timed(job: OneJob, monkeypatch: pytest.MonkeyPatch, times: int) -> None:
    # However long the login takes, the sign is not looked at during it.
    monkeypatch.setattr("otherroof.base.time_limit.LOOK_S", 60.0)
    monkeypatch.setattr("otherroof.jobs.drill.TICK_S", 0.0)
    monkeypatch.setattr("otherroof.far.sftp.place.TICK_S", 0.0)  # asked whenever something comes
    job.door.misbehave(delay_s=0.01)  # type: ignore[attr-defined]
    seen = job.where / "seen"
    job.job_more = {"drill": {"also": ["/bin/sh", "-c", f"touch {seen}"]}}
    job.write_settings()
    found = drilled(job, stop=UpAfter(times))
    assert found.cut == "the service ends"
    assert found.needs_a_look
    assert found.files < FILES + 12 + 3, "it did not go on to the last file"
    (row,) = drill_rows(job)
    assert (row.outcome, row.reason) == ("cut", "the service ends")
    assert found.back is not None or times == 0
    assert not seen.exists(), "the job's own check is not asked about a part of a part"
    assert left_over(job) == []


def test_one_that_is_stopped_while_it_compares_is_cut_too(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    # However long the login takes, the sign is not looked at during it.
    monkeypatch.setattr("otherroof.base.time_limit.LOOK_S", 60.0)
    monkeypatch.setattr("otherroof.jobs.drill.TICK_S", 0.0)
    asked = UpAfter(10**9)
    drilled(job, stop=asked)
    whole = 10**9 - asked.left
    found = drilled(job, stop=UpAfter(whole - 5))
    assert found.cut == "the service ends"
    assert found.files == FILES + 12 + 3, "all had come back by then"
    assert found.back is not None
    assert [row.outcome for row in drill_rows(job)] == ["cut", "whole"]


def test_comparison_reads_what_lies_on_the_disk_not_what_came(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk here that changes what is written: what came was whole, what lies there is not."""
    real = Restorer.restore

    def spoilt(self: Restorer, *given: Any) -> Any:
        back = real(self, *given)
        (restored,) = (job.state / "drill").glob("*/restored")
        with (restored / "pictures/3.jpg").open("r+b") as file:
            file.write(b"rot")
        (restored / "letters/1/1.txt").write_bytes(b"short")
        (restored / "letters/newest").unlink()
        (restored / "letters/newest").symlink_to("elsewhere")
        return back

    monkeypatch.setattr(Restorer, "restore", spoilt)
    found = drilled(job)
    assert {one.path: one.why for one in found.wrong} == {
        "pictures/3.jpg": "came back, but has other content on this disk",
        "letters/1/1.txt": "came back, but has another size on this disk than the listing says",
        "letters/newest": "came back, but is not the link that the listing names",
    }
    assert drill_rows(job)[0].outcome == "damaged"
    assert damages(job) == [], "the far copy is not to blame"


def test_time_limit_goes_up_after_its_time() -> None:
    class Hands:
        at = 0.0

        def monotonic(self) -> float:
            return self.at

    clock = Hands()
    limit = TimeLimit(clock, 7200.0)  # type: ignore[arg-type]
    assert limit.asked() == ""
    clock.at = 7199
    assert limit.asked() == ""
    clock.at = 7200
    assert "within 2 h" in limit.asked()


def test_connection_that_breaks_leaves_nothing_and_is_noted(job: OneJob) -> None:
    job.door.misbehave(cut_after=40, cut_times=100)  # type: ignore[attr-defined]
    with pytest.raises(LinkLost):
        drilled(job)
    job.door.misbehave()  # type: ignore[attr-defined]
    assert left_over(job) == []
    assert drill_rows(job)[0].outcome == "failed"
    assert drilled(job).wrong == []


def test_box_that_lies_about_everything_is_found_and_writes_nothing_elsewhere(job: OneJob) -> None:
    before = sorted(str(path) for path in job.where.rglob("*") if "far-box" not in str(path))
    names = [os.fsencode(f"/{path.relative_to(job.latest)}") for path in job.latest.rglob("*") if path.is_file()]
    job.door.misbehave(spoiled=tuple(b"/latest" + name for name in names))  # type: ignore[attr-defined]
    found = drilled(job)
    assert len(found.wrong) == FILES + 12 + 1 + 1
    assert found.compared.same_at_home == 0
    job.door.misbehave()  # type: ignore[attr-defined]
    after = sorted(str(path) for path in job.where.rglob("*") if "far-box" not in str(path))
    assert set(after) - set(before) <= {
        str(job.state / "drill"),
        *(str(path) for path in (job.state / "locks").iterdir()),
    }


def test_links_in_the_far_folder_lead_nowhere(job: OneJob) -> None:
    secret = job.where / "secret"
    secret.write_bytes(b"x" * 2_000)
    shutil.rmtree(job.latest / "letters/0")
    (job.latest / "letters/0").symlink_to(job.where)
    found = drilled(job)
    assert found.wrong
    assert secret.read_bytes() == b"x" * 2_000


def test_listing_that_was_tampered_with_is_refused(job: OneJob) -> None:
    (listing,) = (job.far / "runs").iterdir()
    listing.write_bytes(listing.read_bytes()[:-30])
    with pytest.raises(OtherroofError):
        drilled(job)
    assert left_over(job) == []
    assert drill_rows(job)[0].outcome == "failed"


def test_another_home_s_copy_is_not_drilled(job: OneJob) -> None:
    read_me = job.far / "READ-ME-FIRST.txt"
    read_me.write_text(read_me.read_text().rpartition("\n")[0][:-8] + "00000000\n")
    with pytest.raises(FarTrouble):
        drilled(job)
    assert left_over(job) == []


# -- the job's own check --


def test_check_sees_the_restored_files_and_its_answer_is_told(job: OneJob) -> None:
    seen = job.where / "seen"
    script = f'find "${DRILL_FOLDER}" -type f | wc -l > {seen}; echo "the index is broken" >&2; exit 3'
    job.job_more = {"drill": {"also": ["/bin/sh", "-c", script]}}
    job.write_settings()
    found = drilled(job)
    assert int(seen.read_text()) == FILES + 12 + 1 + 1
    assert (found.check_code, found.check_said, found.needs_a_look) == (3, "the index is broken", True)
    (row,) = drill_rows(job)
    assert (row.outcome, row.figures.check_code, row.figures.check_said) == ("whole", 3, "the index is broken")


def test_check_that_is_content_needs_no_look(job: OneJob) -> None:
    job.job_more = {"drill": {"also": ["/bin/true"]}}
    job.write_settings()
    found = drilled(job)
    assert (found.check_code, found.needs_a_look) == (0, False)


@pytest.mark.parametrize("argv", [["/bin/sleep", "60"], ["/no/such/program"]])
def test_check_that_hangs_or_is_missing_is_told_and_ended(job: OneJob, argv: list[str]) -> None:
    job.job_more = {"drill": {"also": argv, "also_s": 0.5}}
    job.write_settings()
    found = drilled(job)
    assert found.check_code == 127
    assert "did not end within" in found.check_said or "cannot be run" in found.check_said
    assert left_over(job) == []


def test_what_is_always_wanted_comes_back_in_every_draw(job: OneJob) -> None:
    seen = job.where / "seen"
    script = f'ls -R "${DRILL_FOLDER}" > {seen}'
    job.job_more = {"drill": {"always": ["pictures/3.jpg", "letters/5"], "also": ["/bin/sh", "-c", script]}}
    job.write_settings()
    for seed in range(3):
        found = drilled(job, most=MB, seed=seed)
        assert found.wrong == []
        listed = seen.read_text()
        assert "3.jpg" in listed
        assert all(f"{number}.txt" in listed for number in range(5, FILES, 7))


def test_what_is_always_wanted_and_has_no_room_is_told(job: OneJob) -> None:
    job.job_more = {"drill": {"always": ["films"]}}
    job.write_settings()
    found = drilled(job, most=MB, seed=1)
    assert "always" in found.lacks[0].why
    assert found.files > 0


# -- from nothing --


def test_whole_loss_is_played_with_settings_and_keys_alone(job: OneJob) -> None:
    job.put("letters/more.txt", b"second version")
    job.done()
    found = drilled(job, from_nothing=True)
    assert (found.from_nothing, found.whole, found.versions) == (True, True, 2)
    assert (found.wrong, found.lacks) == ([], [])
    assert found.files == found.sums.files == FILES + 12 + 4
    assert found.compared.same_at_home == FILES + 12 + 1 + 2
    assert left_over(job) == []
    (row,) = drill_rows(job)
    assert (row.from_nothing, row.outcome) == (True, "whole")


def test_from_nothing_needs_no_state_and_changes_none(job: OneJob) -> None:
    def catalogue_and_rest() -> dict[str, bytes]:
        return {
            str(path): path.read_bytes()
            for path in job.state.rglob("*")
            if path.is_file() and "ledger" not in path.name and "lock" not in path.name
        }

    before = catalogue_and_rest()
    drilled(job, from_nothing=True)
    assert catalogue_and_rest() == before
    job.forget_state()
    assert drilled(job, from_nothing=True).wrong == []


def test_from_nothing_keeps_to_the_budget_it_was_given(job: OneJob) -> None:
    found = drilled(job, from_nothing=True, most=2 * MB)
    assert not found.whole
    assert 0 < found.size <= 2 * MB


def test_run_that_the_far_box_hides_is_told_also_from_nothing(job: OneJob) -> None:
    job.put("letters/more.txt", b"second version")
    hidden = job.done().run
    job.listing(hidden).unlink()
    found = drilled(job, from_nothing=True)
    assert any(hidden in one.why for one in found.lacks)
    assert found.needs_a_look
    assert found.versions == 1, "with nothing but settings and keys nobody knows of the other"
