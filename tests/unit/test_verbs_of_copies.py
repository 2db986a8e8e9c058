"""`photos` means all copies of the folder, `photos@wren` the one at that far box; who errs is told which there are."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import EXIT_LOOK, EXIT_UNREACHED, EXIT_WELL, EXIT_WRONG_USE
from otherroof.cli.parser.completion import answer
from otherroof.ledger.runs import Hold
from support.live import live_run
from support.two_boxes import TwoBoxes, two_boxes
from support.verbs import Verb, verb_of

BOTH = ["photos@heron", "photos@wren"]


@pytest.fixture
def home(tmp_path: Path) -> Iterator[TwoBoxes]:
    with two_boxes(tmp_path) as made:
        made.put("a", b"first a")
        yield made


@pytest.fixture
def verb(home: TwoBoxes, capsys: pytest.CaptureFixture[str]) -> Verb:
    return verb_of(home, capsys)  # type: ignore[arg-type]  # it only asks for the settings folder


def test_a_run_of_the_folder_is_one_of_each_copy_and_of_one_is_one(home: TwoBoxes, verb: Verb) -> None:
    told = verb("run", "photos", "photos@wren", "--json")
    assert (told.code, [run["job"] for run in told.json["runs"]]) == (EXIT_WELL, BOTH), "none twice"
    home.put("a", b"second a")
    assert [run["job"] for run in verb("run", "photos@wren", "--json").json["runs"]] == ["photos@wren"]
    assert (home.latest("heron", "a").read_bytes(), home.latest("wren", "a").read_bytes()) == (b"first a", b"second a")
    # In no order here: runs of the same second have none.
    assert sorted(row["job"] for row in verb("ledger", "photos", "--json").json["runs"]) == [*BOTH, "photos@wren"]
    assert [row["job"] for row in verb("ledger", "photos@heron", "--json").json["runs"]] == ["photos@heron"]


def test_a_far_box_that_is_gone_bars_no_other_copy(home: TwoBoxes, verb: Verb) -> None:
    assert verb("run", "photos").code == EXIT_WELL
    home.unplug("heron")
    home.put("a", b"second a")
    assert verb("run", "photos").code == EXIT_UNREACHED
    assert home.latest("wren", "a").read_bytes() == b"second a"
    told = verb("prove", "photos", "--all", "--json")
    assert told.code == EXIT_UNREACHED
    assert [copy["job"] for copy in told.json["copies"]] == BOTH
    assert "error" in told.json["copies"][0]
    assert told.json["copies"][1]["read_back"]["files"] == 2, "the newest, and the kept older one"
    assert "photos@heron" in told.err


def test_what_is_done_to_a_copy_is_done_to_all_by_the_folders_name(home: TwoBoxes, verb: Verb) -> None:
    verb("run", "photos")
    assert [copy["job"] for copy in verb("thin", "photos", "--json").json["copies"]] == BOTH
    assert verb("thin", "photos@wren", "--json").json["job"] == "photos@wren"
    assert [copy["job"] for copy in verb("drill", "photos", "--json").json["copies"]] == BOTH
    assert [plan["job"] for plan in verb("plan", "photos", "--up", "20", "--json").json["plans"]] == BOTH
    assert [one["job"] for one in verb("stop", "photos", "--json").json["stopped"]] == BOTH


def test_what_began_or_was_asked_for_under_the_other_name_can_be_stopped(home: TwoBoxes, verb: Verb) -> None:
    with home.ledger() as ledger:
        with ledger.live.held(live_run("photos")):
            assert "under way: photos" in verb("stop").one_line()
        ledger.wishes.ask_run("photos", home.clock.now())
        for words, jobs in ((["photos@wren"], ["photos@wren", "photos"]), (["photos"], BOTH)):
            assert [one["job"] for one in verb("stop", *words, "--json").json["stopped"]] == jobs
            assert ledger.wishes.run_wish("photos") is None


def test_a_release_lets_each_copy_go_on_that_is_held(home: TwoBoxes, verb: Verb) -> None:
    assert "photos: no run is held" in verb("release", "photos").out
    with home.ledger() as ledger:
        for job in BOTH:
            ledger.holds.note(Hold(job, "x", home.clock.now(), "too much", 1, 1, 2, None))
    (line,) = verb("release", "photos@wren").out.splitlines()
    assert line.startswith("photos@wren: released")
    with home.ledger() as ledger:
        holds = [ledger.holds.of(job) for job in BOTH]
    assert [hold is not None and hold.released is not None for hold in holds] == [False, True]
    assert "photos@heron: released" in verb("release", "photos").out


def test_a_version_is_pinned_in_the_copy_that_has_it(home: TwoBoxes, verb: Verb) -> None:
    runs = verb("run", "photos", "--json").json["runs"]
    told = verb("versions", "photos", "--pin", runs[1]["run"], "--why", "the wedding")
    assert told.out.startswith("photos@wren: ")
    error = verb("versions", "photos", "--pin", "9", "--why", "none").one_line()
    assert "each copy has versions of its own" in error
    assert "photos@heron or photos@wren" in error


def test_who_errs_in_a_name_is_told_the_names_there_are(home: TwoBoxes, verb: Verb) -> None:
    for words in (("run", "photos@swan"), ("release", "photo"), ("files", "wren"), ("prove", "photos@")):
        told = verb(*words)
        assert told.code == EXIT_WRONG_USE
        assert told.one_line().endswith(
            "jobs here: photos@heron, photos@wren; photos means photos@heron and photos@wren"
        )
    Path(home.config, "jobs", "photos.toml").write_text("nonsense")
    assert "mistake" in verb("release", "photos@wren").one_line()


def test_the_tab_key_knows_the_folder_and_each_of_its_copies(home: TwoBoxes) -> None:
    def offered(*words: str) -> list[str]:
        return [line.partition("\t")[0] for line in answer(["run", "--config", home.config, *words]).splitlines()[1:]]

    assert offered("") == ["photos", *BOTH]
    assert offered("photos@w") == ["photos@wren"]
    assert offered("photos@wren", "") == ["photos", "photos@heron"]
    # As bash takes it apart: it puts the answer in place of the last word.
    assert offered("photos", "@", "w") == ["wren"]
    assert offered("photos", "@") == ["heron", "wren"]
    assert offered("photos", "@", "wren", "") == ["photos", "photos@heron"]
    assert offered("photos", "@", "wren", "photos", "@", "") == ["heron"]


def test_status_tells_of_a_folder_with_its_copies(home: TwoBoxes, verb: Verb) -> None:
    verb("run", "photos@heron")
    told = verb("status")
    assert told.code == EXIT_LOOK
    (line,) = [line for line in told.out.splitlines() if line.startswith("photos: ")]
    assert line.startswith("photos: 2 copies: heron ")
    assert line.endswith(", wren none yet")
    (folder,) = verb("status", "--json").json["folders"]
    assert (folder["folder"], folder["kept"], [copy["kept"] for copy in folder["copies"]]) == (
        "photos",
        True,
        [True, False],
    )
