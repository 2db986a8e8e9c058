"""Which verbs there are, grouped by what a person wants, and what the program's exit codes mean.

Each verb is a module below `otherroof.cli` with a function `verb`, whose first sentence stands here too: so the list of
all verbs can be shown without importing any of them.
"""

from __future__ import annotations

from otherroof.base.errors import (
    EXIT_DAMAGED,
    EXIT_HELD,
    EXIT_INTERRUPTED,
    EXIT_LOOK,
    EXIT_UNREACHED,
    EXIT_WELL,
    EXIT_WRONG_USE,
)

GROUPS: dict[str, dict[str, str]] = {
    "Set up": {
        "check": "Name every mistake in the settings.",
        "pair": "Pair with a far box.",
        "probe": "Check every step of the way to the far box.",
        "install": "Have this machine run it by itself, as a service.",
        "rehearse": "Try it all on this machine, with a pretended far box.",
    },
    "Copy": {
        "run": "Copy what changed since the last run to the far box.",
        "stop": "End a run that is under way at a safe point.",
        "release": "Let a held job go on, once you have looked.",
        "serve": "Be the service: run every job at its times, until stopped.",
    },
    "Look": {
        "status": "Show on one screen how every copy stands.",
        "ledger": "Show what the runs did, the newest at the bottom.",
        "digest": "Say whether everything is safe, and what needs a hand.",
        "page": "Write the digest and its history as one page.",
        "quiet": "Say that you know of an alert: it is not told for N days.",
        "alert-test": "Send a test message, to know that alerts reach you.",
    },
    "Get back": {
        "versions": "List the versions that the far box holds, or those of one file.",
        "files": "Show what a version holds, folder by folder or by a pattern.",
        "changes": "Show what came, changed, moved and went between two versions.",
        "restore": "Bring files back from the far box into a folder.",
    },
    "Trust": {
        "prove": "Read the far copy back, and see that it is as it should be.",
        "thin": "Show which versions are to go; remove them in two steps.",
        "drill": "Bring back a part of the copy for practice, and time it.",
    },
    "Think ahead": {
        "plan": "Forecast first copy, nights, disks and restores, with ranges.",
        "landed": "Find the carried disk at the far box, and let its copy count.",
        "sheet": "Make the recovery sheet, or take one in on a new machine.",
    },
}

SHORT = {verb: short for group in GROUPS.values() for verb, short in group.items()}
VERBS = tuple(SHORT)
# Each group has a folder of its own: `otherroof status` is `look/status.py`.
MODULES = {
    verb: f"otherroof.cli.{title.lower().replace(' ', '_')}.{verb.replace('-', '_')}"
    for title, verbs in GROUPS.items()
    for verb in verbs
}

EXIT_CODES = {
    EXIT_WELL: "all well",
    EXIT_LOOK: "done, but something needs looking at",
    EXIT_WRONG_USE: "the command or the settings are wrong",
    EXIT_UNREACHED: "the far box could not be reached",
    EXIT_HELD: "held: far more would change than usual, a person must look",
    EXIT_DAMAGED: "a damaged copy was found",
    EXIT_INTERRUPTED: "interrupted",
}

_EVERY = (EXIT_WELL, EXIT_LOOK, EXIT_WRONG_USE)
# Those of verbs that talk to the far box, or that find damage in what comes back.
_OWN_CODES = {
    **dict.fromkeys(("probe", "plan"), (EXIT_UNREACHED,)),
    "run": (EXIT_UNREACHED, EXIT_HELD, EXIT_DAMAGED),
    "rehearse": (EXIT_DAMAGED,),
    **dict.fromkeys(
        ("versions", "files", "changes", "restore", "prove", "drill", "thin", "landed"), (EXIT_UNREACHED, EXIT_DAMAGED)
    ),
}
# What a code means for one verb, if that tells more than what it means for all.
_OWN_MEANINGS = {
    ("status", EXIT_LOOK): "something needs a person",
    ("digest", EXIT_LOOK): "something needs a person, or a channel did not take it",
    ("alert-test", EXIT_LOOK): "a channel did not take it",
    ("check", EXIT_WRONG_USE): "there are mistakes in the settings",
    ("rehearse", EXIT_LOOK): "something did not go as it should",
    ("rehearse", EXIT_DAMAGED): "what came back is not what was copied",
}


def codes_of(verb: str) -> dict[int, str]:
    """The exit codes that a verb may leave with, each with its meaning."""
    codes = (*_EVERY, *_OWN_CODES.get(verb, ()), EXIT_INTERRUPTED)
    return {code: _OWN_MEANINGS.get((verb, code), EXIT_CODES[code]) for code in codes}
