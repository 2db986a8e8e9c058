"""A share of a far copy is proved: within its budget, the longest unproved first, and with a sample that is told."""

from __future__ import annotations

import io
import json
import random
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from scipy import stats

from otherroof.cli.main import main
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProofResult, ProveOptions, prove
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.restore.proving.own_word import OwnWord, record_of
from otherroof.restore.proving.report import ProofProgress
from otherroof.watch.gather import WatchInputs, gather
from otherroof.watch.overview import overview
from otherroof.watch.rules import findings
from support.main_job import JOB, OneJob, one_job


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


def damage_told(job: OneJob, ledger: Ledger) -> list[str]:
    found = findings(gather(job.settings, ledger, job.clock, WatchInputs()))
    return [finding.headline for finding in found if finding.rule == "damage"]


def furnish(job: OneJob, sizes: list[int]) -> None:
    chance = random.Random(5)
    for number, size in enumerate(sizes):
        job.put(f"folder {number % 7}/file {number}", chance.randbytes(size))
    job.done()


@pytest.mark.slow
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


@pytest.mark.slow
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


@pytest.mark.slow
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


def test_a_file_larger_than_a_night_is_told_and_read_by_all(job: OneJob) -> None:
    furnish(job, [2_000] * 5 + [3_000_000])
    report = proved(job, budget_mb=1, heal=False).report
    assert (report.too_large, report.too_large_bytes, report.files) == (1, 3_000_000, 5)
    assert proved(job, whole=True, heal=False).report.files == 6


def test_a_proof_that_is_stopped_says_so_and_keeps_what_it_knows(job: OneJob) -> None:
    furnish(job, [2_000] * 5)
    stop = StopSign(job.clock)
    stop.ask("its window has closed; it goes on in the next one")
    result = proved(job, stop, whole=True, heal=False)
    assert result.report.cut == "its window has closed; it goes on in the next one"
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.proofs.of(JOB)[0].reason == result.report.cut


def test_damage_raises_an_alert_and_healing_ends_it(job: OneJob) -> None:
    furnish(job, [2_000] * 5)
    (job.latest / "folder 1" / "file 1").write_bytes(b"rot")
    assert proved(job, whole=True, heal=False).found_damage
    with Ledger(job.settings.ledger) as ledger:
        found = [
            one for one in findings(gather(job.settings, ledger, job.clock, WatchInputs())) if one.rule == "damage"
        ]
    assert "'folder 1/file 1'" in found[0].headline
    assert proved(job, whole=True).healing.healed, "by the job's own setting"
    with Ledger(job.settings.ledger) as ledger:
        assert not [
            one for one in findings(gather(job.settings, ledger, job.clock, WatchInputs())) if one.rule == "damage"
        ]
        assert "1 damaged file healed of late" in overview(job.settings, ledger, job.clock).jobs[0].proved


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
