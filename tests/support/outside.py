"""What each test in tests/outside is held against: marks say the sources, and the table in its README is made of them.

Make the table anew: `PYTHONPATH=tests:src python -m support.outside` in the project's folder.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pytest

FOLDER = Path(__file__).resolve().parents[1] / "outside"
TABLE = FOLDER / "README.md"

# How the expected value was had: read in the source or a stored copy of it; recomputed, by hand or by a program that no
# one here wrote, often in the test itself; or from memory.
Value = Literal["read", "recomputed", "from memory", "from memory, recomputed"]
COMMON = "common practice"  # no source: it is in the table, and is not counted


def outside(
    source: str, section: str, checks: str, *, value: Value, main: bool = False, each: bool = False
) -> pytest.MarkDecorator:
    """The mark of a check. `main`: it is on the main job, the copy and its way back.

    With `each`, every case of the test has a published value of its own and counts as a check.
    """
    given = {"source": source, "section": section, "checks": checks, "value": value, "main": main, "each": each}
    return pytest.mark.outside(**given)


@dataclass(frozen=True)
class Check:
    """A line of the table."""

    source: str
    section: str
    checks: str
    value: str
    main: bool
    count: int
    test: str

    @property
    def counted(self) -> int:
        return 0 if self.source == COMMON else self.count


def checks_of(name: str, test: Any) -> list[Check]:
    """The checks of one test function: from its own marks and from those of its cases."""
    marks = list(getattr(test, "pytestmark", []))
    cases = [case for mark in marks if mark.name == "parametrize" for case in mark.args[1]]
    own = [mark.kwargs for mark in marks if mark.name == "outside"]
    of_cases = [mark.kwargs for case in cases for mark in getattr(case, "marks", ()) if mark.name == "outside"]
    found: dict[tuple[Any, ...], int] = {}
    for given in [*own, *of_cases]:
        key = tuple(given[part] for part in ("source", "section", "checks", "value", "main"))
        found[key] = found.get(key, 0) + (len(cases) if given["each"] else 1)
    return [Check(*key, count, name) for key, count in found.items()]


def all_checks() -> tuple[list[Check], list[str]]:
    """Every check of the folder, and the tests that name no source."""
    found: list[Check] = []
    unnamed: list[str] = []
    for path in sorted(FOLDER.glob("test_*.py")):
        spec = importlib.util.spec_from_file_location(f"outside_table_{path.stem}", path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[spec.name] = module  # dataclasses look themselves up there
        spec.loader.exec_module(module)
        for name, test in vars(module).items():
            if not name.startswith("test_") or not callable(test):
                continue
            checks = checks_of(f"{path.stem}: {name}", test)
            found += checks
            if not checks:
                unnamed.append(f"{path.stem}: {name}")
    return found, unnamed


HEAD = """# What the tests in this folder are held against

Made of the marks on the tests by `tests/support/outside.py`; do not edit it by hand. A parametrized test counts as
several checks only if each of its cases has a published value of its own. *Value*: **read** in the source, a stored
copy or a page that quotes it; **recomputed** by hand, by arithmetic or by a program that no one here wrote, mostly in
the test itself; **from memory**, and not looked up. *Main*: on the main job, which is the copy, its listing and
digests, what crosses to the far box, the way back, when runs are due, and that all of it lasts.
"""


def table(checks: Iterable[Check]) -> str:
    """The README of the folder."""
    rows = sorted(checks, key=lambda one: (one.source == COMMON, not one.main, one.source, one.section, one.test))
    counted = [one for one in rows if one.counted]
    lines = [
        *HEAD.splitlines(),
        "",
        f"{sum(one.counted for one in rows)} checks from {len({one.source for one in counted})} sources, "
        f"{sum(one.counted for one in rows if one.main)} of them on the main job.",
        "",
        "| source | section | what is checked | value | main | checks | test |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for one in rows:
        cells = (
            one.source,
            one.section,
            one.checks,
            one.value,
            "yes" if one.main else "",
            str(one.counted or "not counted"),
            f"`{one.test}`",
        )
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    TABLE.write_text(table(all_checks()[0]), encoding="utf-8")
