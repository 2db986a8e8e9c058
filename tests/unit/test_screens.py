"""What three households see is kept as text: a change of it has to be looked at before it counts."""

from __future__ import annotations

import pytest

from support.screens import HOUSEHOLDS, SCREENS, made


@pytest.fixture(scope="module")
def shown() -> dict[str, str]:
    return made()


@pytest.mark.parametrize("what", ["status", "digest"])
@pytest.mark.parametrize("name", HOUSEHOLDS)
def test_screens_are_as_they_were_last_looked_at(shown: dict[str, str], name: str, what: str) -> None:
    file = f"{name}-{what}.txt"
    assert shown[file] == (SCREENS / file).read_text(encoding="utf-8")


def test_no_screen_is_kept_that_nobody_sees(shown: dict[str, str]) -> None:
    assert {path.name for path in SCREENS.iterdir()} == set(shown)


@pytest.mark.parametrize("name", HOUSEHOLDS)
def test_status_fits_a_terminal_of_80_columns_and_24_lines(shown: dict[str, str], name: str) -> None:
    lines = shown[f"{name}-status.txt"].splitlines()
    assert len(lines) < 24
    assert max(len(line) for line in lines) <= 80
