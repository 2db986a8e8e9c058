"""Options and small helpers that every verb shares: where the settings are, how things are shown.

Every verb's help passes through here, so what only the deeds need is imported inside them.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from otherroof.base.errors import INSTALLED, WrongSettings, WrongUse, typed

if TYPE_CHECKING:
    from rich.console import Console

    from otherroof.ledger import Ledger
    from otherroof.settings import Job, Settings

SETTINGS_FOLDER = INSTALLED
JSON_SCHEMA = 1  # raised if a key goes or means something else; keys may be added
OWN_VERSIONS = "each copy has versions of its own"  # why one of them has to be named
PLAIN_WIDTH = 200  # columns when it is no terminal: nothing is cut short there

_read_from = [SETTINGS_FOLDER]  # the one settings folder that was read last
_NOT_PRINTABLE = re.compile(r"[^ -~]")  # what may be so: the rest is asked letter by letter

ConfigOption = Annotated[str, typer.Option("--config", metavar="DIR", help="The settings folder.")]
NewestOption = Annotated[
    str,
    typer.Option(
        "--newest", metavar="RUN", help="A run that you know of; if the far box does not show it, you are told."
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]


def settings_in(folder: str, *, lend_root: bool = False) -> Settings:
    """The settings, or the one error that says what is wrong with them: for what must not go by half of them."""
    from otherroof.settings import require_settings

    return _as_owner(require_settings(os.path.abspath(folder)), lend_root=lend_root)


def settings_by_hand(folder: str) -> tuple[Settings, dict[str, WrongSettings]]:
    """The settings as the files have them, and for each job whose own file has a mistake what is wrong with it: only
    that job is refused. Raises WrongSettings if the mistake is not in a job's file alone.

    From here on, and after those above and below as well, a verb that root runs is the state folder's owner.
    """
    from otherroof.settings import read_settings
    from otherroof.settings.reader import JOBS_FOLDER

    settings, mistakes = read_settings(os.path.abspath(folder))
    faulty: dict[str, WrongSettings] = {}
    for mistake in mistakes:
        above, file = os.path.split(mistake.file)
        if settings is None or os.path.basename(above) != JOBS_FOLDER or not file.endswith(".toml"):
            more = f" (and {len(mistakes) - 1} more)" if len(mistakes) > 1 else ""
            raise WrongSettings(mistake.line() + more)
        faulty.setdefault(file.removesuffix(".toml"), WrongSettings(mistake.line()))
    assert settings is not None  # else there is a mistake
    return _as_owner(settings), faulty


def settings_in_use(folder: str, *, lend_root: bool = False) -> tuple[Settings, tuple[str, ...]]:
    """The settings as the service has them, or as far as they can be used, and what is wrong with them, one line each.

    `lend_root`: this verb also writes what a person names. Raises WrongSettings if there are none.
    """
    from otherroof.settings.last_good import settings_in_force

    # Before root becomes the service's account: it must not believe what that account can write.
    settings, mistakes = settings_in_force(os.path.abspath(folder))
    if settings is None:
        raise WrongSettings(mistakes[0].line())
    return _as_owner(settings, lend_root=lend_root), tuple(mistake.line() for mistake in mistakes)


def settings_for_rescue(folder: str, *, lend_root: bool = False) -> Settings:
    """The settings as far as they can be used: when files must come back, a slip in another job is only mentioned."""
    settings, mistakes = settings_in_use(folder, lend_root=lend_root)
    for mistake in mistakes:
        sys.stderr.write(f"otherroof: mind: {mistake}\n")
    return settings


def as_typed(text: str) -> str:
    """Advice with its commands as they have to be typed for the settings that this verb has read."""
    return typed(text, _read_from[0])


def _as_owner(settings: Settings, *, lend_root: bool = False) -> Settings:
    _read_from[0] = settings.where
    if os.geteuid() == 0:
        from otherroof.settings import WireguardTunnel
        from otherroof.system.state_owner import work_as_owner_of

        tunnel = any(isinstance(far.tunnel, WireguardTunnel) for far in settings.far.values())
        work_as_owner_of(settings.state, lend_root=lend_root, userspace_tunnel=tunnel)
    return settings


def job_of(settings: Settings, name: str) -> Job:
    """The job called `name`, or the first of the copies of a folder that is called so, for what all of them share;
    raises WrongUse naming those that exist, WrongSettings if its file has a mistake."""
    return settings.jobs[jobs_of(settings, name)[0]]


def jobs_of(settings: Settings, name: str) -> list[str]:
    """The jobs that `name` means: the one of that name, or all copies of the folder that is called so. Never none:
    raises as `job_of` does."""
    from otherroof.settings.copies.names import copies_of

    if name in settings.jobs:
        return [name]
    if copies := copies_of(name, settings.jobs):
        return copies
    if settings.is_unread(name):
        raise WrongSettings("the file of this job has a mistake", where=name)
    raise WrongUse(f"there is no job {name!r}", where=settings.where, advice=f"jobs here: {known_jobs(settings)}")


def one_job_of(settings: Settings, name: str, why: str) -> str:
    """The one job that `name` means. Raises as `jobs_of` does, and WrongUse if it means several copies, saying `why`
    it has to be one."""
    names = jobs_of(settings, name)
    if len(names) > 1:
        raise WrongUse(why, where=name, advice=f"name one: {' or '.join(names)}")
    return names[0]


def known_jobs(settings: Settings) -> str:
    """The names of all jobs, and what is called by one name for several of them."""
    from otherroof.settings.copies.names import copies_of, stem_of

    several = sorted({stem_of(name) for name in settings.jobs} - set(settings.jobs))
    both = "".join(f"; {stem} means {' and '.join(copies_of(stem, sorted(settings.jobs)))}" for stem in several)
    return (", ".join(sorted(settings.jobs)) or "none") + both


def far_names(settings: Settings, asked: str) -> list[str]:
    """The far box `asked` for, or all of them if none is; raises WrongUse naming those that exist."""
    if asked and asked not in settings.far:
        known = ", ".join(sorted(settings.far))
        raise WrongUse(f"there is no far box {asked!r}", where=settings.where, advice=f"far boxes here: {known}")
    return [asked] if asked else sorted(settings.far)


def ledger_of(settings: Settings) -> Ledger:
    """The household's ledger, in the state folder, by the names that the jobs have now. Raises HomeTrouble."""
    from otherroof.base.clock import SystemClock
    from otherroof.jobs.copies.histories import keep_histories
    from otherroof.jobs.locks import service_is_at_work
    from otherroof.ledger import Ledger

    ledger = Ledger(settings.ledger)
    try:
        # A service does it as it takes up the settings, and may go by others for now.
        if not service_is_at_work(settings.state):
            keep_histories(settings, ledger, SystemClock())
    except BaseException:
        ledger.close()
        raise
    return ledger


def own_zone_name() -> str:
    """The name of this machine's own time zone; empty if it is not told."""
    return os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]


def console() -> Console:
    """Where reports go: plain when it is not a terminal, without colour if NO_COLOR says so."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else PLAIN_WIDTH
    return Console(highlight=False, width=width, no_color=True if os.environ.get("NO_COLOR") else None)


def say(text: str, *, err: bool = False) -> None:
    """Print a result or a remark: one line that can be searched, on a terminal broken between words below its own
    beginning."""
    stream = sys.stderr if err else sys.stdout
    if stream.isatty():
        text = terminal_lines(text)
    typer.echo(text, err=err)


def terminal_lines(text: str) -> str:
    """One line as a terminal of this width shows it best."""
    from otherroof.base.text.words import fold

    return fold(text, shutil.get_terminal_size().columns, later=text[: len(text) - len(text.lstrip())])


def print_lines(lines: Iterable[str]) -> None:
    """A screen, line by line. Not by typer: to a terminal that has but ASCII it writes UTF-8 all the same."""
    sys.stdout.write("".join(f"{line}\n" for line in lines))
    sys.stdout.flush()


def print_json(value: Mapping[str, Any]) -> None:
    """One JSON object on standard output, readable by people too, and harmless to a terminal.

    Its first key is `schema`, the version of all these objects' shape.
    """
    sys.stdout.write(_harmless(json.dumps({"schema": JSON_SCHEMA, **value}, indent=2, ensure_ascii=False)) + "\n")


def print_json_rows(
    head: Mapping[str, Any],
    name: str,
    rows: Iterable[Mapping[str, Any]],
    tail: Callable[[], Mapping[str, Any]] = dict,
) -> None:
    """As `print_json`, for more rows than memory should hold: `head`, then the rows under `name`, each on a line of its
    own as it comes, then what `tail` gives after the last."""
    begun = json.dumps({"schema": JSON_SCHEMA, **head, name: []}, indent=2, ensure_ascii=False)
    sys.stdout.write(_harmless(begun.removesuffix("[]\n}")) + "[")
    between = "\n    "
    for row in rows:
        sys.stdout.write(between + _harmless(json.dumps(row, ensure_ascii=False)))
        between = ",\n    "
    sys.stdout.write("\n  ]" if between[0] == "," else "]")
    for key, value in tail().items():
        text = json.dumps({key: value}, indent=2, ensure_ascii=False)
        sys.stdout.write("," + _harmless(text.removeprefix("{").removesuffix("\n}")))
    sys.stdout.write("\n}\n")


def _harmless(text: str) -> str:
    # JSON itself lets DEL and the control characters from U+0080 on stand in a string, and terminals act upon them.
    lines = text.split("\n")
    return "\n".join(line if line.isprintable() else _NOT_PRINTABLE.sub(_as_json, line) for line in lines)


def _as_json(found: re.Match[str]) -> str:
    return found[0] if found[0].isprintable() else json.dumps(found[0])[1:-1]
