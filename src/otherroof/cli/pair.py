"""`otherroof pair`: make the kit for a far box, and finish with the text that comes back from it."""

from __future__ import annotations

import os
import socket
import sys
from typing import Annotated

import typer

from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, leave_to_service
from otherroof.errors import WrongUse
from otherroof.link.addresses import kind_of
from otherroof.link.commands import SystemCommands
from otherroof.link.routes import default_route, networks_here
from otherroof.pairing.answers import ANSWER, Answers, ask_answers, read_answers
from otherroof.pairing.kit import SECRET
from otherroof.pairing.plan import doubts
from otherroof.pairing.record import require_record
from otherroof.pairing.work import Begun, begin, finish, look_at
from otherroof.settings.reader import MAIN_FILE

FarArgument = Annotated[str, typer.Argument(metavar="FAR", help="A short name for the far box, such as aunt.")]
AnswersOption = Annotated[str, typer.Option("--answers", metavar="FILE", help="A TOML file of answers; else asked.")]
KitOption = Annotated[str, typer.Option("--kit", metavar="DIR", help="Where to write the kit; else kits/FAR.")]
FinishOption = Annotated[bool, typer.Option("--finish", help="Read the far box's reply and complete the settings.")]
ReplyOption = Annotated[str, typer.Option("--reply", metavar="FILE", help="With --finish: the reply; - reads it here.")]


def verb(
    far: FarArgument,
    config: ConfigOption = SETTINGS_FOLDER,
    answers: AnswersOption = "",
    kit: KitOption = "",
    completing: FinishOption = False,
    reply: ReplyOption = "-",
) -> None:
    """Pair with a far box: make keys and its set-up kit, or with --finish take in its reply."""
    leave_to_service(os.path.join(os.path.abspath(config), "keys"))
    if completing:
        _finish(config, far, reply)
    else:
        _begin(config, far, answers, kit)


def _begin(config: str, far: str, answers_file: str, kit: str) -> None:
    standing = look_at(config, far)
    commands = SystemCommands()
    here = networks_here(commands)
    if answers_file:
        answers = read_answers(answers_file, first_box=standing.first_box)
    elif sys.stdin.isatty():
        route = default_route(commands)
        lan = [str(one.net) for one in here if route is not None and one.name.endswith(f" {route.interface}")]
        answers = _asked(standing.first_box, [net for net in lan if kind_of(net) == "private"])
    else:
        raise WrongUse("nobody is here to answer", advice="write the answers into a file and name it with --answers")
    folder = os.path.abspath(kit) if kit else ""
    begun = begin(standing, far, answers, here=[str(one.net) for one in here], kit_folder=folder)
    typer.echo("\n".join(_told(begun)))


def _asked(first_box: bool, lan: list[str]) -> Answers:
    proposed = {"home": socket.gethostname().partition(".")[0], "zone": _own_zone(), "home_lan": " ".join(lan)}

    def ask(text: str, default: str) -> str:
        suffix = " " if text.endswith("?") and not default else ": "
        return str(typer.prompt(text, default=default, show_default=bool(default), prompt_suffix=suffix))

    return ask_answers(ask, typer.echo, proposed=proposed, first_box=first_box)


def _own_zone() -> str:
    return os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]


def _told(begun: Begun) -> list[str]:
    plan = begun.plan
    lines = [f"kit {plan.kit} for {plan.far} is in {begun.kit_folder}"]
    lines += [f"new key, readable by its owner only: {path}" for path in begun.new_keys]
    if begun.replaced:
        lines.append(f"kit {begun.replaced}, made earlier, no longer fits: do not use it any more")
    lines += [f"look again: {doubt}" for doubt in doubts(plan)]
    lines += ["", "Next:", *_router_lines(begun)]
    lines += [
        f"* Carry the kit to the far box, on a stick or by another safe way: {SECRET} in it is secret.",
        "  READ-ME-FIRST.txt is for whoever sets it up there. They should have said yes before.",
        f"* When the reply is here: otherroof pair {plan.far} --finish",
    ]
    return lines


def _router_lines(begun: Begun) -> list[str]:
    plan = begun.plan
    where = "home's router, to this machine" if plan.role == ANSWER else "the far house's router, to the far box"
    called = plan.own_name if plan.role == ANSWER else plan.far_name
    return [
        f"* Open UDP port {plan.port} in {where} and to nothing else; {called} must lead to that router.",
        "  An opened port is exposed to everyone on the internet. See what your provider's terms and the law",
        "  where you live say of it, and ask whoever answers for that router.",
    ]


def _finish(config: str, far: str, source: str) -> None:
    plan = require_record(os.path.abspath(config), far).plan
    written = finish(config, far, _reply_text(source))
    path = os.path.join(os.path.abspath(config), MAIN_FILE)
    if not written:
        typer.echo(f"nothing to do: {path} says all this already")
        return
    typer.echo(f"{far} is in {path}, its host key pinned; from now on no other machine is taken for it")
    typer.echo(f"Next: delete every copy of kit {plan.kit}, for it holds a secret; then `otherroof probe {far}`.")


def _reply_text(source: str) -> str:
    if source != "-":
        try:
            with open(source, encoding="utf-8", errors="replace") as file:
                return file.read()
        except OSError as problem:
            raise WrongUse(
                f"cannot be read: {problem.strerror}", where=source, advice="name the file with the reply"
            ) from problem
    if not sys.stdin.isatty():
        return sys.stdin.read()
    typer.echo("Paste what set-up.sh printed; it ends with the line that begins with `seal`.")
    lines = []
    for line in sys.stdin:
        lines.append(line)
        if line.strip().lower().startswith("seal "):
            break
    return "".join(lines)
