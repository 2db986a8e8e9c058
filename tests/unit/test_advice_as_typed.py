"""Advice can be followed as it stands: with `sudo` if it is about the service, and in JSON if asked for."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from otherroof.base.errors import INSTALLED, typed
from otherroof.cli.common import JSON_SCHEMA
from otherroof.cli.main import main
from otherroof.cli.parser.json_words import KEYS
from otherroof.cli.parser.verbs import EXIT_CODES, VERBS, codes_of
from otherroof.settings import read_parts
from otherroof.settings.promises import times_outside_the_window
from otherroof.watch.rules import findings
from support.household import write_household
from support.watching import DAY, NOW, facts, far, job

Ask = Callable[..., tuple[int, str, str]]


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]) -> Ask:
    def run(*argv: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as end:
            main(list(argv))
        said = capsys.readouterr()
        return int(end.value.code or 0), said.out, said.err

    return run


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("`otherroof run photos` tries now", "`sudo otherroof run photos` tries now"),
        ("look, then: otherroof release photos", "look, then: sudo otherroof release photos"),
        ("`sudo otherroof quiet a` stays", "`sudo otherroof quiet a` stays"),
        ("`otherroof restore --help` tells more", "`otherroof restore --help` tells more"),
        ("`otherroof rehearse` and `otherroof serve`", "`otherroof rehearse` and `otherroof serve`"),
        ("`/opt/otherroof run` is a path", "`/opt/otherroof run` is a path"),
        ("`systemctl restart otherroof`", "`sudo systemctl restart otherroof`"),
        ("`systemctl status otherroof` there", "`systemctl status otherroof` there"),
    ],
)
def test_a_command_carries_sudo_if_it_needs_it_and_only_for_the_services_own_settings(text: str, wanted: str) -> None:
    assert typed(text) == wanted
    assert typed(text, "/home/ruth/otherroof") == text


def test_an_alert_advises_what_can_be_typed() -> None:
    late = facts(jobs=(job(newest=NOW - 5 * DAY),), fars=(far(answered=NOW - 4 * DAY),))
    installed = replace(late, settings_in=INSTALLED)
    assert "`otherroof probe heron`" in findings(late)[0].help
    assert len(findings(installed)) == 2
    assert all("`otherroof " not in one.help and "`sudo otherroof " in one.help for one in findings(installed))


def test_an_error_is_told_as_json_if_asked_for_and_nothing_else_is(ask: Ask, tmp_path: Path) -> None:
    code, out, err = ask("status", "--json", "--config", str(tmp_path))
    told = json.loads(out)
    assert (code, err) == (2, "")
    assert told["schema"] == JSON_SCHEMA
    assert told["error"]["exit_code"] == 2
    assert "`otherroof pair NAME` begins one" in told["error"]["what"]
    assert ask("nope", "--json")[0] == json.loads(ask("nope", "--json")[1])["error"]["exit_code"] == 2
    code, out, err = ask("status", "--config", str(tmp_path))
    assert (out, err.count("\n")) == ("", 1)


@pytest.mark.parametrize("verb", VERBS)
def test_help_of_a_verb_has_its_exit_codes(ask: Ask, verb: str) -> None:
    said = " ".join(ask(verb, "--help")[1].split())
    assert "Exit codes: 0 all well; 1 " in said
    for code, meaning in codes_of(verb).items():
        assert f"{code} {meaning}" in said
    assert set(codes_of(verb)) <= set(EXIT_CODES)


def test_verbs_together_have_every_exit_code() -> None:
    assert {code for verb in VERBS for code in codes_of(verb)} == set(EXIT_CODES)


@pytest.mark.parametrize("verb", ["check", "status", "ledger", "digest", "quiet"])
def test_the_keys_of_a_verbs_object_are_those_that_are_described(ask: Ask, tmp_path: Path, verb: str) -> None:
    told = json.loads(ask(verb, "--json", "--config", write_household(tmp_path, jobs={"photos": ""}))[1])
    assert list(told) == ["schema", *KEYS[verb]]


@pytest.mark.parametrize(
    ("lines", "waits"),
    [
        ('window = "22:00-06:30"', None),
        ('window = "02:00-06:30"', "01:30, while its window 02:00-06:30 is closed"),
        ('window = "22:00-01:00"', "it then waits until 22:00"),
        ("", None),
    ],
)
def test_check_names_a_time_at_which_the_window_is_closed_and_that_is_no_mistake(
    ask: Ask, tmp_path: Path, lines: str, waits: str | None
) -> None:
    where = write_household(tmp_path, jobs={"photos": lines})
    remarks = times_outside_the_window(read_parts(where))
    assert [waits in one.line() for one in remarks if waits] == ([True] if waits else [])
    assert bool(remarks) == bool(waits)
    code, said, _ = ask("check", "--config", where)
    assert code == 0
    assert ("mind: " in said) == bool(waits)
    assert "settings: no mistakes" in said


def test_a_job_without_any_copy_is_among_what_needs_a_hand(ask: Ask, tmp_path: Path) -> None:
    """Not "1 job is without any copy" above "what needs a hand: nothing"."""
    told = json.loads(ask("digest", "--json", "--config", write_household(tmp_path, jobs={"photos": ""}))[1])
    assert "without any copy" in told["sentence"]
    (hand,) = [one for one in told["hands"] if "photos" in one["what"]]
    assert "`otherroof run photos` begins one now" in hand["help"]
    assert "`otherroof versions photos`" in hand["help"]
