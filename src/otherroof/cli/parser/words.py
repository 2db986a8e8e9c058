"""The words of a command line, as far as they can be told apart without knowing the verb.

Pure: lists of words in, lists of words out. It must not know which verbs there are.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

from otherroof.base.errors import WrongUse

CONFIG = "--config"


@dataclass(frozen=True, slots=True)
class Words:
    """What stands before the verb, the verb itself ("" if there is none), and what stands after it."""

    before: tuple[str, ...]
    verb: str
    after: tuple[str, ...]


def told_apart(given: Sequence[str]) -> Words:
    """`given` around its verb, which is the first word that is neither an option nor the folder of `--config`."""
    place = 0
    while place < len(given) and given[place].startswith("-"):
        # The one option before the verb that takes a word of its own; `--config=DIR` is one word already.
        place += 2 if given[place] == CONFIG else 1
    verb = given[place] if place < len(given) else ""
    return Words(tuple(given[:place]), verb, tuple(given[place + 1 :]))


def with_config_after(given: Sequence[str]) -> list[str]:
    """`given` with a `--config DIR` that stands before the verb moved behind it, where every verb looks for it.

    Raises WrongUse if no folder is named, or different ones before the verb and after it.
    """
    words = told_apart(given)
    if CONFIG in words.before[-1:]:
        raise WrongUse(f"{CONFIG} names no folder", advice=f"`otherroof {CONFIG} DIR VERB`")
    before, after = config_in(words.before), config_in(words.after)
    if before is None:
        return list(given)
    if after is not None and os.path.abspath(after) != os.path.abspath(before):
        raise WrongUse(
            f"{CONFIG} names {before} before the verb and {after} after it", advice="name one settings folder"
        )
    # Right behind the verb: further on might stand a `--`, after which it would be no option.
    moved = [words.verb, CONFIG, before, *words.after] if words.verb else []
    return [*_without_config(words.before), *moved]


def config_in(words: Sequence[str]) -> str | None:
    """The folder that the last `--config DIR` or `--config=DIR` in `words` names, None if there is none."""
    folder = None
    for place, word in enumerate(words):
        # After `--` everything is an argument, even what looks like an option.
        if word == "--":
            break
        if word == CONFIG and place + 1 < len(words):
            folder = words[place + 1]
        elif word.startswith(f"{CONFIG}="):
            folder = word.removeprefix(f"{CONFIG}=")
    return folder


def _without_config(words: Sequence[str]) -> list[str]:
    kept, skip = [], False
    for word in words:
        if skip or word.startswith(f"{CONFIG}="):
            skip = False
        elif word == CONFIG:
            skip = True
        else:
            kept.append(word)
    return kept
