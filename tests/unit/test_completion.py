"""What can stand at a place of the command line, as the shells' scripts are told it."""

from __future__ import annotations

from pathlib import Path

import pytest

from otherroof.cli.main import COMPLETING, main
from otherroof.cli.parser.completion import answer
from otherroof.cli.parser.verbs import SHORT, VERBS
from support.fresh_start import started
from support.household import write_household

CHANNEL = '[channel.family]\nkind = "journal"\n'


@pytest.fixture
def config(tmp_path: Path) -> str:
    return write_household(tmp_path, jobs={"photos": "", "papers": ""}, more=CHANNEL)


def offered(*words: str) -> list[str]:
    """The words offered; the kind alone where it is files or folders."""
    kind, *lines = answer(words).splitlines()
    if kind != "words":
        assert lines == []
        return [kind]
    return [line.partition("\t")[0] for line in lines]


def test_verbs_come_first_each_with_its_sentence() -> None:
    assert offered("") == offered() == list(VERBS)
    assert offered("rel") == ["release"]
    assert answer(["rel"]) == f"words\nrelease\t{SHORT['release']}\n"
    assert offered("--") == ["--config", "--version", "--help"]
    assert offered("nonsense", "") == []


def test_options_of_a_verb_are_offered_once() -> None:
    assert offered("run", "--") == ["--config", "--dry", "--reread", "--onto", "--here", "--json", "--help"]
    assert offered("run", "--dry", "--r") == ["--reread"]
    assert offered("run", "--dry", "--d") == []
    assert offered("run", "--", "--d") == []


def test_values_are_offered_by_what_an_option_takes() -> None:
    assert offered("restore", "photos", "--if-there", "") == ["refuse", "keep", "replace"]
    assert offered("restore", "photos", "--if-there=k") == ["--if-there=keep"]
    assert offered("restore", "photos", "--if-there", "=", "k") == ["keep"], "as bash takes the words apart"
    assert offered("restore", "photos", "--into", "") == ["folders"]
    assert offered("restore", "photos", "--into", "/srv/back", "") == ["files"]
    assert offered("digest", "--html", "") == ["files"]
    assert offered("--config", "") == offered("run", "--config", "") == offered("--config", "=") == ["folders"]


def test_names_come_from_the_settings_wherever_they_are_named(config: str) -> None:
    assert offered("--config", config, "run", "") == ["papers", "photos"]
    assert offered(f"--config={config}", "run", "ph") == ["photos"]
    assert offered("run", "--config", config, "photos", "") == ["papers"], "no job twice"
    assert offered("run", "--config", "=", config, "") == ["papers", "photos"]
    assert offered("ledger", "--config", config, "pa") == ["papers"]
    assert offered("probe", "--config", config, "") == ["heron"]
    assert offered("probe", "--config", config, "heron", "") == []
    assert offered("alert-test", "--config", config, "") == ["family"]


def test_settings_that_cannot_be_read_offer_nothing_and_say_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert offered("run", "--config", str(tmp_path / "nowhere"), "") == []
    (tmp_path / "otherroof.toml").write_text("nonsense")
    assert offered("run", "--config", str(tmp_path), "") == []
    assert capsys.readouterr() == ("", "")


def test_a_job_with_a_mistake_hides_no_other(config: str, tmp_path: Path) -> None:
    (tmp_path / "jobs" / "papers.toml").write_text("nonsense")
    assert offered("run", "--config", config, "") == ["photos"]


def test_the_program_answers_and_does_nothing_else(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv(COMPLETING, "1")
    with pytest.raises(SystemExit) as left:
        main(["status", "--j"])
    assert left.value.code == 0
    assert capsys.readouterr() == ("words\n--json\tPrint one JSON object instead of text.\n", "")


def test_verbs_and_options_are_offered_without_reading_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(COMPLETING, "1")
    for words in (("st",), ("run", "--")):
        found = started(*words)
        assert found.told.startswith("words\n")
        assert not found.has("pydantic")
        assert not found.has("otherroof.settings")
