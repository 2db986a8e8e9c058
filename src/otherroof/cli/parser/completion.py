"""Shell completion: what can stand at the place of a command line that a person is about to fill.

The shells' own scripts lie beside this file. Each calls the program with `OTHERROOF_COMPLETE` in its environment and
the words so far as arguments, and is told the kind of what can stand there, then one word a line. A metavar says what
an option or argument takes, so a verb need not do anything for it. Settings that cannot be read have no names to offer.
"""

from __future__ import annotations

import importlib.resources
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import typer

from otherroof.cli.common import SETTINGS_FOLDER
from otherroof.cli.parser.top import command_of
from otherroof.cli.parser.verbs import SHORT
from otherroof.cli.parser.words import CONFIG, config_in, told_apart

if TYPE_CHECKING:
    from otherroof.settings import ReadableSettings

TOP_OPTIONS = {
    CONFIG: "The settings folder.",
    "--version": "Print the version.",
    "--help": "Show this message and exit.",
}


@dataclass(frozen=True, slots=True)
class Choices:
    """What can stand at a place: these words, each with its meaning, or any file or folder."""

    words: dict[str, str] = field(default_factory=dict)
    kind: Literal["words", "files", "folders"] = "words"

    def text(self, begun: str) -> str:
        """As the shells' scripts want it: the words that begin with `begun`."""
        lines = [f"{word}\t{meaning}" for word, meaning in self.words.items() if word.startswith(begun)]
        return "\n".join([self.kind, *lines]) + "\n"


NOTHING = Choices()
_KINDS = {"DIR": Choices(kind="folders"), "FILE": Choices(kind="files"), "PATH": Choices(kind="files")}


def script(shell: str) -> str:
    """What `shell` (bash, zsh or fish) has to read once so that it asks."""
    return importlib.resources.files(__package__).joinpath(f"complete.{shell}").read_text(encoding="utf-8")


def answer(words: Sequence[str]) -> str:
    """The answer to a shell: `words` are those after the program's name, the last the one that has been begun."""
    # bash takes `photos@wren` for three words, and puts what it is answered in place of the last of them.
    words, before = _joined(words)
    if before:
        found = _choices(words[:-1], words[-1])
        own = {word.removeprefix(before): meaning for word, meaning in found.words.items() if word.startswith(before)}
        return Choices(own, found.kind).text(words[-1].removeprefix(before))
    # bash takes `--config=DIR` for three words.
    done, begun = [word for word in words[:-1] if word != "="], words[-1] if words else ""
    begun = "" if begun == "=" else begun
    # zsh and fish hand `--config=DIR` over as one word; it is answered as such, with the option in front.
    option, equals, value = begun.partition("=")
    if equals and option.startswith("-"):
        found = _choices([*done, option], value)
        return Choices({f"{option}={word}": meaning for word, meaning in found.words.items()}, found.kind).text(begun)
    return _choices(done, begun).text(begun)


def _joined(words: Sequence[str]) -> tuple[list[str], str]:
    """The words with what belongs together put together again, and what of the last one bash keeps as it is."""
    joined: list[str] = []
    before, open_end = "", False
    for word in words:
        if word == "@" and joined:
            joined[-1] += word
            before, open_end = joined[-1], True
        elif open_end:
            joined[-1] += word
            open_end = False
        else:
            joined.append(word)
            before = ""
    return joined, before


def _choices(done: Sequence[str], begun: str) -> Choices:
    apart = told_apart(done)
    if apart.verb in SHORT:
        return _choices_of(apart.verb, apart.after, begun, config_in(done))
    if apart.verb:
        return NOTHING  # it is no verb of ours, so nothing after it can be right
    if done and done[-1] == CONFIG:
        return _KINDS["DIR"]
    return Choices(TOP_OPTIONS if begun.startswith("-") else SHORT)


def _choices_of(verb: str, given: Sequence[str], begun: str, config: str | None) -> Choices:
    params: list[Any] = [*command_of(verb).params]
    options = {name: param for param in params if param.param_type_name == "option" for name in param.opts}
    arguments = [param for param in params if param.param_type_name == "argument"]
    place = _place_after(given, options)
    if place.waiting is not None:
        return _values(verb, place.waiting, config)
    if begun.startswith("-") and not place.only_arguments:
        # One that was given is not offered again, unless it may be given several times.
        unused = {name: param.help for name, param in options.items() if name not in given or param.multiple}
        return Choices({**unused, "--help": TOP_OPTIONS["--help"]})
    # The last may take any number of words.
    reached = [*arguments[place.arguments :], *(param for param in arguments[-1:] if param.nargs == -1)]
    found = _values(verb, reached[0], config) if reached else NOTHING
    return Choices({word: meaning for word, meaning in found.words.items() if word not in given}, found.kind)


@dataclass(slots=True)
class _Place:
    """How far a verb's words have come: the option that waits for its value, and how many arguments there were."""

    waiting: Any = None
    arguments: int = 0
    only_arguments: bool = False


def _place_after(given: Sequence[str], options: dict[str, Any]) -> _Place:
    place = _Place()
    for word in given:
        if place.waiting is not None:
            place.waiting = None
        elif word == "--":
            place.only_arguments = True
        elif word.startswith("-") and not place.only_arguments:
            option = options.get(word)
            place.waiting = option if option is not None and not option.is_flag else None
        else:
            place.arguments += 1
    return place


def _values(verb: str, param: Any, config: str | None) -> Choices:
    """What can be given to an option or argument of `verb`, by its metavar or its fixed choices."""
    wanted = (param.metavar or "").strip("[]")
    if wanted in _KINDS:
        return _KINDS[wanted]
    if wanted in _NAMED:
        # Late, since it imports pydantic: only names from the settings need it, and a person waits at the key.
        from otherroof.settings import read_parts

        folder = os.path.expanduser(config if config is not None else SETTINGS_FOLDER)
        return Choices(_NAMED[wanted](read_parts(folder)))  # mistakes in the settings are for `check` to tell
    # The library's own answer: the choices of an option that has a fixed set of them, else nothing.
    fixed = param.shell_complete(typer.Context(command_of(verb)), "")
    return Choices(dict.fromkeys((choice.value for choice in fixed), ""))


def _job_names(parts: ReadableSettings) -> dict[str, str]:
    """Each job, and each folder of several copies: one name for all of them."""
    from otherroof.settings.copies.names import stem_of

    folders = {stem_of(name): job.folder for name, job in parts.jobs.items()}
    return folders | {
        name: job.folder if name in folders else f"{job.folder} to {job.far}" for name, job in parts.jobs.items()
    }


# What people name by a name from the settings, with what tells it from the others.
_NAMED: dict[str, Callable[[ReadableSettings], dict[str, str]]] = {
    "JOB": lambda parts: dict(sorted(_job_names(parts).items())),
    "FAR": lambda parts: {name: far.address for name, far in sorted(parts.far.items())},
    "CHANNEL": lambda parts: {name: channel.kind for name, channel in sorted(parts.told.channels.items())},
}
