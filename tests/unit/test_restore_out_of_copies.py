"""A restore takes the nearest whole copy, or the one that is asked for; what is damaged there comes from the other."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from otherroof.base.errors import EXIT_DAMAGED, EXIT_UNREACHED, EXIT_WELL, EXIT_WRONG_USE
from otherroof.far.requests import Script
from otherroof.far_copy.entry import Entry
from otherroof.jobs.copies.nearest import KnownCopy, in_order
from otherroof.ledger.far_findings import DamagedFile
from otherroof.rehearsal.compare_trees import differences, read_tree
from otherroof.restore.elsewhere import OtherVersion
from support.simulated import utc
from support.two_boxes import TwoBoxes, two_boxes
from support.verbs import Verb, verb_of
from support.waiting import until

pytestmark = pytest.mark.slow

NOW = utc(2031, 4, 5, 12)
HERON, WREN = (
    KnownCopy(f"photos@{box}", newest=NOW - timedelta(hours=hours), bytes_s=speed)
    for box, hours, speed in (("heron", 9, 1e6), ("wren", 8, 5e6))
)


@pytest.fixture
def home(tmp_path: Path) -> Iterator[TwoBoxes]:
    with two_boxes(tmp_path) as made:
        for number in range(4):
            made.put(f"summer/{number}.jpg", bytes([number]) * 3000)
        made.put("winter/large.mov", b"snow" * 400_000)
        (made.folder / "again.mov").hardlink_to(made.folder / "winter/large.mov")
        for job in ("photos@heron", "photos@wren"):
            made.done(job)
        # Runs are told apart by whole seconds: what a test runs is then newer.
        begun = int(time.time())
        until(lambda: int(time.time()) > begun)
        yield made


@pytest.fixture
def verb(home: TwoBoxes, capsys: pytest.CaptureFixture[str]) -> Verb:
    return verb_of(home, capsys)  # type: ignore[arg-type]  # it only asks for the settings folder


def spoil(home: TwoBoxes, box: str, *names: str) -> None:
    """Turn the content of these files over there into something else, of the same size."""
    for name in names:
        path = home.latest(box, name)
        path.chmod(0o600)
        path.write_bytes(bytes(byte ^ 0xFF for byte in path.read_bytes()))


def damaged(home: TwoBoxes, job: str) -> set[str]:
    with home.ledger() as ledger:
        return {mark.path for mark in ledger.damages.of(job)}


def test_what_is_damaged_in_one_copy_comes_from_the_other_in_the_same_restore(home: TwoBoxes, verb: Verb) -> None:
    spoil(home, "wren", "summer/1.jpg", "again.mov")
    home.latest("wren", "summer/2.jpg").unlink()
    target = home.where / "back"
    told = verb("restore", "photos@wren", "--into", str(target))
    assert differences(read_tree(str(home.folder)), read_tree(str(target))) == []
    assert told.code == EXIT_DAMAGED, "a damaged copy was found"
    assert told.out.startswith("photos@wren: 6 files")
    lines = [line for line in told.err.splitlines() if "from photos@heron" in line]
    assert [any(name in line for line in lines) for name in ("1.jpg", "2.jpg", "again.mov", "0.jpg")] == [1, 1, 1, 0]
    assert damaged(home, "photos@wren") == {"summer/1.jpg", "summer/2.jpg", "again.mov"}
    assert damaged(home, "photos@heron") == damaged(home, "photos") == set()


def test_what_both_have_damaged_is_damaged_and_all_else_comes(home: TwoBoxes, verb: Verb) -> None:
    spoil(home, "wren", "summer/1.jpg", "summer/3.jpg", "again.mov")
    spoil(home, "heron", "summer/1.jpg", "again.mov")
    target = home.where / "back"
    told = verb("restore", "photos@wren", "--into", str(target), "--json")
    assert told.code == EXIT_DAMAGED
    assert told.json["job"] == "photos@wren"
    assert [(row["path"], row["from"]) for row in told.json["elsewhere"]] == [("summer/3.jpg", "photos@heron")]
    assert {row["path"] for row in told.json["damaged"]} == {"summer/1.jpg", "again.mov", "winter/large.mov"}
    there = {str(path.relative_to(target)) for path in target.rglob("*") if path.is_file()}
    assert there == {"summer/0.jpg", "summer/2.jpg", "summer/3.jpg"}


def test_content_is_found_in_the_other_copy_by_its_digest_whatever_it_is_called_there(
    home: TwoBoxes, verb: Verb
) -> None:
    (home.folder / "summer/1.jpg").rename(home.folder / "summer/renamed.jpg")
    home.put("summer/2.jpg", "younger")
    home.done("photos@heron")
    spoil(home, "wren", "summer/1.jpg", "summer/2.jpg")
    target = home.where / "back"
    assert verb("restore", "photos@wren", "--into", str(target)).code == EXIT_DAMAGED
    assert (target / "summer/1.jpg").read_bytes() == bytes([1]) * 3000
    assert (target / "summer/2.jpg").read_bytes() == bytes([2]) * 3000, "from an older version of the other copy"


def test_the_other_box_that_breaks_off_costs_only_what_it_would_have_given(
    home: TwoBoxes, verb: Verb, monkeypatch: pytest.MonkeyPatch
) -> None:
    (home.folder / "summer/same.jpg").hardlink_to(home.folder / "summer/3.jpg")
    for job in ("photos@heron", "photos@wren"):
        home.done(job)
    lost = ["again.mov", "summer/0.jpg", "summer/1.jpg", "summer/2.jpg"]
    spoil(home, "wren", *lost)
    begin = OtherVersion.read_whole

    def break_soon(source: OtherVersion, entry: Entry) -> Script[bytes]:
        if entry.path == b"summer/0.jpg":
            home.doors["heron"].misbehave(cut_after=1, cut_times=9)
        return begin(source, entry)

    monkeypatch.setattr(OtherVersion, "read_whole", break_soon)
    target = home.where / "back"
    told = verb("restore", "photos@wren", "--into", str(target), "--json")
    assert told.code == EXIT_DAMAGED
    came = {row["path"] for row in told.json["elsewhere"]}
    assert {row["path"] for row in told.json["damaged"]} - {"winter/large.mov"} == {*lost} - came
    assert "summer/0.jpg" not in came
    assert told.err.count("photos@heron cannot be asked for what photos@wren does not have") == 1
    assert damaged(home, "photos@wren") >= {*lost}
    there = {str(path.relative_to(target)) for path in target.rglob("*") if path.is_file()}
    assert there - came - {"winter/large.mov"} == {"summer/3.jpg", "summer/same.jpg"}, "no half file"
    assert (target / "summer/same.jpg").samefile(target / "summer/3.jpg")
    assert (target / "summer").stat().st_mtime_ns == (home.folder / "summer").stat().st_mtime_ns


def test_a_whole_copy_needs_no_other_one(home: TwoBoxes, verb: Verb) -> None:
    home.unplug("heron")
    told = verb("restore", "photos@wren", "--into", str(home.where / "back"))
    assert (told.code, told.err) == (EXIT_WELL, "")


def test_the_newest_whole_copy_is_taken_and_the_other_if_that_cannot_be_reached(home: TwoBoxes, verb: Verb) -> None:
    home.put("summer/new.jpg", "new")
    home.done("photos@wren")
    assert verb("restore", "photos", "--into", str(home.where / "1")).out.startswith("photos@wren: 7 files")
    home.unplug("wren")
    told = verb("restore", "photos", "--into", str(home.where / "2"))
    assert told.out.startswith("photos@heron: 6 files")
    assert "photos@wren" in told.err
    assert "now photos@heron is asked" in told.err
    assert verb("versions", "photos", "--json").json["job"] == "photos@heron"
    assert verb("files", "photos", "--json").json["job"] == "photos@heron"
    assert verb("restore", "photos@wren", "--into", str(home.where / "3")).code == EXIT_UNREACHED


def test_a_newer_copy_with_known_damage_is_passed_over_and_named(home: TwoBoxes, verb: Verb) -> None:
    home.put("summer/new.jpg", "new")
    home.done("photos@wren")
    with home.ledger() as ledger:
        ledger.damages.note([DamagedFile("photos@wren", "summer/1.jpg", "x", NOW, "another digest")])
    told = verb("restore", "photos", "--into", str(home.where / "back"))
    assert (told.code, told.out[:13]) == (EXIT_WELL, "photos@heron:")
    assert "photos@wren has a newer version, but known damage; name it to have that one" in told.err


def test_a_new_machine_that_knows_nothing_looks_which_copy_is_newer(home: TwoBoxes, verb: Verb) -> None:
    home.put("summer/new.jpg", "new")
    home.done("photos@wren")
    Path(home.settings.ledger).unlink()
    told = verb("restore", "photos", "--into", str(home.where / "back"))
    assert told.out.startswith("photos@wren: 7 files")


def test_a_run_is_looked_for_in_the_copy_that_has_it(home: TwoBoxes, verb: Verb) -> None:
    with home.ledger() as ledger:
        run = ledger.runs.rows(job="photos@heron")[0].report.run
    home.put("summer/new.jpg", "new")
    home.done("photos@wren")
    told = verb("restore", "photos", "--into", str(home.where / "1"), "--as-of", run, "--dry", "--json")
    assert (told.json["job"], told.json["run"], told.err) == ("photos@heron", run, "")
    Path(home.settings.ledger).unlink()
    told = verb("restore", "photos", "--into", str(home.where / "1"), "--as-of", run, "--dry", "--json")
    assert (told.json["job"], told.json["run"]) == ("photos@heron", run)
    assert verb("restore", "photos", "--into", str(home.where / "1"), "--as-of", "never").code == EXIT_WRONG_USE


@pytest.mark.parametrize(
    ("copies", "first"),
    [
        ((HERON, WREN), "photos@wren"),
        ((HERON, replace(WREN, answers=False)), "photos@heron"),
        ((HERON, replace(WREN, damaged=True)), "photos@heron"),
        ((replace(HERON, answers=False), replace(WREN, damaged=True)), "photos@wren"),
        ((HERON, replace(WREN, newest=HERON.newest)), "photos@wren"),
        ((replace(HERON, bytes_s=9e6), replace(WREN, newest=HERON.newest)), "photos@heron"),
        ((replace(HERON, newest=None), replace(WREN, bytes_s=0)), "photos@wren"),
    ],
    ids=["newest", "silent", "damaged", "silent before damaged", "fastest", "fastest again", "without a copy"],
)
def test_the_nearest_answers_is_whole_is_newest_and_is_fastest(copies: tuple[KnownCopy, ...], first: str) -> None:
    assert in_order(copies)[0].job == in_order(copies[::-1])[0].job == first


def test_a_problem_of_what_was_asked_is_no_reason_to_ask_the_other(home: TwoBoxes, verb: Verb) -> None:
    told = verb("restore", "photos", "nothing/here", "--into", str(home.where / "back"))
    assert told.code == EXIT_WRONG_USE
    assert "is asked" not in told.err


def test_a_state_that_is_damaged_in_one_copy_comes_from_the_other_beside_all_the_others(
    home: TwoBoxes, verb: Verb
) -> None:
    home.put("summer/1.jpg", "younger")
    for job in ("photos@heron", "photos@wren"):
        home.done(job)
    # The older state is damaged at wren, and then the younger one at both.
    (older,) = Path(home.doors["wren"].base_path, "photos/earlier").glob("*/summer/1.jpg")
    older.chmod(0o600)
    older.write_bytes(bytes([9]) * 3000)
    argv = ("summer/1.jpg", "--every-state", "--into")
    told = verb("restore", "photos@wren", *argv, str(home.where / "1"))
    assert told.code == EXIT_DAMAGED, "a damaged copy was found"
    assert "2 states are in" in told.out
    contents = sorted(path.read_bytes() for path in (home.where / "1").iterdir())
    assert contents == [bytes([1]) * 3000, b"younger"]
    (line,) = [line for line in told.err.splitlines() if "from photos@heron, as photos@wren does not have it" in line]
    (old,) = [path.name for path in (home.where / "1").iterdir() if path.read_bytes() == bytes([1]) * 3000]
    assert line.endswith(f"whole: {old}: its content is not what the listing says")
    assert damaged(home, "photos@wren") == {"summer/1.jpg"}
    assert "restore photos@heron summer/1.jpg --into DIR --every-state`" in told.out
    spoil(home, "wren", "summer/1.jpg")
    spoil(home, "heron", "summer/1.jpg")
    both = verb("restore", "photos@wren", *argv, str(home.where / "2"), "--json")
    assert both.code == EXIT_DAMAGED
    assert ([row["from"] for row in both.json["elsewhere"]], len(both.json["damaged"])) == (["photos@heron"], 1)
    (only,) = (home.where / "2").iterdir()
    assert only.read_bytes() == bytes([1]) * 3000
    assert damaged(home, "photos@heron") == set()
