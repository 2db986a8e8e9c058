"""Letters on paper: whatever slip a hand makes, the group that it stands in is named, and nothing passes unnoticed."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.pairing.sheet.letters import (
    ALPHABET,
    BYTES,
    GROUP,
    HALF,
    IN_A_LINE,
    MOST_GROUPS,
    Slip,
    TypedGroups,
    as_content,
    as_groups,
    as_lines,
    fitting,
    missing,
)
from otherroof.pairing.sheet.qr import qr_texts
from support.quick import QUICK, examples

CONTENT = random.Random(7).randbytes(40 * BYTES)
GROUPS = as_groups(CONTENT)
SHEET = as_lines(GROUPS)


def taken(*lines: str) -> tuple[TypedGroups, list[Slip]]:
    typed = TypedGroups()
    return typed, [slip for line in lines for slip in typed.take(line)]


def all_of(typed: TypedGroups) -> bytes:
    return as_content([typed.fit[number] for number in sorted(typed.fit)])


@given(st.binary(min_size=1, max_size=400))
@examples(60)
def test_what_is_typed_as_it_stands_comes_back(content: bytes) -> None:
    typed, slips = taken(*as_lines(as_groups(content)))
    assert slips == []
    assert all_of(typed) == content + bytes(-len(content) % BYTES)


@pytest.mark.parametrize(
    "as_typed",
    [
        str.lower,
        lambda line: line.partition(" ")[2],
        lambda line: line.replace("-", " "),
        lambda line: line.replace("-", ""),
        lambda line: line.replace("-", "").partition(" ")[2].replace(" ", ""),
        lambda line: f"   {line}  ",
        lambda line: line.replace(". ", "."),
        lambda line: line.replace(".", ")"),
        lambda line: line.replace(".", "").lower(),
        lambda line: line.replace("O", "0").replace("B", "8").lower(),
    ],
    ids=[
        "small",
        "no numbers",
        "blanks",
        "no dashes",
        "all in one",
        "margins",
        "close",
        "brackets",
        "no dots",
        "0 and 8",
    ],
)
def test_how_it_is_typed_is_no_matter(as_typed: object) -> None:
    typed, slips = taken(*(as_typed(line) for line in SHEET))  # type: ignore[operator]
    assert slips == []
    assert all_of(typed) == CONTENT


def test_a_one_is_the_letter_that_fits() -> None:
    both = {letter: next(group for group in GROUPS if group.count(letter) == 1 and not group.count(other))
            for letter, other in (("I", "L"), ("L", "I"))}  # fmt: skip
    for letter, group in both.items():
        assert fitting(group.replace(letter, "1"), GROUPS.index(group) + 1) == group


def test_lines_may_come_in_any_order_and_all_joined_into_one() -> None:
    assert taken(*reversed(SHEET))[0].fit == taken(*SHEET)[0].fit
    typed, slips = taken(" ".join(SHEET))
    assert (all_of(typed), slips) == (CONTENT, [])


def test_codes_say_the_same_in_any_order() -> None:
    groups = as_groups(random.Random(1).randbytes(130 * BYTES))
    texts = qr_texts(groups)
    assert len(texts) == 3
    typed, slips = taken(*reversed(texts))
    assert slips == []
    assert typed.fit == dict(enumerate(groups, 1))


def test_every_single_wrong_letter_is_noticed_and_its_group_and_place_named() -> None:
    for number, group in list(enumerate(GROUPS, 1))[:: 8 if QUICK else 1]:
        for place in range(GROUP):
            for letter in ALPHABET.replace(group[place], ""):
                found = fitting(group[:place] + letter + group[place + 1 :], number)
                assert isinstance(found, Slip)
                assert found.group == number
                assert (
                    found.why
                    == f"look at its {place + 1}{('st', 'nd', 'rd')[place] if place < 3 else 'th'} letter first"
                )


def test_no_wrong_letter_passes_for_another_group_s_letters() -> None:
    """Also about 32, where both sums change."""
    for number in (1, 30, 31, 32, 33, 40):
        group = GROUPS[number - 1]
        for place in range(GROUP):
            for letter in ALPHABET.replace(group[place], ""):
                wrong = group[:place] + letter + group[place + 1 :]
                typed, slips = taken(f"{number}. {wrong}")
                assert [slip.group for slip in slips] == [number]
                assert typed.fit == {}


def test_every_swap_of_neighbours_is_noticed_and_named_also_between_halves_and_groups() -> None:
    whole = "".join(GROUPS)
    for at in range(len(whole) - 1):
        if whole[at] == whole[at + 1]:
            continue
        swapped = whole[:at] + whole[at + 1] + whole[at] + whole[at + 2 :]
        lines = as_lines([swapped[start : start + GROUP] for start in range(0, len(swapped), GROUP)])
        _, slips = taken(*lines)
        assert {slip.group for slip in slips} == {at // GROUP + 1, (at + 1) // GROUP + 1}
        if at // GROUP == (at + 1) // GROUP:
            assert slips[0].why == "letters may have changed places"


def test_any_two_wrong_letters_in_a_group_are_noticed() -> None:
    chance = random.Random(4)
    for _ in range(300 if QUICK else 3000):
        number = chance.randrange(len(GROUPS)) + 1
        letters = list(GROUPS[number - 1])
        for place in chance.sample(range(GROUP), 2):
            letters[place] = chance.choice(ALPHABET.replace(letters[place], ""))
        assert isinstance(fitting("".join(letters), number), Slip)


@pytest.mark.parametrize(
    "change", [lambda half: half[1:], lambda half: half[0] + half, lambda half: half[:2] + half[3:]]
)
def test_a_letter_that_is_left_out_or_typed_twice_spoils_no_other_group(change: object) -> None:
    for number, group in enumerate(GROUPS, 1):
        for place in (0, HALF):
            half = group[place : place + HALF]
            changed = list(GROUPS)
            changed[number - 1] = group.replace(half, change(half), 1)  # type: ignore[operator]
            lines = [line.replace(f"{group[:HALF]}-{group[HALF:]}", f"{group[:HALF]}-{group[HALF:]}".replace(
                half, change(half), 1)) for line in SHEET]  # type: ignore[operator]  # fmt: skip
            _, slips = taken(*lines)
            assert [slip.group for slip in slips] == [number]
            assert f"instead of {GROUP}" in slips[0].why


def test_groups_that_are_left_out_or_stand_in_another_place_are_named() -> None:
    without = [*GROUPS[:6], *GROUPS[7:]]
    _, slips = taken(*(line.partition(" ")[2] for line in as_lines(without)))
    assert [slip.text() for slip in slips] == [
        "group 7 (1st of line 7.): it was left out: what stands in its place is group 8"
    ]
    swapped = [*GROUPS[:6], GROUPS[7], GROUPS[6], *GROUPS[8:]]
    typed, slips = taken(*as_lines(swapped))
    assert [(slip.group, slip.why[:12]) for slip in slips] == [(7, "it was left "), (7, "it was typed")]
    assert all_of(typed) == CONTENT, "groups know their own numbers"
    typed, slips = taken(*(SHEET[:2] + SHEET[3:]))
    assert slips == []
    assert [number for number in range(1, len(GROUPS) + 1) if number not in typed.fit] == [
        2 * IN_A_LINE + place + 1 for place in range(IN_A_LINE)
    ]


def test_no_group_fits_at_another_number() -> None:
    for number in range(1, MOST_GROUPS + 1):
        assert isinstance(fitting(GROUPS[0], number), str) == (number == 1)


def test_what_no_sheet_has_is_said() -> None:
    _, slips = taken("1. ABCD9-ABCDE")
    assert slips[0].why == "there is no 9 in these letters"
    assert taken(SHEET[0], SHEET[0])[1] == []
    other = as_lines(as_groups(bytes(200)))
    typed, slips = taken(other[0], SHEET[0])
    assert "typed twice, and not the same" in slips[0].why
    assert [typed.fit[number] for number in (1, 2)] == GROUPS[:2], "the later one counts"
    with pytest.raises(ValueError, match="more than can be written"):
        as_groups(bytes(BYTES * MOST_GROUPS + 1))
    assert taken("")[1] == []
    assert taken("2000. " + SHEET[0].partition(" ")[2])[1][0].group == MOST_GROUPS


def test_every_group_that_was_not_typed_is_missed_the_last_one_too() -> None:
    typed, _ = taken(SHEET[0])
    assert missing(typed.fit, len(GROUPS)) == list(range(IN_A_LINE + 1, len(GROUPS) + 1))
