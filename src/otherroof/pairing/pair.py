"""The two halves of pairing, as the command line asks for them: make the kit, and finish with the far box's reply.

A thin driver: it reads the settings folder, calls what decides, and writes what was decided. It asks nobody and
prints nothing.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field

from otherroof.base.errors import WrongSettings, WrongUse
from otherroof.pairing.answers import Answers
from otherroof.pairing.keys import KeyFiles
from otherroof.pairing.kit import kit_files, write_kit
from otherroof.pairing.plan import HomeKeys, PairingPlan, in_use_by, key_names, plan_pairing
from otherroof.pairing.record import Record, find_record, keep_record, other_plans, require_record
from otherroof.pairing.reply import Reply, read_reply
from otherroof.pairing.settings_tables import add_tables, far_table, require_valid
from otherroof.settings import ReadableSettings, read_parts
from otherroof.settings.fields import NAME_RULE
from otherroof.settings.reader import MAIN_FILE


@dataclass(frozen=True, slots=True)
class BegunPairing:
    """What beginning a pairing left behind. `replaced` names the kit that no longer fits, if there was one."""

    plan: PairingPlan
    kit_folder: str
    new_keys: list[str]
    replaced: str


@dataclass(frozen=True, slots=True)
class PairingState:
    """What the settings folder says before a pairing: `home` is empty if there are no settings yet; `answered` is
    what an earlier pairing with this box was told, by question."""

    parts: ReadableSettings
    home: str
    answered: Mapping[str, str] = field(default_factory=dict)

    @property
    def first_box(self) -> bool:
        """Whether home's own name and zone still have to be asked for."""
        return not self.home


def read_pairing_state(folder: str, far: str) -> PairingState:
    """The settings as they stand. Raises WrongUse for a name that cannot be or is paired already, WrongSettings
    if they cannot be read."""
    if not NAME_RULE.match(far):
        raise WrongUse(f"{far!r} is not a usable name", advice="letters, digits, - and _, at most 40")
    parts = read_parts(folder)
    main = os.path.join(parts.where, MAIN_FILE)
    if not os.path.lexists(main):
        return PairingState(parts, "", _answered(folder, far))
    if far in parts.far_named:
        raise WrongUse(
            f"[far.{far}] is in the settings already",
            where=main,
            advice=f"to set its box up anew, take [far.{far}] and its tunnel out of the file first",
        )
    # A file that has no far box yet is what pairing is for.
    for mistake in parts.mistakes:
        if mistake.file == main and mistake.key != "far":
            raise WrongSettings(mistake.line(), advice="put it right before pairing")
    return PairingState(parts, parts.home.name if parts.home is not None else "", _answered(folder, far))


def _answered(folder: str, far: str) -> dict[str, str]:
    record = find_record(folder, far)
    if record is None:
        return {}
    plan = record.plan
    answers = {name: str(getattr(plan, name)) for name in _ASKED}
    return {name: text for name, text in {**answers, "silent_days": f"{plan.silent_days:g}"}.items() if text}


_ASKED = ("home", "zone", "role", "own_name", "far_name", "port", "folder", "contact")


def begin_pairing(
    state: PairingState, far: str, answers: Answers, *, here: list[str], kit_folder: str = ""
) -> BegunPairing:
    """Make the keys that are missing, the plan and the kit; write down what is waited for.

    `here` are the networks that this machine is on. Raises WrongUse, WrongSettings and HomeTrouble.
    """
    folder = state.parts.where
    before = find_record(folder, far)
    taken = in_use_by([box.tunnel for box in state.parts.far.values()], other_plans(folder, far), here)
    files = _key_files(folder, far)
    new_keys = files.make_missing()
    keys = HomeKeys(files.tunnel_public(), files.login_public())
    plan = plan_pairing(far, state.home or answers.home, answers, keys, taken)
    # Whatever the settings would refuse is said now, not when the kit has been carried away and the reply is back.
    # Its own public keys stand in for the far box's, which nobody knows yet: they have the same form.
    require_valid(far, far_table(plan, Reply(plan.kit, plan.login_key, plan.tunnel_key)))
    kit_folder = kit_folder or os.path.join(folder, "kits", far)
    write_kit(kit_folder, kit_files(plan, files.shared_secret()))
    keep_record(folder, Record(state="waiting", plan=plan))
    replaced = before.plan.kit if before is not None and before.plan.kit != plan.kit else ""
    return BegunPairing(plan, kit_folder, new_keys, replaced)


def finish_pairing(folder: str, far: str, text: str) -> bool:
    """Complete the settings from the far box's reply in `text`; says whether anything had to be written.

    Raises WrongUse if there is no pairing to finish or the reply does not fit, WrongSettings if a different
    far box of that name stands in the settings, HomeTrouble if they cannot be written.
    """
    folder = os.path.abspath(folder)
    record = require_record(folder, far)
    reply = read_reply(text, kit=record.plan.kit, shared_key=_key_files(folder, far).shared_secret())
    written = add_tables(folder, record.plan, reply)
    if record.state != "done":
        keep_record(folder, Record(state="done", plan=record.plan))
    return written


def _key_files(folder: str, far: str) -> KeyFiles:
    tunnel, shared, login = (os.path.join(folder, name) for name in key_names(far))
    return KeyFiles(tunnel, shared, login)
