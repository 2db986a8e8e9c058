"""The entry point: finds the verb, runs it, prints an error once, and leaves with the exit code that fits.

Only the verb that is asked for is imported, so that a nightly run does not pay for the others.
"""

from __future__ import annotations

import errno
import importlib
import io
import sys
from typing import Any

import typer

from otherroof import __version__
from otherroof.base.errors import EXIT_INTERRUPTED, EXIT_LOOK, EXIT_WRONG_USE, OtherroofError

# By what one wants, in the order in which a household meets them. Each verb is a module with a function `verb` in its
# group's folder.
GROUPS: dict[str, tuple[str, ...]] = {
    "set_up": ("rehearse", "check", "pair", "probe", "install"),
    "copy": ("run", "release", "serve"),
    "look": ("status", "ledger", "digest", "page", "quiet", "alert-test"),
    "get_back": ("versions", "restore"),
}
VERBS = {verb: group for group, verbs in GROUPS.items() for verb in verbs}

# These verbs report an interruption themselves.
TELL_THEMSELVES = ("run", "serve")


def build(only: str = "") -> typer.Typer:
    """The command line with every verb, or with just one if that is all that is needed."""
    app = typer.Typer(
        name="otherroof",
        help="Keeps a second copy of a household's folders under another roof.",
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_top)
    for name in (only,) if only else VERBS:
        module: Any = importlib.import_module(f"otherroof.cli.{VERBS[name]}.{name.replace('-', '_')}")
        app.command(name)(module.verb)
    return app


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"otherroof {__version__}")
        raise typer.Exit


def _top(
    version: bool = typer.Option(False, "--version", callback=_show_version, is_eager=True, help="Print the version."),
) -> None:
    """Keeps a second copy of a household's folders under another roof."""


def _told(problem: typer.TyperException) -> str:
    tell = getattr(problem, "format_message", None)
    return " ".join(str(tell() if tell else problem).split()).rstrip(".")


def main(argv: list[str] | None = None) -> None:
    """Run the command line; always leaves by SystemExit."""
    _print_anything()
    given = (sys.argv[1:] if argv is None else argv) or ["--help"]
    asked = given[0] if given and given[0] in VERBS else ""
    try:
        code = build(asked)(given, standalone_mode=False)
        if code == EXIT_INTERRUPTED and asked not in TELL_THEMSELVES:
            sys.stderr.write("otherroof: interrupted\n")
        sys.stdout.flush()  # so that a write error is raised here, not while the interpreter shuts down
    except OtherroofError as error:
        sys.stderr.write(f"otherroof: {error}\n")
        code = error.exit_code
    except typer.TyperException as problem:
        sys.stderr.write(f"otherroof: {_told(problem)}; `otherroof --help` lists what there is\n")
        code = EXIT_WRONG_USE
    except (KeyboardInterrupt, typer.Abort):
        sys.stderr.write("otherroof: interrupted\n")
        code = EXIT_INTERRUPTED
    except BrokenPipeError:
        code = 0
    except OSError as problem:
        if problem.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
            raise
        sys.stderr.write(f"otherroof: what there is to tell cannot be written: {problem.strerror}; make room there\n")
        code = EXIT_LOOK
    finally:
        _hand_over()
    raise SystemExit(code or 0)


def _print_anything() -> None:
    """Escape characters that the terminal cannot show (and bytes that are not UTF-8) instead of failing on them."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _hand_over() -> None:
    if "otherroof.cli.common" in sys.modules:
        from otherroof.cli.common import give_to_service_now

        give_to_service_now()
