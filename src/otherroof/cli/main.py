"""The entry point: finds the verb, runs it, prints an error once, and leaves with the exit code that fits.

Only the verb that is asked for is imported, so that a nightly run does not pay for the others.
"""

from __future__ import annotations

import errno
import gc
import io
import itertools
import os
import sys
from typing import NoReturn

import typer

from otherroof.base.errors import (
    EXIT_INTERRUPTED,
    EXIT_LOOK,
    EXIT_WRONG_USE,
    INSTALLED,
    PUT_SUDO,
    OtherroofError,
    typed,
)
from otherroof.base.printable import escaped
from otherroof.cli.common import print_json, terminal_lines
from otherroof.cli.parser.top import build
from otherroof.cli.parser.verbs import SHORT
from otherroof.cli.parser.words import config_in, told_apart, with_config_after

# These verbs report an interruption themselves.
TELL_THEMSELVES = ("run", "serve")
# By this in the environment a shell's script says that the words are those of a line that is being written.
COMPLETING = "OTHERROOF_COMPLETE"


def _told(problem: typer.TyperException) -> str:
    tell = getattr(problem, "format_message", None)
    words = " ".join(str(tell() if tell else problem).split()).rstrip(".")
    # The library's word for what everything here calls a verb; only at the beginning, further on stands what was given.
    begin, said, rest = words.partition(" command")
    return f"{begin} verb{rest}" if said and begin in ("No such", "Missing") else words


def _help_for(given: list[str]) -> str:
    """The command that helps with the verb that was given, or with all of them."""
    verb = told_apart(given).verb
    return f"otherroof {verb} --help" if verb in SHORT else "otherroof --help"


def main(argv: list[str] | None = None) -> None:
    """Run the command line; always leaves by SystemExit."""
    _print_anything()
    given = sys.argv[1:] if argv is None else argv
    if os.environ.get(COMPLETING):
        _complete(given)
    given = given or ["--help"]
    tell = _Teller(given)
    try:
        code = build()(with_config_after(given), standalone_mode=False)
        if code == EXIT_INTERRUPTED and told_apart(given).verb not in TELL_THEMSELVES:
            tell.line("interrupted", EXIT_INTERRUPTED)
        sys.stdout.flush()  # so that a write error is raised here, not while the interpreter shuts down
    except OtherroofError as error:
        code = tell.error(error)
    except typer.TyperException as problem:
        code = tell.line(f"{_told(problem)}; `{_help_for(given)}` lists what there is", EXIT_WRONG_USE)
    except (KeyboardInterrupt, typer.Abort):
        code = tell.line("interrupted", EXIT_INTERRUPTED)
    # Whoever read our output has gone, such as `head`: they have what they wanted.
    except BrokenPipeError:
        code = 0
    except OSError as problem:
        if problem.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
            raise
        sys.stderr.write(f"otherroof: what there is to tell cannot be written: {problem.strerror}; make room there\n")
        code = EXIT_LOOK
    if argv is None:
        # The process ends, and Python would look through all objects once more: a tenth of a short run's time.
        gc.freeze()
    raise SystemExit(code or 0)


class _Teller:
    """Tells what went wrong: a line for people, and with `--json` an object in its place. `given` is the command."""

    def __init__(self, given: list[str]) -> None:
        words = told_apart(given)
        self._as_json = "--json" in [*itertools.takewhile(lambda word: word != "--", words.after)]
        self._folder = os.path.abspath(config_in([*words.before, *words.after]) or INSTALLED)

    def error(self, error: OtherroofError) -> int:
        """Tell of `error`; gives its exit code."""
        if not self._as_json:
            return self.line(_line(error, self._folder), error.exit_code)
        shown = {"what": error.what, "where": escaped(error.where), "advice": typed(error.advice, self._folder)}
        return self._object(_line(error, self._folder), error.exit_code, shown)

    def line(self, text: str, code: int) -> int:
        """Tell of what has no more than a line; gives `code`."""
        if self._as_json:
            return self._object(text, code, {"what": text, "where": "", "advice": ""})
        said = f"otherroof: {text}"
        sys.stderr.write((terminal_lines(said) if sys.stderr.isatty() else said) + "\n")
        return code

    def _object(self, line: str, code: int, shown: dict[str, str]) -> int:
        print_json({"error": {"line": line, **shown, "exit_code": code}})
        return code


def _line(error: OtherroofError, folder: str) -> str:
    """The error as it is told; if it comes of a forgotten `sudo`, with that as the only advice. `folder` is that of the
    settings."""
    whole = typed(str(error), folder)
    if os.geteuid() == 0:
        return whole
    if PUT_SUDO in whole:
        return whole.partition(PUT_SUDO)[0] + PUT_SUDO
    cause: BaseException | None = error
    while cause is not None and not isinstance(cause, PermissionError):
        cause = cause.__cause__
    return str(error).removesuffix(f"; {error.advice}") + f"; {PUT_SUDO}" if cause is not None else whole


def _complete(given: list[str]) -> NoReturn:
    """Answer a shell that asks what can come next."""
    from otherroof.cli.parser.completion import answer

    sys.stdout.write(answer(given))
    raise SystemExit(0)


def _print_anything() -> None:
    """Escape characters that the terminal cannot show (and bytes that are not UTF-8) instead of failing on them."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
