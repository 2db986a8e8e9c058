"""What `pair` and a person say to each other: questions, what was made, and what to do next.

Apart from the verb itself, so that `otherroof pair --help` need not import all of it.
"""

from __future__ import annotations

import os
import shlex
import socket
import sys
from dataclasses import dataclass

import typer

from otherroof.base.errors import WrongUse, typed
from otherroof.base.programs import SystemPrograms
from otherroof.cli.common import SETTINGS_FOLDER, own_zone_name, say
from otherroof.pairing.answers import ANSWER, Answers, ask_answers, read_answers
from otherroof.pairing.kit import SECRET
from otherroof.pairing.pair import BegunPairing, PairingState, begin_pairing, finish_pairing, read_pairing_state
from otherroof.pairing.plan import plan_warnings, why_home_cannot_be_called
from otherroof.pairing.record import require_record
from otherroof.pairing.reply import is_complete
from otherroof.settings.reader import MAIN_FILE
from otherroof.tunnel.lacks import lacks_for_tunnel
from otherroof.tunnel.network.address_plan import address_kind
from otherroof.tunnel.network.gateway import outside_address
from otherroof.tunnel.network.routes import default_route, networks_here, route_to


def talk_through_beginning(config: str, far: str, answers_file: str, kit: str) -> None:
    """Ask what cannot be known, make keys and kit, and say what comes next. Without `answers_file` a person is asked;
    without `kit` the kit lies in its usual folder. Raises WrongUse, WrongSettings, HomeTrouble."""
    state = read_pairing_state(config, far)
    for lack in lacks_for_tunnel(SystemPrograms()):
        say(f"mind: {lack}; without it no tunnel can come up here")
    home = _look_around_home(asks_router=not answers_file and sys.stdin.isatty())
    if answers_file:
        answers = read_answers(answers_file, first_box=state.first_box)
    elif sys.stdin.isatty():
        answers = _asked(far, state, home)
    else:
        raise WrongUse(
            "there is no terminal to ask on", advice="write the answers into a file and name it with --answers"
        )
    folder = os.path.abspath(kit) if kit else ""
    begun = begin_pairing(state, far, answers, here=list(home.networks), kit_folder=folder)
    told = _told(begun, plan_warnings(begun.plan, answers, home.outside), home.own_address)
    finish = f"otherroof pair {far} --finish{_config_words(config)}"
    told.append(f"* When the reply is here: {typed(finish, os.path.abspath(config))}")
    typer.echo("\n".join(told))


def _config_words(config: str) -> str:
    """What a command has to be given so that it finds the same settings folder."""
    return "" if os.path.abspath(config) == SETTINGS_FOLDER else f" --config {shlex.quote(os.path.abspath(config))}"


@dataclass(frozen=True, slots=True)
class HomeNetwork:
    """What this machine tells of home: the networks it is on, those of them behind the default route, its own address
    there, and its router's outside address. Empty if it does not know, or did not ask."""

    networks: tuple[str, ...]
    lan: tuple[str, ...] = ()
    own_address: str = ""
    outside: str = ""


def _look_around_home(*, asks_router: bool) -> HomeNetwork:
    commands = SystemPrograms()
    here = networks_here(commands)
    networks = tuple(str(network.net) for network in here)
    route = default_route(commands)
    if route is None:
        return HomeNetwork(networks)
    lan = tuple(str(network.net) for network in here if network.name.endswith(f" {route.interface}"))
    way = route_to(commands, route.gateway) if route.gateway else None
    outside = outside_address(route.gateway) if asks_router else ""
    return HomeNetwork(networks, lan, way.own_address if way else route.own_address, outside)


def _asked(far: str, state: PairingState, home: HomeNetwork) -> Answers:
    typer.echo(
        f"{far} is from now on the name of the box in the other house, which keeps the copies.\n"
        f"The answers make home's keys and the kit for {far}. Enter takes what is in brackets; Ctrl-C leaves.\n"
        "Nothing is written before the last answer, and nothing is changed in a router or in the other house.\n"
        f"Whoever lives where {far} will stand should have said yes before you go on.\n"
    )
    if why_home_cannot_be_called(home.outside):
        say(f"mind: {why_home_cannot_be_called(home.outside)}\n")
    proposed = {
        "home": socket.gethostname().partition(".")[0],
        "zone": own_zone_name(),
        "home_lan": " ".join(net for net in home.lan if address_kind(net) == "private"),
        **state.answered,
    }

    def ask(text: str, default: str) -> str:
        suffix = " " if text.endswith("?") and not default else ": "
        return str(typer.prompt(text, default=default, show_default=bool(default), prompt_suffix=suffix))

    return ask_answers(ask, typer.echo, proposed=proposed, first_box=state.first_box)


def _told(begun: BegunPairing, doubted: list[str], own_address: str) -> list[str]:
    plan = begun.plan
    lines = [f"kit {plan.kit} for {plan.far} is in {begun.kit_folder}"]
    lines += [f"new key, readable by its owner only: {path}" for path in begun.new_keys]
    if begun.replaced:
        lines.append(f"kit {begun.replaced}, made earlier, no longer fits: do not use it any more")
    lines += [f"look again: {doubt}" for doubt in doubted]
    lines += ["", "Next:", *_router_lines(begun, own_address)]
    lines += [
        f"* Carry the kit to the far box, on a stick or by another safe way: {SECRET} in it is secret.",
        "  READ-ME-FIRST.txt is for whoever sets it up there. They should have said yes before.",
    ]
    return lines


def _router_lines(begun: BegunPairing, own_address: str) -> list[str]:
    plan = begun.plan
    this = (
        f"this machine ({own_address}; have the router give it that address always)" if own_address else "this machine"
    )
    where = f"home's router, to {this}" if plan.role == ANSWER else "the far house's router, to the far box"
    called = plan.own_name if plan.role == ANSWER else plan.far_name
    lines = [
        f"* Open UDP port {plan.port} in {where} and to nothing else; {called} must lead to that router.",
        "  An opened port is exposed to everyone on the internet. See what your provider's terms and the law",
        "  where you live say of it, and ask whoever answers for that router.",
    ]
    if plan.role == ANSWER:
        lines.append(f"  If this machine has a firewall of its own, let it admit UDP port {plan.port} too.")
    return lines


def talk_through_end(config: str, far: str, source: str) -> None:
    """Take in the far box's reply from the file `source`, or "-" for the terminal, and complete the settings. Raises
    WrongUse, WrongSettings, HomeTrouble."""
    plan = require_record(os.path.abspath(config), far).plan
    written = finish_pairing(config, far, _reply_text(source))
    path = os.path.join(os.path.abspath(config), MAIN_FILE)
    if not written:
        say(f"nothing to do: {path} says all this already")
        return
    say(f"{far} is in {path} with its host key: no other machine will be taken for it from now on")
    say("While the tunnel is up, nothing but answers and pings come out of it here (`let_in` in its table).")
    probe = typed(f"otherroof probe {far}{_config_words(config)}", os.path.abspath(config))
    say(f"Next: delete every copy of kit {plan.kit}, for it holds a secret; then `{probe}`.")


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
    typer.echo(
        "Paste the five lines that set-up.sh printed; the last begins with `seal`. (Ctrl-D ends, Ctrl-C leaves.)"
    )
    text = ""
    for line in sys.stdin:
        text += line
        if is_complete(text):
            break
    return text
