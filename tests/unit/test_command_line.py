"""The command line as a whole: which verbs it lists and how, where `--config` may stand, and how it tells of itself."""

from __future__ import annotations

import inspect
import re
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from otherroof.base import errors
from otherroof.base.errors import EXIT_INTERRUPTED, EXIT_LOOK, EXIT_WELL, EXIT_WRONG_USE, WrongUse
from otherroof.cli.common import console
from otherroof.cli.main import main
from otherroof.cli.parser.verbs import EXIT_CODES, GROUPS, MODULES, SHORT, VERBS
from otherroof.cli.parser.words import config_in, told_apart, with_config_after
from support.household import write_household

WITHOUT_SETTINGS = {"install", "rehearse"}


class Said:
    """Calls the program, and keeps how it ended."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys
        self.out, self.err = "", ""

    def __call__(self, *argv: str) -> int:
        with pytest.raises(SystemExit) as left:
            main([*argv])
        self.out, self.err = self._capsys.readouterr()
        return int(left.value.code or 0)


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Said:
    monkeypatch.setenv("COLUMNS", "80")
    return Said(capsys)


def module_of(verb: str) -> Any:
    return import_module(MODULES[verb])


@pytest.mark.parametrize("verb", VERBS)
def test_the_list_says_of_a_verb_what_the_verb_says_of_itself(verb: str) -> None:
    assert SHORT[verb] == (inspect.getdoc(module_of(verb).verb) or "").partition("\n")[0]


def test_every_verb_there_is_stands_in_the_list() -> None:
    folder = Path(import_module("otherroof.cli").__path__[0])
    modules = [path.stem for path in folder.rglob("*.py") if "\ndef verb(" in path.read_text()]
    assert sorted(modules) == sorted(verb.replace("-", "_") for verb in VERBS)


def test_every_exit_code_there_is_has_its_meaning_in_the_list() -> None:
    assert set(EXIT_CODES) == {value for name, value in vars(errors).items() if name.startswith("EXIT_")}


def test_help_lists_verbs_by_what_one_wants_and_ends_with_the_exit_codes(program: Said) -> None:
    assert program("--help") == EXIT_WELL
    titles = [line.rstrip(":") for line in program.out.splitlines() if line and not line.startswith((" ", "Usage"))]
    assert titles == ["Options", *GROUPS, "Exit codes"]
    told = program.out
    for title, verbs in GROUPS.items():
        _, _, rest = told.partition(f"\n{title}:\n")
        block = rest.partition("\n\n")[0].splitlines()
        assert [line.split(maxsplit=1) for line in block] == [[verb, short] for verb, short in verbs.items()]
    last = [line.split(maxsplit=1) for line in told.partition("\nExit codes:\n")[2].splitlines()]
    assert last == [[str(code), meaning] for code, meaning in EXIT_CODES.items()]


@pytest.mark.parametrize("verb", ["", *VERBS])
def test_short_and_long_word_for_help_say_the_same(program: Said, verb: str) -> None:
    before = [verb] if verb else []
    assert program(*before, "--help") == EXIT_WELL
    told = program.out
    assert "-h, --help" in told
    assert program(*before, "-h") == EXIT_WELL
    assert program.out == told
    assert program.err == ""


def test_no_words_ask_for_help(program: Said) -> None:
    assert program() == EXIT_WELL
    told = program.out
    program("--help")
    assert program.out == told


@pytest.mark.parametrize(
    ("given", "before", "verb", "after"),
    [
        ([], [], "", []),
        (["status"], [], "status", []),
        (["--config", "status", "run", "a"], ["--config", "status"], "run", ["a"]),
        (["--config=/x", "run"], ["--config=/x"], "run", []),
        (["--version", "-h"], ["--version", "-h"], "", []),
        (["--config"], ["--config"], "", []),
        (["run", "--config", "/x"], [], "run", ["--config", "/x"]),
    ],
)
def test_words_are_told_apart(given: list[str], before: list[str], verb: str, after: list[str]) -> None:
    found = told_apart(given)
    assert (list(found.before), found.verb, list(found.after)) == (before, verb, after)


@pytest.mark.parametrize(
    ("words", "folder"),
    [
        ([], None),
        (["--config"], None),
        (["--config", "/x"], "/x"),
        (["--config=/x", "--json"], "/x"),
        (["--config", ""], ""),
        (["--config", "/x", "--config", "/y"], "/y"),
        (["a", "--", "--config", "/x"], None),
    ],
)
def test_folder_of_the_settings_is_found(words: list[str], folder: str | None) -> None:
    assert config_in(words) == folder


@pytest.mark.parametrize(
    ("given", "made"),
    [
        (["status"], ["status"]),
        (["status", "--config", "/x"], ["status", "--config", "/x"]),
        (["--config", "/x", "status", "--json"], ["status", "--config", "/x", "--json"]),
        (["--config=/x", "status"], ["status", "--config", "/x"]),
        (["--config", "", "status"], ["status", "--config", ""]),
        (["--config", "/x", "run", "--", "--config"], ["run", "--config", "/x", "--", "--config"]),
        (["--config", "/x", "--help"], ["--help"]),
        (["--config", "/x"], []),
    ],
)
def test_folder_before_the_verb_is_moved_behind_it(given: list[str], made: list[str]) -> None:
    assert with_config_after(given) == made


def test_two_names_for_the_same_folder_are_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert with_config_after(["--config", "x/", "run", f"--config={tmp_path}/x"])[0] == "run"
    with pytest.raises(WrongUse, match="names x before the verb and y after it"):
        with_config_after(["--config", "x", "run", "--config", "y"])


def test_settings_folder_before_the_verb_is_as_good_as_after_it(program: Said, tmp_path: Path) -> None:
    config = write_household(tmp_path)
    assert program("status", "--config", config) == EXIT_LOOK
    told = program.out
    assert "photos" in told
    for before in (["--config", config], [f"--config={config}"]):
        assert program(*before, "status") == EXIT_LOOK
        assert program.out == told
    assert program("--config", config, "status", "--config", f"{config}/") == EXIT_LOOK


@pytest.mark.parametrize(
    ("argv", "line"),
    [
        (["--config", "/a", "status", "--config", "/b"],
         "--config names /a before the verb and /b after it; name one settings folder"),
        (["--config"], "--config names no folder; `otherroof --config DIR VERB`"),
        (["--config", "/a"], "Missing verb; `otherroof --help` lists what there is"),
        (["--config", "/a", "install"], "No such option: --config; `otherroof install --help` lists what there is"),
        (["--config", "/a", "stauts"],
         "No such verb 'stauts'. Did you mean 'status'?; `otherroof --help` lists what there is"),
    ],
)  # fmt: skip
def test_wrong_use_is_told_on_one_line(program: Said, argv: list[str], line: str) -> None:
    assert program(*argv) == EXIT_WRONG_USE
    assert (program.out, program.err) == ("", f"otherroof: {line}\n")


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_that_reads_settings_lets_their_folder_be_named(program: Said, verb: str) -> None:
    program(verb, "--help")
    assert ("--config DIR" in program.out) == (verb not in WITHOUT_SETTINGS)


@pytest.mark.parametrize("before", [[], ["--config", "/x"]])
def test_a_verb_that_tells_itself_of_an_interrupt_is_not_spoken_over(
    program: Said, monkeypatch: pytest.MonkeyPatch, before: list[str]
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    for verb in ("run", "status"):
        name = "settings_by_hand" if verb == "run" else "settings_in_use"
        monkeypatch.setattr(f"{MODULES[verb]}.{name}", interrupted)
    assert program(*before, "run") == EXIT_INTERRUPTED
    assert program.err == ""
    assert program(*before, "status") == EXIT_INTERRUPTED
    assert program.err == "otherroof: interrupted\n"


@pytest.mark.parametrize(("value", "colour"), [("1", False), ("", True), (None, True)])
def test_nothing_is_coloured_if_no_color_says_so(
    monkeypatch: pytest.MonkeyPatch, value: str | None, colour: bool
) -> None:
    """https://no-color.org: if it is present and not empty."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    if value is not None:
        monkeypatch.setenv("NO_COLOR", value)
    assert console().no_color is not colour


@pytest.mark.parametrize("verb", VERBS)
def test_help_shows_what_is_wanted_in_plain_words(program: Said, verb: str) -> None:
    program(verb, "--help")
    usage, *_ = program.out.splitlines()
    assert not re.search(r"[{}<>]|\[\[", usage)
    assert not re.search(r"<(str|float|int|list)|^  \[", program.out, re.MULTILINE)


def test_help_tells_what_must_be_given_from_what_may_be(program: Said) -> None:
    program("restore", "--help")
    assert program.out.splitlines()[0].endswith(" restore [OPTIONS] JOB [PATH]...")
    program("probe", "--help")
    assert program.out.splitlines()[0].endswith(" probe [OPTIONS] [FAR]")


def test_run_without_any_job_says_so(program: Said, tmp_path: Path) -> None:
    config = write_household(tmp_path, jobs={})
    assert program("run", "--config", config) == EXIT_WRONG_USE
    assert program.out == ""
    assert program.err.startswith(f"otherroof: {config}/jobs: there is no job to run; write a file for each folder")
