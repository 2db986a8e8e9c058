"""`otherroof pair`: make the kit for a far box, and finish with the text that comes back from it."""

from __future__ import annotations

from typing import Annotated

import typer

from otherroof.base.errors import WrongUse
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption

FarToPair = Annotated[str, typer.Argument(metavar="FAR", help="A short name for the far box, such as aunt.")]
AnswersOption = Annotated[str, typer.Option("--answers", metavar="FILE", help="A TOML file of answers; else asked.")]
KitOption = Annotated[str, typer.Option("--kit", metavar="DIR", help="Where to write the kit; else kits/FAR.")]
FinishOption = Annotated[bool, typer.Option("--finish", help="Read the far box's reply and complete the settings.")]
ReplyOption = Annotated[str, typer.Option("--reply", metavar="FILE", help="With --finish: the reply; else read here.")]


def verb(
    far: FarToPair,
    config: ConfigOption = SETTINGS_FOLDER,
    answers: AnswersOption = "",
    kit: KitOption = "",
    completing: FinishOption = False,
    reply: ReplyOption = "",
) -> None:
    """Pair with a far box.

    Makes home's keys and the kit that sets the far box up; with --finish takes in its reply.
    """
    if completing and (answers or kit):
        raise WrongUse("--answers and --kit belong to the beginning of a pairing", advice="leave them out of --finish")
    if reply and not completing:
        raise WrongUse("--reply is for completing a pairing", advice="add --finish")
    from otherroof.cli import pair_talk

    if completing:
        pair_talk.talk_through_end(config, far, reply or "-")
    else:
        pair_talk.talk_through_beginning(config, far, answers, kit)
