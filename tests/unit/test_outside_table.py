"""The table of what is checked against the outside: it is whole, as the tests have it, and there is enough of it."""

from __future__ import annotations

import pytest

from support.outside import TABLE, Check, all_checks, checks_of, outside, table


@pytest.fixture(scope="module")
def found() -> tuple[list[Check], list[str]]:
    return all_checks()


def test_every_test_in_the_folder_names_its_source(found: tuple[list[Check], list[str]]) -> None:
    assert found[1] == []


def test_the_table_is_as_the_tests_have_it(found: tuple[list[Check], list[str]]) -> None:
    assert TABLE.read_text(encoding="utf-8") == table(found[0]), "make it anew: tests/support/outside.py says how"


def test_there_are_enough_checks_and_sources_and_half_are_on_the_main_job(found: tuple[list[Check], list[str]]) -> None:
    counted = [one for one in found[0] if one.counted]
    checks = sum(one.counted for one in counted)
    assert checks >= 120
    assert len({one.source for one in counted}) >= 30
    assert 2 * sum(one.counted for one in counted if one.main) >= checks
    for one in counted:
        assert one.section, one
        assert len(one.checks) > 10, one


def test_cases_count_only_if_each_has_a_value_of_its_own() -> None:
    def test() -> None: ...

    marked = pytest.mark.parametrize("x", [1, 2, 3])
    assert checks_of("t", marked(outside("s", "1", "c", value="read")(test)))[0].count == 1

    def other() -> None: ...

    assert checks_of("t", marked(outside("s", "1", "c", value="read", each=True)(other)))[0].count == 3

    def third() -> None: ...

    cases = [pytest.param(1, marks=outside("a", "1", "c", value="read")), pytest.param(2)]
    assert [(one.source, one.count) for one in checks_of("t", pytest.mark.parametrize("x", cases)(third))] == [("a", 1)]

    def fourth() -> None: ...

    assert checks_of("t", marked(fourth)) == []
    assert [one.counted for one in checks_of("t", outside("common practice", "", "c", value="read")(fourth))] == [0]
