"""The top of the command line: its own options, and the verbs below it, each loaded when it is asked for.

It must not import a verb's module before that, nor what verbs need: a list of what there is takes no time.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperArgument, TyperCommand, TyperGroup
from typer.main import get_command

from otherroof import __version__
from otherroof.cli.common import SETTINGS_FOLDER
from otherroof.cli.parser.verbs import EXIT_CODES, GROUPS, MODULES, SHORT, codes_of
from otherroof.cli.parser.words import CONFIG

if TYPE_CHECKING:
    # The types that the overridden methods get; typer has no public names for them.
    from typer._click import Command, HelpFormatter
    from typer._click import Context as AnyContext
    from typer.core import TyperOption

PROGRAM = "otherroof"
PURPOSE = "Keeps a second copy of a household's folders under another roof."


class VerbGroup(TyperGroup):
    """The verbs: listed by what a person wants, from their first sentences alone."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        # Stand-ins with a name and a sentence, enough for the list; the real one is put in below, when it is asked for.
        self.commands = {verb: TyperCommand(verb, short_help=short) for verb, short in SHORT.items()}

    def get_command(self, ctx: AnyContext, cmd_name: str) -> Command | None:
        return command_of(cmd_name) if cmd_name in self.commands else None

    def get_help_option(self, ctx: AnyContext) -> TyperOption | None:
        option = super().get_help_option(ctx)
        if option is not None:
            option.default = False  # with None, typer would import pydantic to find out that nothing was asked
        return option

    def option_rows(self, ctx: AnyContext) -> list[tuple[str, str]]:
        """What can stand before the verb, each with its help."""
        rows = [row for param in self.get_params(ctx) if (row := param.get_help_record(ctx))]
        # No option of the group's own: the word goes to the verb before any of this is asked (see `words`).
        folder = f"The settings folder; before or after the verb.  [default: {SETTINGS_FOLDER}]"
        return [(f"{CONFIG} DIR", folder), *rows]

    def format_options(self, ctx: AnyContext, formatter: HelpFormatter) -> None:
        with formatter.section("Options"):
            formatter.write_dl(self.option_rows(ctx))
        self.format_commands(ctx, formatter)

    def format_commands(self, ctx: AnyContext, formatter: HelpFormatter) -> None:
        width = max(map(len, SHORT))  # the same in every group, so that the sentences stand below each other
        for title, verbs in GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(verb.ljust(width), short) for verb, short in verbs.items()])

    def format_epilog(self, ctx: AnyContext, formatter: HelpFormatter) -> None:
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(code), meaning) for code, meaning in EXIT_CODES.items()])


class PlainArgument(TyperArgument):
    """An argument as it is written: `JOB`, or `[JOB]` if it may be left out, without the library's types and braces."""

    def display_type_rich(self, ctx: AnyContext) -> str | None:
        return None

    def _usage_display_name(self) -> str:
        return super()._usage_display_name().translate({ord("{"): None, ord("}"): None})


@cache
def command_of(verb: str) -> Command:
    """What can be given to a verb, read from the function `verb` of its module, which is imported for it."""
    module: Any = import_module(MODULES[verb])
    # A Typer of its own, since that alone makes a command of a function's annotations.
    alone = typer.Typer(add_completion=False, rich_markup_mode=None)
    alone.command(verb)(module.verb)
    command = get_command(alone)
    command.epilog = "Exit codes: " + "; ".join(f"{code} {meaning}" for code, meaning in codes_of(verb).items()) + "."
    for param in command.params:
        if isinstance(param, TyperArgument):
            # The library makes its own kind and takes no other; ours differs in how it is shown alone.
            param.__class__ = PlainArgument
    return command


def build() -> typer.Typer:
    """The whole command line."""
    app = typer.Typer(
        name=PROGRAM,
        cls=VerbGroup,
        help=PURPOSE,
        context_settings={"help_option_names": ["-h", "--help"]},
        subcommand_metavar="VERB [ARGS]...",
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_top)
    return app


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"{PROGRAM} {__version__}")
        raise typer.Exit


def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Nothing to do here: each word before a verb is for itself, or has been given to the verb."""
