"""Home's own files, damaged at random places: what is damaged counts as absent, and is never believed."""

from __future__ import annotations

import fcntl
import os
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import HomeTrouble, LinkLost, OtherroofError
from otherroof.base.sqlite_file import DamagedDatabase, all_set_aside, set_aside
from otherroof.copying import reconnect
from otherroof.copying.compare.catalogue import Catalogue, write_catalogue
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.fold import make_block
from otherroof.copying.compare.half_sent import SafePart
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.home.chunk_lists import ChunkStore
from otherroof.copying.home.chunks import ChunkList
from otherroof.copying.report import RunReport
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.state import CopyState
from otherroof.ledger import Ledger
from otherroof.ledger import file as ledger_file
from support.main_job import JOB, OneJob, one_job
from support.quick import slow_but_for
from support.simulated import utc

# Seeds of damages to each file.
damages = pytest.mark.parametrize("seeds", [range(50), pytest.param(range(50, 250), marks=pytest.mark.slow)], ids=repr)
NOW = utc(2026, 6, 1)
Damage = Callable[[bytearray, random.Random], None]


def flip_bits(content: bytearray, chance: random.Random) -> None:
    for _ in range(chance.choice((1, 1, 2, 9))):
        content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)


def truncate(content: bytearray, chance: random.Random) -> None:
    del content[chance.choice((0, 1, 50, 512, 4096, chance.randrange(len(content)))) :]


def zero_a_page(content: bytearray, chance: random.Random) -> None:
    at = chance.randrange(0, len(content), 4096)
    content[at : at + 4096] = bytes(len(content[at : at + 4096]))


def fill_with_noise(content: bytearray, chance: random.Random) -> None:
    at = chance.randrange(0, len(content), 512)
    content[at : at + 512] = chance.randbytes(len(content[at : at + 512]))


KINDS: tuple[Damage, ...] = (flip_bits, flip_bits, flip_bits, truncate, zero_a_page, fill_with_noise)


def spoil(path: Path, chance: random.Random) -> None:
    """One kind of damage, at a random place."""
    content = bytearray(path.read_bytes())
    if content:
        chance.choice(KINDS)(content, chance)
        path.write_bytes(content)


def entry_of(number: int) -> Entry:
    return Entry(
        b"folder/%04d" % number, "file", 10 + number, 5_000 + number, 0o644, 0, 0, digest=bytes([number % 251]) * 32
    )


def numbers_of(number: int) -> tuple[int, int, int, int, int]:
    return (number + 1, 10 + number, 5_000 + number, 6_000, 0o100644)


def spoilt_copies(made: Path, where: Path, seeds: range) -> Iterator[tuple[Path, random.Random, int]]:
    """Copies of the database `made`, of each of which one file is damaged."""
    files = [
        path for path in made.parent.iterdir() if path.name.startswith(made.name) and not path.name.endswith("shm")
    ]
    for seed in seeds:
        chance = random.Random(seed)
        folder = where / str(seed)
        folder.mkdir()
        for path in files:
            shutil.copy(path, folder)
        spoil(folder / chance.choice(sorted(files)).name, chance)
        yield folder / made.name, chance, seed
        shutil.rmtree(folder)


@damages
def test_a_catalogue_is_as_it_was_written_or_refused(tmp_path: Path, seeds: range) -> None:
    """Invariant 4."""
    lines = [(b"%04d" % n, numbers_of(n), entry_of(n).line().encode()) for n in range(300)]
    blocks = [make_block(b"folder", lines[at : at + 30]) for at in range(0, 300, 30)]
    made = tmp_path / "c.db"
    Path(write_catalogue(str(made), blocks, CopyState("2026-06-01T000000Z-0000", "00"))).rename(made)
    refused = 0
    for path, _, seed in spoilt_copies(made, tmp_path, seeds):
        try:
            catalogue = Catalogue(str(path))
        except HomeTrouble:
            refused += 1
            continue
        try:
            catalogue.prove()
            found = list(catalogue.blocks())
        except DamagedDatabase:
            refused += 1
            continue
        finally:
            catalogue.close()
        assert (catalogue.facts.run, found) == ("2026-06-01T000000Z-0000", blocks), seed
    assert refused > len(seeds) / 2


def noted(plan: RunPlan) -> list[object]:
    """What the next run goes by."""
    rows = [
        (one.path, one.want, one.state, one.old_digest, (one.digest, one.line) if one.state in (1, 2) else one.had)
        for one in plan.outcome(NOW)
    ]
    return [
        plan.fact("run"),
        plan.fact("base"),
        rows,
        [(path, five[:4], part) for path, five, part in plan.half_sent.all()],
    ]


@damages
def test_notes_of_a_cut_run_are_as_they_were_written_or_refused(tmp_path: Path, seeds: range) -> None:
    """Invariant 8, also where the damage is in what SQLite has not moved into the file itself yet."""
    folder = tmp_path / "notes"
    plan = RunPlan(str(folder / "n.db"))
    plan.note_fact("run", "2026-06-01T000000Z-0000")
    plan.note_fact("base", "")
    plan.add(Difference(b"folder/%04d" % n, numbers_of(n), None, None) for n in range(300))
    plan.half_sent.note(b"large", (1, 2, 3, 4, 5), SafePart(77, b"\7" * 32))
    plan.commit()
    for number, change in enumerate(list(plan.outcome(NOW))):
        change.digest, change.line = entry_of(number).digest, entry_of(number).line().encode()
        if number % 3:
            plan.begin(change)
        if number % 3 == 2:
            plan.done(change)
        plan.commit()
    shutil.copytree(folder, tmp_path / "killed")  # with what lies beside it, as a kill leaves it
    true = noted(plan)
    plan.close()
    for made in (tmp_path / "killed" / "n.db", folder / "n.db"):
        refused = 0
        for path, _, seed in spoilt_copies(made, tmp_path, seeds):
            try:
                found = RunPlan.of_earlier_run(str(path))
            except HomeTrouble:
                refused += 1
                continue
            assert noted(found) == true, seed
            found.close()
        assert refused > len(seeds) / 2


@damages
def test_a_chunk_list_is_as_it_was_written_or_absent(tmp_path: Path, seeds: range) -> None:
    """Invariant 3: a wrong list would put the far copy together wrongly."""
    store = ChunkStore(str(tmp_path / "c.db"))
    lists = {}
    for number in range(60):
        chunks = ChunkList(65_536)
        for at in range(20):
            chunks.add(60_000 + at, bytes([number, at]) * 8)
        lists[b"%d" % number] = chunks.packed()
        store.put(b"%d" % number, b"digest%d" % number, chunks)
    store.close()
    told = 0
    for path, _, seed in spoilt_copies(tmp_path / "c.db", tmp_path, seeds):
        try:
            store = ChunkStore(str(path))
        except DamagedDatabase:
            raise
        except HomeTrouble as refusal:
            assert "newer Otherroof" in str(refusal)
            continue
        for name, packed in lists.items():
            found = store.get(name, b"digest" + name)
            assert found is None or found.packed() == packed, seed
        for _ in range(2):  # the damage may show as late as here
            store.put(b"new", b"digest", ChunkList(65_536))
            store.moved(b"1", b"2")
            store.forget(b"3")
            store.get(b"new", b"digest")
        assert store.get(b"new", b"digest") is not None
        store.close()
        assert len(store.remarks) <= 1
        told += len(store.remarks)
        assert len(all_set_aside(str(path))) == len(store.remarks)
    assert told > len(seeds) / 10


def use_ledger(path: Path) -> None:
    """What a run and a look at the history ask of it."""
    with Ledger(str(path)) as ledger:
        ledger.runs.mark_cut("photos", "no word")
        ledger.runs.rows()
        ledger.marks.by_name()
        ledger.holds.of("photos")
        ledger.alerts.standing()
        ledger.runs.begin("photos", "2026-07-01T000000Z-0000", "heron", utc(2026, 7, 1))
        report = RunReport("photos", "2026-07-01T000000Z-0000", "done")
        ledger.runs.end(report, utc(2026, 7, 1))
        ledger.answers.note("heron", utc(2026, 7, 1))
        ledger.answers.last("heron")


@damages
def test_a_damaged_ledger_is_set_aside_and_said_in_one_line(tmp_path: Path, seeds: range) -> None:
    made = tmp_path / "l.db"
    with Ledger(str(made)) as ledger:
        for number in range(200):
            run = f"2026-06-{number % 28 + 1:02}T{number:06}Z-0000"
            ledger.runs.begin("photos", run, "heron", utc(2026, 6, number % 28 + 1))
            ledger.runs.end(RunReport("photos", run, "done"), utc(2026, 6, number % 28 + 1))
        ledger.marks.note("digest", utc(2026, 6, 1))
        ledger.answers.note("heron", utc(2026, 6, 1))
    aside = 0
    for path, _, seed in spoilt_copies(made, tmp_path, seeds):
        try:
            use_ledger(path)
        except OtherroofError as problem:
            assert "\n" not in str(problem)
            if "newer Otherroof" in str(problem):
                continue
            use_ledger(path)
        with Ledger(str(path)) as ledger:
            assert ledger.runs.rows(job="photos", newest=1)[0].report.outcome == "done", seed
            told = ledger.take_untold(utc(2026, 7, 1))
            assert len(told) == len(all_set_aside(str(path)))
            assert ledger.take_untold(utc(2026, 7, 1)) == []
        aside += len(told)
    assert aside > len(seeds) / 10


# -- through whole runs --


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[OneJob]:
    monkeypatch.setattr(reconnect, "WORTH", 1 << 60)  # no further try for what was carried
    with one_job(tmp_path, far_more={"tries": 1}) as made:
        yield made


def cut_run(job: OneJob) -> None:
    """A first run, many changes, and a run that is cut among them."""
    chance = random.Random(7)
    for number in range(60):
        job.put(f"{number % 4}/{number:02}", chance.randbytes(500 + number))
    job.put("large", chance.randbytes(1_500_000))
    job.done()
    for number in range(0, 60, 2):
        job.put(f"{number % 4}/{number:02}", chance.randbytes(700))
    job.path("1/01").unlink()
    job.path("1/05").rename(job.path("moved"))
    job.put("large", b"new" + job.path("large").read_bytes())
    job.door.misbehave(cut_after=90, cut_times=1000)  # type: ignore[attr-defined]
    assert isinstance(job.run().error, LinkLost)
    job.door.misbehave()  # type: ignore[attr-defined]


@pytest.mark.parametrize("seed", slow_but_for([0], range(16), most=8))
def test_runs_over_a_damaged_state_end_well_and_say_so(job: OneJob, seed: int) -> None:
    """Invariants 3, 4 and 8."""
    cut_run(job)
    chance = random.Random(seed)
    files = [job.state / kind / f"{JOB}.db" for kind in ("catalogues", "notes", "chunks")] + [Path(job.settings.ledger)]
    assert all(path.exists() for path in files)
    spoil(files[seed % len(files)], chance)
    ran = job.run()
    if ran.error is not None:
        assert "\n" not in str(ran.error)
        ran = job.run()
    assert ran.error is None, ran.error
    assert [problem for problem in ran.report.problems if problem.path] == []
    told = [problem.why for problem in ran.report.problems]
    assert all("set aside as" in why for why in told), told
    assert job.done().files.problems == 0, "and it is told once"
    job.all_come_back()


def test_all_of_it_damaged_at_once(job: OneJob) -> None:
    cut_run(job)
    for path in (*job.state.rglob("*.db"), Path(job.settings.ledger)):
        path.write_bytes(b"no database " * 5_000)
    ran = job.run()
    assert ran.error is None
    told = " ".join(problem.why for problem in ran.report.problems)
    assert told.count("set aside as") == len(list(job.state.rglob("*.damaged-*"))) == 4
    assert job.done().problems == []
    job.all_come_back()


def test_only_the_newest_damaged_files_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for day in range(5):
        monkeypatch.setattr("time.strftime", lambda *_, day=day: f"2026-06-0{day + 1}T000000Z")
        (tmp_path / "x.db").write_bytes(b"%d" % day)
        set_aside(str(tmp_path / "x.db"))
    assert [Path(name).read_bytes() for name in all_set_aside(str(tmp_path / "x.db"))] == [b"3", b"4"]


def test_a_damaged_ledger_met_in_the_middle_is_said_in_one_line_by_the_verbs(tmp_path: Path) -> None:
    """A value that SQLite cannot know to be wrong shows only when it is read."""
    path = str(tmp_path / "l.db")
    with Ledger(path) as ledger:
        ledger.runs.begin("photos", "2026-06-01T000000Z-0000", "heron", utc(2026, 6, 1))
    db = sqlite3.connect(path)
    db.execute("UPDATE run SET started = '20x6-06-01T00:00:00Z'")
    db.commit()
    db.close()
    told = r"was damaged .*; it was set aside as .*, and a new history has begun"
    with pytest.raises(HomeTrouble, match=told), Ledger(path) as ledger:
        ledger.runs.rows()
    with Ledger(path) as ledger:
        assert ledger.runs.rows() == []


def test_a_damaged_ledger_waits_for_nobody_who_keeps_its_folder_locked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "ledger.sqlite").write_bytes(b"not a database" * 100)
    monkeypatch.setattr(ledger_file, "BUSY_S", 0.2)
    folder = os.open(tmp_path, os.O_RDONLY)
    fcntl.flock(folder, fcntl.LOCK_EX)
    try:
        with pytest.raises(HomeTrouble, match="the ledger cannot be used"):
            Ledger(str(tmp_path / "ledger.sqlite"))
    finally:
        os.close(folder)
    Ledger(str(tmp_path / "ledger.sqlite")).close()


def test_a_mistake_of_the_program_does_not_cost_the_history(tmp_path: Path) -> None:
    path = str(tmp_path / "l.db")
    with pytest.raises(ValueError, match="a mistake"), Ledger(path) as ledger:
        ledger.runs.begin("photos", "2026-06-01T000000Z-0000", "heron", utc(2026, 6, 1))
        raise ValueError("a mistake")
    with Ledger(path) as ledger:
        assert len(ledger.runs.rows()) == 1
