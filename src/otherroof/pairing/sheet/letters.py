"""Bytes as letters that a person can read off paper and type, and back; a slip names the group that it stands in.

Five bytes are eight letters of base32 (RFC 4648 §6; upper or lower case; 0, 1 and 8 are none, and taken for O, I or L,
and B) and two more that check them: a group, written in two halves of five. Pure; what the bytes mean is no matter
here. Paper lasts: nothing here may ever change for texts that have been printed.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

BYTES = 5  # of content in a group
HALF = 5  # letters
GROUP = 2 * HALF
_DATA = GROUP - 2
IN_A_LINE = 6  # groups
MOST_GROUPS = 1023  # the check letters tell groups apart up to here

ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"
_VALUE = {letter: value for value, letter in enumerate(ALPHABET)}
# RFC 4648 §3.4: where they are not in the alphabet, "a decoder may interpret 0 as O, and 1 as I or L"; though by
# default it should not, here the check letters decide. 8 looks like B.
_TAKEN_FOR = {"0": "O", "8": "B", "1": "I"}
# A line's own number: at its beginning, or with a dot further on, as if lines had been joined.
_LABEL = re.compile(r"(?:^|(?<=\s))(?:(\d{1,4})[.:)]|(?<![^\n])(\d{1,4})(?=\s))")
_NO_LETTER = re.compile(r"[^A-Z0-9]+")


def _powers() -> list[int]:
    """The powers of the field's generator: 32 elements, made by x⁵ + x² + 1."""
    found, value = [], 1
    for _ in range(31):
        found.append(value)
        value <<= 1
        if value & 32:
            value ^= 0b100101
    return found


_POWER = _powers()
_LOG = {value: exponent for exponent, value in enumerate(_POWER)}


def _times(one: int, other: int) -> int:
    return _POWER[(_LOG[one] + _LOG[other]) % 31] if one and other else 0


@dataclass(frozen=True, slots=True)
class Slip:
    """A group that is not as it was printed: its number, and what to look at, as far as that can be told."""

    group: int
    why: str

    def text(self) -> str:
        """`group 12 (6th of line 7.): look at its 4th letter first`."""
        line, place = divmod(self.group - 1, IN_A_LINE)
        return f"group {self.group} ({ordinal(place + 1)} of line {line * IN_A_LINE + 1}.): {self.why}"


def ordinal(number: int) -> str:
    """`1st`, `2nd`, `3rd`, `4th`, as far as they are needed here."""
    return f"{number}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(number, 'th') }"


def as_groups(content: bytes) -> list[str]:
    """`content` in groups of ten letters, the last one filled up with zeros. Raises ValueError if that is too much."""
    filled = content + bytes(-len(content) % BYTES)
    if len(filled) > MOST_GROUPS * BYTES:
        raise ValueError(f"{len(content)} bytes are more than can be written so")
    letters = base64.b32encode(filled).decode("ascii")
    groups = [letters[start : start + _DATA] for start in range(0, len(letters), _DATA)]
    return [group + _checks(group, number) for number, group in enumerate(groups, 1)]


def as_lines(groups: Sequence[str]) -> list[str]:
    """The groups as they are printed: `7. ABCDE-FGHIJ …`, each line with the number of its first group."""
    return [
        f"{start + 1}. " + " ".join(f"{group[:HALF]}-{group[HALF:]}" for group in groups[start : start + IN_A_LINE])
        for start in range(0, len(groups), IN_A_LINE)
    ]


def as_content(groups: Sequence[str]) -> bytes:
    """The bytes of groups that have been checked."""
    return base64.b32decode("".join(group[:_DATA] for group in groups))


def _checks(data: str, number: int) -> str:
    """The two letters after `data`. With them the group's two sums are its number, so that no other fits there."""
    # A code of Reed and Solomon: the sum of all letters, and their sum with another weight for each place. So one or
    # two wrong letters, and any two that changed places, are noticed without fail.
    plain, weighted = _sums(data)
    plain, weighted = plain ^ number % 32, weighted ^ number // 32
    # Solved for the last two, whose weights are _POWER[8] and _POWER[9].
    last = _times(weighted ^ _times(_POWER[_DATA], plain), _inverse(_POWER[_DATA] ^ _POWER[_DATA + 1]))
    return ALPHABET[plain ^ last] + ALPHABET[last]


def _inverse(value: int) -> int:
    return _POWER[-_LOG[value] % 31]


def _sums(group: str) -> tuple[int, int]:
    plain = weighted = 0
    for place, letter in enumerate(group):
        plain ^= _VALUE[letter]
        weighted ^= _times(_POWER[place], _VALUE[letter])
    return plain, weighted


def _off_by(group: str, number: int) -> tuple[int, int]:
    plain, weighted = _sums(group)
    return plain ^ number % 32, weighted ^ number // 32


def fitting(typed: str, number: int) -> str | Slip:
    """The group that `typed` means, if it fits as group `number`; else the slip in it."""
    if len(typed) != GROUP:
        return Slip(number, f"it has {len(typed)} letters instead of {GROUP}")
    strange = [letter for letter in typed if letter not in _VALUE and letter not in _TAKEN_FOR]
    if strange:
        return Slip(number, f"there is no {strange[0]} in these letters")
    for meant in _readings(typed):
        if _off_by(meant, number) == (0, 0):
            return meant
    return Slip(number, _what_to_look_at(next(_readings(typed)), number))


def _readings(typed: str) -> Iterator[str]:
    """What `typed` may mean: each 1 an I, or else an L. Of many there is hardly one that fits by chance."""
    plain = "".join(_TAKEN_FOR.get(letter, letter) for letter in typed)
    ones = [place for place, letter in enumerate(typed) if letter == "1"]
    for choice in range(1 << min(len(ones), 3)):
        letters = list(plain)
        for number, place in enumerate(ones):
            if choice >> number & 1:
                letters[place] = "L"
        yield "".join(letters)


def _what_to_look_at(group: str, number: int) -> str:
    plain, weighted = _off_by(group, number)
    if not plain:
        return "letters may have changed places"
    if weighted:
        place = (_LOG[weighted] - _LOG[plain]) % 31
        if place < GROUP:
            return f"look at its {ordinal(place + 1)} letter first"
    return "more than one letter is wrong, or it stands in another place"


class TypedGroups:
    """What has been typed so far: groups that fit, by their number, and the slips. Lines may come in any order if each
    begins with its number as it is printed; without numbers they are taken one after the other."""

    def __init__(self) -> None:
        self.fit: dict[int, str] = {}
        self.next = 1

    def take(self, line: str) -> list[Slip]:
        """Take a line in; the slips in it. A group that fits is kept, and typed anew it must be the same."""
        slips = []
        for start, typed in _labelled(line):
            self.next = start or self.next
            for letters in _cut(typed):
                found = self._take_group(letters)
                slips += [found] if isinstance(found, Slip) else []
                self.next += 1
        return slips

    def _take_group(self, letters: str) -> str | Slip:
        if self.next > MOST_GROUPS:
            return Slip(MOST_GROUPS, "no sheet has more groups than these")
        found = fitting(letters, self.next)
        if isinstance(found, Slip):
            return self._next_to_its_place(letters) or found
        before = self.fit.get(self.next, found)
        self.fit[self.next] = found  # whoever types it again has looked again
        if before != found:
            return Slip(self.next, "it was typed twice, and not the same: do the letters come from two sheets?")
        return found

    def _next_to_its_place(self, letters: str) -> Slip | None:
        """If it is the group after the next one, or the one before that was missed: take it as what it is."""
        after = self._elsewhere(letters, self.next + 1)
        if after is not None:
            self.next += 1
            self.fit[self.next] = after
            return Slip(self.next - 1, f"it was left out: what stands in its place is group {self.next}")
        for missed in (self.next - 1, self.next - 2):
            late = self._elsewhere(letters, missed)
            if late is not None:
                self.fit[missed] = late
                self.next -= 1
                return Slip(missed, "it was typed after the next one")
        return None

    def _elsewhere(self, letters: str, number: int) -> str | None:
        """The group `number` that `letters` are, if they fit there and it has not been typed."""
        # Between these numbers one wrong letter cannot make one group out of another: only their first sums differ.
        if not 0 < number <= MOST_GROUPS or number in self.fit or number // 32 != self.next // 32:
            return None
        found = fitting(letters, number)
        return found if isinstance(found, str) else None


def _labelled(line: str) -> Iterator[tuple[int, str]]:
    """The parts of a line that begin with a number, each with that number (0: it has none), in capitals."""
    line = line.strip().upper()
    start, begin = 0, 0
    for label in _LABEL.finditer(line):
        yield start, line[begin : label.start()]
        start, begin = int(label[1] or label[2]), label.end()
    yield start, line[begin:]


def _cut(typed: str) -> list[str]:
    """The letters of a line in groups. Who leaves a letter out, or types one twice, spoils that group alone: the blanks
    and dashes between the halves tell where the next begins."""
    halves: list[str] = []
    for word in filter(None, _NO_LETTER.split(typed)):
        last = (max(1, round(len(word) / HALF)) - 1) * HALF
        halves += [*(word[cut : cut + HALF] for cut in range(0, last, HALF)), word[last:]]
    return ["".join(halves[start : start + 2]) for start in range(0, len(halves), 2)]


def missing(fit: Mapping[int, str], count: int) -> list[int]:
    """The numbers of the groups, of `count` in all, that have not been typed."""
    return [number for number in range(1, count + 1) if number not in fit]
