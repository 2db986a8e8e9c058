"""Deliberate slips are made as their tables say, and one whose text is gone is an error, not one that nobody tries."""

from __future__ import annotations

import ast
from pathlib import Path

from support.slips.generic import generic_slips, some_of
from support.slips.modules import MODULES, tables
from support.slips.slip import by_hand, check_readable
from support.slips.who_fits import node_of

GONE_AT_MOST = 0.02
TREE = Path(__file__).resolve().parents[2]
SOURCE = TREE / "src" / "otherroof"


def text_of(module: str) -> str:
    return (SOURCE / module).read_text(encoding="utf-8")


def test_every_module_of_a_table_is_in_the_list() -> None:
    assert set(tables()) <= set(MODULES)
    assert all((SOURCE / module).is_file() for module in MODULES)
    assert all(old and old != new and what for rows in tables().values() for old, new, what, _, _ in rows)


def test_the_tables_follow_the_code() -> None:
    """A few may be gone: whoever changes a module need not mend its table in the same hour. But one with which the
    module cannot be read would count as noticed, by any test, and stop the making of all others."""
    made, gone = 0, list[str]()
    for module, rows in tables().items():
        text = text_of(module)
        slips, lost = by_hand(module, text, rows)
        check_readable(slips, {module: text})
        made += len(slips)
        gone += lost
    assert len(gone) < GONE_AT_MOST * (made + len(gone)), gone


def test_the_tests_that_a_table_names_are_there() -> None:
    """A name that is gone is passed over when slips are made, and the slip is taken for one that nothing notices."""
    for module, rows in tables().items():
        for likely in {likely for row in rows for likely in row[4].splitlines()}:
            file, _, test = node_of(likely).partition("::")
            assert (TREE / file).is_file(), (module, likely)
            text = (TREE / file).read_text(encoding="utf-8")
            assert not test or f"def {test.partition('[')[0]}(" in text, (module, likely)


def test_a_slip_whose_text_is_gone_or_stands_twice_is_told_and_not_made() -> None:
    row = ("b = 2", "b = 3", "harm", "", "")
    for text in ("a = 1\n", "b = 2\nb = 2\n"):
        made, gone = by_hand("module.py", text, [row])
        assert (made, len(gone)) == ([], 1)
    assert [slip.made_in("a = 1\nb = 2\n") for slip in by_hand("module.py", "a = 1\nb = 2\n", [row])[0]] == [
        "a = 1\nb = 3\n"
    ]


def test_generic_slips_are_the_same_few_each_time_and_can_be_read() -> None:
    text = text_of("copying/compare/guard.py")
    found = generic_slips("copying/compare/guard.py", text)
    assert len({(slip.at, slip.new) for slip in found}) == len(found) > 20
    for slip in found:
        ast.parse(slip.made_in(text))
    chosen = some_of(found, text, 8)
    assert len(chosen) == 8
    moved = "\n\n" + text
    again = some_of(generic_slips("copying/compare/guard.py", moved), moved, 8)
    assert [(slip.old, slip.new) for slip in again] == [(slip.old, slip.new) for slip in chosen]
