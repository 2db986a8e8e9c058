"""What a person can meet has no word that only this code understands: checks, not rungs; stopped early, not cut."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.cli.parser.manual import man_page
from support.household_month import MAILS
from support.screens import SCREENS

SOURCE = Path(__file__).parents[2] / "src" / "otherroof"
ROOT = SOURCE.parents[1]
PRIVATE = re.compile(r"\b(rungs?|ladders?|climb\w*|cut|stand-in|guard's|catalogue's|the watch)\b", re.IGNORECASE)
# Words of the machinery: SQL, commands of the shell, and names that programs read.
NOT_FOR_PEOPLE = re.compile(r"\b(SELECT|INSERT|UPDATE|DELETE|CREATE|ALTER)\b|cut -[cdf]|\| cut|cut=")
NAMES = {"cut", "rung", "rungs"}
ELSEWHERE = ("ledger/", "rehearsal/")


def sentences(path: Path) -> Iterator[tuple[int, str]]:
    """The texts in a module that may be shown: all but docstrings, though a verb's docstring is its help."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    unseen = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and not (
            isinstance(node, ast.FunctionDef) and node.name == "verb"
        ):
            unseen |= {id(part.value) for part in node.body[:1] if isinstance(part, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in unseen:
            yield node.lineno, node.value


MODULES = sorted(path for path in SOURCE.rglob("*.py") if not str(path.relative_to(SOURCE)).startswith(ELSEWHERE))


def test_no_sentence_has_a_private_word() -> None:
    found = [
        f"{path.relative_to(SOURCE)}:{line}: {text!r}"
        for path in MODULES
        for line, text in sentences(path)
        if PRIVATE.search(text) and text not in NAMES and not NOT_FOR_PEOPLE.search(text)
    ]
    assert found == []


def test_the_search_would_find_one() -> None:
    assert len(MODULES) > 200
    assert PRIVATE.search("the run was cut on the second rung")
    assert any("What to do: " in text for path in MODULES for _, text in sentences(path))


@pytest.mark.parametrize("path", [*sorted(SCREENS.iterdir()), MAILS], ids=lambda path: path.name)
def test_no_screen_has_a_private_word(path: Path) -> None:
    assert not PRIVATE.search(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("pattern", ["README.md", "examples/**/*.toml", "jobs/*.toml", "examples/digest.*"])
def test_no_page_for_newcomers_has_a_private_word(pattern: str) -> None:
    files = list(ROOT.glob(pattern))
    assert files
    found = {path.name: match[0] for path in files if (match := PRIVATE.search(path.read_text(encoding="utf-8")))}
    assert found == {}


def test_the_man_page_has_no_private_word() -> None:
    assert not PRIVATE.search(man_page().replace(r"\-", "-"))
