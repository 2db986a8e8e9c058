"""A verb imports what it needs and no more: whoever asks for help or a look does not wait for SSH, mail or templates.

Looked at in fresh interpreters, by what has been imported in the end; `tests/bench/start.py` has the times. Verbs are
children of one that has told the help of a single verb, which must be as light: this spares twenty times the start.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest

from otherroof.base.errors import EXIT_LOOK, EXIT_WELL, EXIT_WRONG_USE
from otherroof.cli.parser.verbs import MODULES, VERBS
from support.fresh_start import Started, StartedOnce, started
from support.household import write_household

# What only copying, serving, pairing and the digest need.
WORKERS = ("paramiko", "apscheduler", "cryptography", "jinja2", "smtplib", "http.client", "otherroof.far.session")
# What everything needs that reads settings or history, or shows a table.
READERS = ("pydantic", "sqlite3", "rich", "otherroof.settings", "otherroof.ledger")
# What a run has no use for: how copies are looked at, thought out and read back; and what its household has not got.
NOT_OF_A_RUN = (
    "otherroof.forecast.planning",
    "otherroof.forecast.first_copy",
    "otherroof.tunnel.drivers.wireguard",
    "otherroof.restore",
    "otherroof.watch",
    "otherroof.pairing",
    "otherroof.jobs.carried",
    "otherroof.schedule.plan",
    "otherroof.system.install_steps",
    "otherroof.rehearsal",
    "rich",
)
# Rooms in which nothing lies that a list of options could need.
ROOMS = tuple(
    f"otherroof.{room}"
    for room in ("tunnel", "probe", "far", "layouts", "restore", "pairing", "jobs", "schedule", "rehearsal")
)


def imported(names: tuple[str, ...], found: Started, code: int = EXIT_WELL) -> list[str]:
    """Those of `names` that were imported; it must have ended with `code`."""
    assert found.code == code, (found.told, found.errors)
    return [name for name in names if found.has(name)]


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StartedOnce]:
    with StartedOnce(tmp_path_factory.mktemp("started"), "status", "--help") as made:
        yield made


@pytest.fixture
def config(tmp_path: Path) -> str:
    return write_household(tmp_path)


@pytest.mark.parametrize("name", [*WORKERS, *READERS, *ROOMS, *NOT_OF_A_RUN])
def test_what_must_not_be_imported_is_called_so(name: str) -> None:
    """Else a name that has changed would let everything through."""
    assert find_spec(name) is not None


@pytest.mark.parametrize(
    ("argv", "code"),
    [
        ([], EXIT_WELL),
        (["--version"], EXIT_WELL),
        (["--help"], EXIT_WELL),
        (["--config", "/nowhere", "-h"], EXIT_WELL),
        (["stat"], EXIT_WRONG_USE),
        (["run", "-x"], EXIT_WRONG_USE),
    ],
)
def test_the_program_tells_of_itself_without_its_workers(argv: list[str], code: int) -> None:
    assert imported((*WORKERS, *READERS, *ROOMS), started(*argv), code) == []


def test_the_list_of_verbs_imports_none_of_them() -> None:
    modules = started("--help").modules
    assert [module for module in MODULES.values() if module in modules] == []


@pytest.mark.parametrize("verb", VERBS)
def test_help_for_a_verb_imports_nothing_that_its_deeds_need(once: StartedOnce, verb: str) -> None:
    found = once.started(verb, "--help")
    assert f" {verb} " in found.told.splitlines()[0]
    assert imported((*WORKERS, *READERS, *ROOMS), found) == []


@pytest.mark.parametrize(
    ("argv", "code"),
    [
        (["status"], EXIT_LOOK),
        (["ledger"], EXIT_WELL),
        (["quiet"], EXIT_WELL),
        (["release", "photos"], EXIT_WELL),
    ],
)
def test_a_look_does_not_wait_for_the_workers(once: StartedOnce, argv: list[str], code: int, config: str) -> None:
    assert imported(WORKERS, once.started("--config", config, *argv), code) == []


@pytest.mark.parametrize(("verb", "code"), [("status", EXIT_LOOK), ("ledger", EXIT_WELL), ("quiet", EXIT_WELL)])
def test_json_does_not_wait_for_tables(once: StartedOnce, verb: str, code: int, config: str) -> None:
    assert imported(("rich",), once.started(verb, "--json", "--config", config), code) == []


def test_the_digest_needs_templates_and_no_ssh(once: StartedOnce, config: str) -> None:
    found = once.started("digest", "--config", config)
    assert found.has("jinja2")
    assert [name for name in ("paramiko", "apscheduler", "cryptography") if found.has(name)] == []


def test_a_run_does_import_its_workers(once: StartedOnce, config: str) -> None:
    """What is looked for above can be seen at all."""
    found = once.started("run", "--config", config, "photos")
    assert found.has("paramiko")
    assert not found.has("apscheduler")
    assert [name for name in NOT_OF_A_RUN if found.has(name)] == []
