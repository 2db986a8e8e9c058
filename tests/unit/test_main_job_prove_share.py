"""A share of a far copy is proved: within its budget, the longest unproved first, and with a sample that is told."""

from __future__ import annotations

import io
import json
import os
import random
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from scipy import stats

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import LinkLost
from otherroof.cli.main import main
from otherroof.far_copy.view import FarCopyView
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProofResult, ProveOptions, prove
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.restore.proving import parts
from otherroof.restore.proving.own_word import OwnWord, record_of
from otherroof.restore.proving.prove import FarProof
from otherroof.restore.proving.report import ProofProgress
from otherroof.watch.digest.build import build_digest
from otherroof.watch.digest.gather import gather_digest
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from otherroof.watch.overview import overview
from support.main_job import JOB, OneJob, one_job

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        yield made


def proved(job: OneJob, stop: StopSign | None = None, **options: object) -> ProofResult:
    with Ledger(job.settings.ledger) as ledger:
        context = JobContext(ProofProgress(), ledger, job.clock)
        if stop is not None:
            context = JobContext(ProofProgress(), ledger, job.clock, stop)
        return prove(job.settings, JOB, context, ProveOptions(**options))  # type: ignore[arg-type]


def furnish(job: OneJob, sizes: list[int]) -> None:
    chance = random.Random(5)
    for number, size in enumerate(sizes):
        job.put(f"folder {number % 7}/file {number}", chance.randbytes(size))
    job.done()


@pytest.mark.parametrize(
    ("sizes", "budget_mb"),
    [([2_000] * 900, 1.0), ([60_000] * 60, 2.0), ([700_000, 300_000] * 4 + [50_000] * 40, 4.0), ([400] * 2_000, 0.8)],
    ids=["small", "middling", "large", "tiny"],
)
def test_what_crosses_the_wire_is_the_budget_within_five_percent(
    job: OneJob, sizes: list[int], budget_mb: float
) -> None:
    furnish(job, sizes)
    result = proved(job, budget_mb=budget_mb, heal=False)
    assert 0.95 * budget_mb * 1e6 <= result.row.wire_down <= 1.05 * budget_mb * 1e6
    assert 0 < result.report.files < len(sizes)


def test_every_file_has_its_turn_and_then_it_is_said_since_when(job: OneJob) -> None:
    furnish(job, [3_000] * 200)
    said = []
    for _ in range(12):
        proved(job, budget_mb=0.15, heal=False)
        with Ledger(job.settings.ledger) as ledger:
            said.append(ledger.proofs.of(JOB)[0].never)
            told = overview(job.settings, ledger, job.clock).jobs[0].proved
    assert said == sorted(said, reverse=True)
    assert said[0] > 100
    assert said[-1] == 0
    assert told.startswith("all read back since ")
    assert "no damage in " in told
    assert "with 95 % confidence fewer than " in told


def test_an_older_versions_kept_files_have_their_turn_too(job: OneJob) -> None:
    furnish(job, [3_000] * 20)
    job.put("folder 0/file 0", "other")
    run = job.done().run
    kept = job.earlier(run) / "folder 0" / "file 0"
    kept.write_bytes(b"rot")
    result = proved(job, budget_mb=50, heal=False)
    assert [damage.path for damage in result.report.damaged] == [b"folder 0/file 0"]
    assert not result.report.damaged[0].in_newest


def test_samples_of_a_real_far_copy_find_as_often_as_the_law_says(job: OneJob) -> None:
    furnish(job, [1_000] * 60)
    bad = random.Random(3).sample(range(60), 6)
    for number in bad:
        (job.latest / f"folder {number % 7}" / f"file {number}").write_bytes(b"rot")
    hits: Counter[int] = Counter()
    drawn = set()
    nights = 60
    for _ in range(nights):
        report = proved(job, share=0.4, heal=False).report
        hits[report.drawn_damaged] += 1
        drawn.add(report.drawn)
    (sample,) = drawn
    law = stats.hypergeom(60, 6, sample)
    seen = [hits[0], sum(hits[count] for count in range(1, 7))]
    expected = [nights * law.pmf(0), nights * (1 - law.pmf(0))]
    assert stats.chisquare(seen, expected).pvalue > 0.001


def test_a_file_larger_than_a_night_that_is_here_no_more_is_told_and_read_by_all(job: OneJob) -> None:
    furnish(job, [2_000] * 5 + [3_000_000])
    (job.folder / "folder 5" / "file 5").unlink()
    report = proved(job, budget_mb=1, heal=False).report
    assert (report.too_large, report.too_large_bytes, report.files) == (1, 3_000_000, 5)
    assert proved(job, whole=True, heal=False).report.files == 6


def test_an_older_version_that_a_night_cannot_read_to_its_end_goes_on_the_next_night(job: OneJob) -> None:
    """Two versions more are there, so its own turn would come every third night."""
    furnish(job, [300_000] * 10)
    for number in range(10):
        job.put(f"folder {number % 7}/file {number}", "now small")
    kept = job.earlier(job.done().run)
    for name in ("one", "two"):
        job.put(name, name)
        job.done()
    unread = {one.relative_to(kept).as_posix().encode() for one in kept.rglob("file *")}
    nights = 0
    with Ledger(job.settings.ledger) as ledger:
        while unread and nights < 12:
            nights += 1
            proved(job, budget_mb=1, heal=False)
            days = ledger.proved.days(JOB)
            unread = {name for name in unread if not days.day(f"earlier/{kept.name}/".encode() + name)}
    assert not unread
    assert nights <= 3 + 4, "at most three until its turn, and four nights of three files"


LARGE = Path("folder 5", "file 5")


@pytest.fixture
def large(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> OneJob:
    """Five small files, and one that a night of 1 MB has no room for; its parts are of 200,000 bytes."""
    monkeypatch.setattr(parts, "PART", 200_000)
    furnish(job, [2_000] * 5 + [1_700_000])
    return job


def never(job: OneJob) -> int:
    with Ledger(job.settings.ledger) as ledger:
        return ledger.proofs.of(JOB)[0].never


def test_a_file_larger_than_a_night_is_proved_in_parts_night_after_night(large: OneJob) -> None:
    nights = [proved(large, budget_mb=1, heal=False) for _ in range(3)]
    assert all(night.row.wire_down <= 1.05e6 for night in nights)
    assert [night.report.too_large for night in nights] == [0, 0, 0]
    assert 0 < nights[0].report.parts < 9
    assert sum(night.report.parts for night in nights) >= 9, "1,700,000 bytes are nine parts"
    assert [night.falls_short for night in nights] == [""] * 3
    assert never(large) == 0


def test_parts_are_not_among_what_is_drawn_and_all_of_a_file_is_never_only_a_part(large: OneJob) -> None:
    report = proved(large, budget_mb=1, heal=False).report
    assert (report.population, report.files) == (5, 5)
    assert never(large) == 1


@pytest.mark.parametrize("bad", [0, 650_000, 1_699_999])
def test_damage_in_any_part_is_found_and_healed_and_the_part_proved_anew(large: OneJob, bad: int) -> None:
    with (large.latest / LARGE).open("r+b") as file:
        file.seek(bad)
        byte = file.read(1)
        file.seek(bad)
        file.write(bytes([byte[0] ^ 1]))
    found = []
    for _ in range(4):
        result = proved(large, budget_mb=1, heal=True)
        found += [(damage.shown, damage.in_newest, damage.healed) for damage in result.report.damaged]
    assert found == [(str(LARGE), True, True)]
    assert (large.latest / LARGE).read_bytes() == (large.folder / LARGE).read_bytes()


def test_a_large_file_that_is_gone_at_the_far_end_is_found_by_its_parts(large: OneJob) -> None:
    (large.latest / LARGE).unlink()
    (damage, *_) = proved(large, budget_mb=1, heal=False).report.damaged
    assert damage.shown == str(LARGE)
    assert "cannot be had" in damage.why


def test_rot_at_home_that_keeps_size_and_time_is_no_damage_at_the_far_end(large: OneJob) -> None:
    here = large.folder / LARGE
    times = here.stat().st_mtime_ns
    here.write_bytes(b"rot" + here.read_bytes()[3:])
    os.utime(here, ns=(times, times))
    for _ in range(3):
        assert proved(large, budget_mb=1, heal=True).report.damaged == []
    assert (large.latest / LARGE).read_bytes()[:3] != b"rot"
    assert never(large) == 1


def test_a_large_file_that_changed_here_is_not_compared(large: OneJob) -> None:
    (large.folder / LARGE).write_bytes(b"other" * 340_000)
    report = proved(large, budget_mb=1, heal=False).report
    assert (report.parts, report.too_large, report.damaged) == (0, 1, [])


def test_a_proof_that_is_stopped_says_so_and_keeps_what_it_knows(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    # However long the login takes, the sign is not looked at during it.
    monkeypatch.setattr("otherroof.base.time_limit.LOOK_S", 60.0)
    furnish(job, [2_000] * 5)
    stop = StopSign(job.clock)
    stop.ask("its window has closed; it goes on in the next one")
    result = proved(job, stop, whole=True, heal=False)
    assert result.report.cut == "its window has closed; it goes on in the next one"
    with Ledger(job.settings.ledger) as ledger:
        (row,) = ledger.proofs.of(JOB)
    assert row.reason == result.report.cut
    assert row.since is None, "not all was read back"


def test_a_proof_that_breaks_off_says_why_and_keeps_what_it_knows(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    furnish(job, [2_000] * 5)
    real = FarProof.carry_out

    def broken(proof: FarProof, view: FarCopyView) -> None:
        real(proof, view)
        raise LinkLost("the connection broke off", where=JOB)

    monkeypatch.setattr(FarProof, "carry_out", broken)
    with pytest.raises(LinkLost):
        proved(job, whole=True, heal=False)
    with Ledger(job.settings.ledger) as ledger:
        assert "the connection broke off" in ledger.proofs.of(JOB)[0].reason
        days = ledger.proved.days(JOB)
    assert all(days.day(f"latest/folder {number}/file {number}".encode()) for number in range(5))


def looked(job: OneJob, clock: SteppedClock) -> list[tuple[str, str]]:
    """What a look of the watch, a minute later, tells about damage: raised, again, over, with the headline."""
    clock.step(60)
    with Ledger(job.settings.ledger) as ledger:
        before = {alert.id: alert for alert in ledger.alerts.standing() if alert.rule == "damage"}
        look(job.settings, ledger, clock)
        after = {alert.id: alert for alert in ledger.alerts.standing() if alert.rule == "damage"}
    said = [("over", one.headline) for number, one in before.items() if number not in after]
    for number, one in after.items():
        if number not in before:
            said.append(("raised", one.headline))
        elif one.times != before[number].times:
            said.append(("again", one.headline))
    return said


@pytest.fixture
def dated(tmp_path: Path) -> Iterator[tuple[OneJob, SteppedClock]]:
    clock = SteppedClock(datetime.now(UTC))
    with one_job(tmp_path, clock=clock) as job:
        yield job, clock


def test_damage_raises_an_alert_and_healing_ends_it(dated: tuple[OneJob, SteppedClock]) -> None:
    job, clock = dated
    furnish(job, [2_000] * 5)
    (job.latest / "folder 1" / "file 1").write_bytes(b"rot")
    assert proved(job, whole=True, heal=False).found_damage
    ((kind, headline),) = looked(job, clock)
    assert kind == "raised"
    assert "1 file of papers, 'folder 1/file 1' among them" in headline
    clock.step(60)
    assert proved(job, whole=True).healing.healed, "by the job's own setting"
    assert [kind for kind, _ in looked(job, clock)] == ["over"]
    assert looked(job, clock) == [], "the all-clear is not followed by an alert about the healing"
    with Ledger(job.settings.ledger) as ledger:
        assert "1 damaged file healed of late" in overview(job.settings, ledger, job.clock).jobs[0].proved


def test_damage_found_and_healed_by_one_proof_raises_one_alert_and_no_all_clear_follows(
    dated: tuple[OneJob, SteppedClock],
) -> None:
    job, clock = dated
    furnish(job, [2_000] * 5)
    for number in (1, 3):
        (job.latest / f"folder {number}" / f"file {number}").write_bytes(b"rot")
    assert len(proved(job, whole=True, heal=True).healing.healed) == 2
    ((kind, headline),) = looked(job, clock)
    assert kind == "raised"
    assert headline.startswith("damage in the far copy was found and repaired: 2 files of papers, 'folder ")
    assert looked(job, clock) == []
    with Ledger(job.settings.ledger) as ledger:
        at = overview(job.settings, ledger, clock)
        assert [alert.headline for alert in at.alerts if alert.rule == "damage"] == [headline]
        assert build_digest(gather_digest(job.settings, ledger, clock, WatchInputs())).verdict != "unsafe"
    clock.step(86_400)
    assert [kind for kind, _ in looked(job, clock)] == ["over"]
    assert looked(job, clock) == []
    with Ledger(job.settings.ledger) as ledger:
        told = ledger.file.db.execute("SELECT kind FROM post WHERE about='damage:papers'").fetchall()
    assert told == [("alert",)], "nothing was wrong any more when it was told"


def test_what_could_not_be_healed_and_what_was_are_told_in_one_alert(dated: tuple[OneJob, SteppedClock]) -> None:
    job, clock = dated
    furnish(job, [2_000] * 5)
    for number in (1, 3):
        (job.latest / f"folder {number}" / f"file {number}").write_bytes(b"rot")
    job.put("folder 3/file 3", "no longer what it was")
    assert proved(job, whole=True, heal=True).report.healed == 1
    ((kind, headline),) = looked(job, clock)
    assert kind == "raised"
    assert "1 file of papers, 'folder 3/file 3' among them" in headline
    assert headline.endswith("; 1 other found and repaired")


def test_healing_that_is_killed_before_its_end_is_told_all_the_same(
    dated: tuple[OneJob, SteppedClock], monkeypatch: pytest.MonkeyPatch
) -> None:
    job, clock = dated
    furnish(job, [2_000] * 5)
    (job.latest / "folder 1" / "file 1").write_bytes(b"rot")

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as at_work:
        at_work.setattr("otherroof.ledger.proofs.ProofPage.end", killed)
        with pytest.raises(KeyboardInterrupt):
            proved(job, whole=True, heal=True)
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.damages.of(JOB) == []
    assert [kind for kind, _ in looked(job, clock)] == ["raised"]


def test_a_budget_that_is_too_small_for_prove_days_is_told_with_one_that_would_do(tmp_path: Path) -> None:
    with one_job(tmp_path, job_more={"prove_mb": 0.1, "prove_days": 10}) as job:
        furnish(job, [20_000] * 100)
        result = proved(job, heal=False)
        assert result.falls_short.startswith("at 100 kB a night all takes about ")
        assert "nights, more than prove_days = 10; prove_mb = " in result.falls_short
        enough = float(result.falls_short.split("prove_mb = ")[1].split()[0])
        assert 0.25 < enough < 0.5, "2 MB, a quarter more for the sample, in ten nights, and a listing each night"
        with Ledger(job.settings.ledger) as ledger:
            assert result.falls_short in overview(job.settings, ledger, job.clock).jobs[0].proved
        job.job_more = {"prove_mb": enough, "prove_days": 10}
        job.write_settings()
        with Ledger(job.settings.ledger) as ledger:
            assert "prove_days" not in overview(job.settings, ledger, job.clock).jobs[0].proved
            never, days = 1, 0
            while days < 10 and never:
                proved(job, heal=False)
                never = ledger.proofs.of(JOB)[0].never
                days += 1
        assert never == 0


def test_status_says_that_a_file_has_room_in_no_night_until_all_was_read(tmp_path: Path) -> None:
    with one_job(tmp_path, job_more={"prove_mb": 1}) as job:
        furnish(job, [2_000] * 5 + [3_000_000])
        proved(job, heal=False)

        def told() -> str:
            with Ledger(job.settings.ledger) as ledger:
                return overview(job.settings, ledger, job.clock).jobs[0].proved

        assert "at 1.00 MB a night the largest files never have their turn; prove_mb = 3.1 would do" in told()
        assert (
            "1 file of up to 3.01 MB is never read by night: `otherroof prove papers --all` reads everything" in told()
        )
        proved(job, whole=True, heal=False)
        assert "by night" not in told()
        assert "their turn" not in told()
        proved(job, heal=False)
        assert "by night" not in told(), "it was read, and is not due again for prove_days"
        proved(job, budget_mb=0.001, heal=False)
        assert "by night" not in told(), "what a person asks for once is no night"


def test_the_far_boxs_own_word_is_told_apart_and_its_doubt_is_looked_into(job: OneJob) -> None:
    furnish(job, [2_000] * 30)
    box = Path(job.door.base_path).parent / "box"
    box.mkdir()
    at = job.clock.now() - timedelta(hours=2)
    words = []
    for path in sorted(job.latest.rglob("file *")):
        import hashlib

        name = b"latest/" + str(path.relative_to(job.latest)).encode()
        digest = hashlib.blake2b(path.read_bytes(), digest_size=32).digest()
        words.append(OwnWord(digest if path.name != "file 7" else bytes(32), at, 2_000, name))
    (box / f"{JOB}.read").write_bytes(b"".join(map(record_of, words)))
    # Too little for the 30 files: what the box doubts is read back all the same, and turns out to be whole.
    result = proved(job, budget_mb=0.06, heal=False)
    assert result.report.word_files == 29
    assert not result.report.damaged
    with Ledger(job.settings.ledger) as ledger:
        days = ledger.proved.days(JOB)
        assert days.day(b"latest/folder 0/file 7") == max(days.day(word.name) for word in words)
        told = overview(job.settings, ledger, job.clock).jobs[0].proved
    assert "by the far box's own word 29 files whole" in told
    less = proved(job, budget_mb=0.02, heal=False).report
    assert less.word_files == 0, "what it says would take more than its share of so small a night"
    (job.latest / "folder 0" / "file 7").write_bytes(b"rot")
    assert [damage.path for damage in proved(job, budget_mb=0.06, heal=False).report.damaged] == [b"folder 0/file 7"]


def test_the_verb_ends_with_5_for_damage_and_names_it(
    job: OneJob, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    furnish(job, [2_000] * 5)

    def verb(*words: str) -> int:
        with pytest.raises(SystemExit) as ended:
            main(["prove", JOB, "--config", job.config, *words])
        return int(ended.value.code or 0)

    monkeypatch.setattr("sys.stdin", io.StringIO())
    assert verb("--all") == 0
    assert "that is everything, older versions too: no damage" in capsys.readouterr().out
    (job.latest / "folder 1" / "file 1").write_bytes(b"rot")
    assert verb("--all") == 5
    told = capsys.readouterr().err
    assert "damaged: folder 1/file 1, of the newest copy: " in told
    assert f"otherroof prove {JOB} --heal" in told
    assert verb("--all", "--heal", "--json") == 5
    found = json.loads(capsys.readouterr().out)
    assert [row["path"] for row in found["healed"]] == ["folder 1/file 1"]
    assert found["damaged"][0]["found_by"] == "reading it back over the line"
    assert verb("--share", "50") == 0
    assert verb("--share", "50", "--all") == 2
    assert verb("--share", "101") == 2
