"""What a job leaves out, by ignore-pattern rules of the kind that version control uses (gitignore(5)).

Pure. The last pattern that fits an entry decides, and a folder that is left out is not entered, so nothing in it can be
brought back by a later pattern. Patterns fit bytes, as there: `?` is one byte.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from otherroof.copying.home.scan import LeaveOutRule

_NEVER = re.compile(rb"(?!)")
_CLASSES = {
    b"alnum": rb"a-zA-Z0-9", b"alpha": rb"a-zA-Z", b"blank": rb" \t", b"cntrl": rb"\x00-\x1f\x7f", b"digit": rb"0-9",
    b"graph": rb"!-~", b"lower": rb"a-z", b"print": rb" -~", b"punct": rb"!-/:-@\[-`{-~", b"space": rb"\s",
    b"upper": rb"A-Z", b"xdigit": rb"0-9a-fA-F",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Rule:
    """One pattern: what it fits, and whether that is left out or brought back."""

    fits: re.Pattern[bytes]
    whole_path: bool  # else only the last name is looked at
    folders_only: bool
    out: bool


def leave_out_rule(patterns: Sequence[str]) -> LeaveOutRule | None:
    """A function that says whether a path is left out; None if nothing is, which is quicker."""
    rules = [rule for pattern in reversed(patterns) if (rule := _rule(pattern)) is not None]
    if not rules:
        return None

    def left_out(path: bytes, is_folder: bool) -> bool:
        name = path.rpartition(b"/")[2]
        for rule in rules:
            if (is_folder or not rule.folders_only) and rule.fits.fullmatch(path if rule.whole_path else name):
                return rule.out
        return False

    return left_out


def _rule(pattern: str) -> _Rule | None:
    """The rule that a line holds; None for an empty line and a comment."""
    text = _without_trailing_spaces(pattern.encode())
    if not text or text.startswith(b"#"):
        return None
    out = not text.startswith(b"!")
    text = text if out else text[1:]
    folders_only = text.endswith(b"/")
    text = text[:-1] if folders_only else text
    whole_path = b"/" in text
    text = text.removeprefix(b"/")
    if not text:
        return None
    return _Rule(_compiled(text), whole_path, folders_only, out)


def _without_trailing_spaces(text: bytes) -> bytes:
    """A space at the end counts only behind a backslash."""
    bare = text.rstrip(b" ")
    escapes = len(bare) - len(bare.rstrip(b"\\"))
    return bare + b" " if escapes % 2 and len(text) > len(bare) else bare


def _compiled(text: bytes) -> re.Pattern[bytes]:
    parts: list[bytes] = []
    steps = text.split(b"/")
    for place, step in enumerate(steps):
        last = place == len(steps) - 1
        if step == b"**" and len(steps) > 1:
            parts.append(rb".+" if last else rb"(?:.+/)?")
            continue
        translated = _translated(step)
        if translated is None:
            return _NEVER
        parts.append(translated if last else translated + rb"/")
    return re.compile(b"".join(parts), re.DOTALL)


def _translated(step: bytes) -> bytes | None:
    """One name of a pattern as a regular expression; None if nothing can fit it."""
    found: list[bytes] = []
    at = 0
    while at < len(step):
        letter = step[at : at + 1]
        at += 1
        if letter == b"*":
            found.append(rb"[^/]*")
        elif letter == b"?":
            found.append(rb"[^/]")
        elif letter == b"\\":
            if at == len(step):
                return None
            found.append(re.escape(step[at : at + 1]))
            at += 1
        elif letter == b"[":
            end = _end_of_class(step, at)
            members = _members(step[at:end]) if end > 0 else None
            if members is None:
                return None
            found.append(members)
            at = end + 1
        else:
            found.append(re.escape(letter))
    return b"".join(found)


def _end_of_class(step: bytes, at: int) -> int:
    """Where the bracket that was opened before `at` closes; -1 if it does not."""
    if step[at : at + 1] in (b"!", b"^"):
        at += 1
    first = True
    while at < len(step):
        if step[at : at + 1] == b"]" and not first:
            return at
        if step[at : at + 2] == b"[:" and (end := step.find(b":]", at + 2)) >= 0:
            at = end + 2
        else:
            at += 2 if step[at : at + 1] == b"\\" else 1
        first = False
    return -1


def _members(inside: bytes) -> bytes | None:
    """What stands between brackets as a class of a regular expression; None if it holds what is not known."""
    negated = inside[:1] in (b"!", b"^")
    singles = list(_singles(inside[1:] if negated else inside))
    found: list[bytes] = []
    at = 0
    while at < len(singles):
        kind, value = singles[at]
        if kind == "class":
            if value not in _CLASSES:
                return None
            found.append(_CLASSES[value])
        elif (
            singles[at + 1 : at + 2] == [("plain", b"-")] and singles[at + 2 : at + 3] and singles[at + 2][0] != "class"
        ):
            found.append(re.escape(value) + b"-" + re.escape(max(value, singles[at + 2][1])))
            at += 2
        else:
            found.append(re.escape(value))
        at += 1
    inner = b"".join(found)
    if negated:
        return rb"[^/" + inner + rb"]"
    return rb"(?!/)[" + inner + rb"]" if inner else rb"(?!)"


def _singles(inside: bytes) -> Iterable[tuple[str, bytes]]:
    """The members one by one: a plain byte, an escaped one, or a named class."""
    at = 0
    while at < len(inside):
        end = inside.find(b":]", at + 2) if inside[at : at + 2] == b"[:" else -1
        if end >= 0:
            yield "class", inside[at + 2 : end]
            at = end + 2
        elif inside[at : at + 1] == b"\\" and at + 1 < len(inside):
            yield "escaped", inside[at + 1 : at + 2]
            at += 2
        else:
            yield "plain", inside[at : at + 1]
            at += 1
