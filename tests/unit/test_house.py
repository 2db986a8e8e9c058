"""The house itself: who may import whom, and what must not stand in any file."""

from __future__ import annotations

import ast
import os
import re
import subprocess
from collections import Counter
from typing import get_args

import pytest

from otherroof.jobs.layouts import KEEPERS
from otherroof.settings import Job

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))
SOURCE = os.path.join(ROOT, "src", "otherroof")

# In this order: a room may use those before it, never those after it.
ROOMS = (
    *("base", "settings", "forecast", "far", "tunnel", "probe", "far_copy", "copying", "restore", "layouts"),
    *("ledger", "watch", "pairing", "jobs", "schedule", "system", "rehearsal", "cli"),
)
FREE = {"schedule", "system", "rehearsal", "cli"}
MOST_IN_A_ROW = 14  # modules in one folder, so that it is taken in at a glance
# What one room takes from a later one, with the reason. It should stay short.
ALLOWED: dict[tuple[str, str], str] = {}

# A command line is a picture of values; it holds no protocol of its own.
CLI_TAKES_NO = ("paramiko", "sqlite3")

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "src", "jobs", "tests", "examples", "systemd"}


def sources() -> list[str]:
    found = []
    for folder, _, names in os.walk(SOURCE):
        found += [os.path.join(folder, name) for name in names if name.endswith(".py")]
    return sorted(found)


def room_of(path: str) -> str:
    first = os.path.relpath(path, SOURCE).split(os.sep)[0]
    return first.removesuffix(".py")


def imports_of(path: str) -> set[str]:
    with open(path, encoding="utf-8") as file:
        tree = ast.parse(file.read())
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def test_no_room_uses_a_later_one() -> None:
    wrong = set()
    for path in sources():
        here = room_of(path)
        if here not in ROOMS or here in FREE:
            continue
        for name in imports_of(path):
            parts = name.split(".")
            if parts[0] != "otherroof" or len(parts) < 2 or parts[1] not in ROOMS:
                continue
            if ROOMS.index(parts[1]) > ROOMS.index(here) and (here, parts[1]) not in ALLOWED:
                wrong.add(f"{os.path.relpath(path, SOURCE)} uses {parts[1]}")
    assert not wrong


def test_every_invariant_has_a_test_that_names_it() -> None:
    with open(os.path.join(ROOT, "DEVELOPERS.md"), encoding="utf-8") as file:
        listed = file.read().partition("## Invariants\n")[2].partition("\n## ")[0]
    numbers = set(re.findall(r"^(\d)\. ", listed, re.MULTILINE))
    named: set[str] = set()
    for folder, _, names in os.walk(os.path.join(ROOT, "tests")):
        for name in names:
            if name.startswith("test_") and name.endswith(".py") and name != "test_house.py":
                with open(os.path.join(folder, name), encoding="utf-8") as file:
                    for said in re.findall(r"[Ii]nvariants? ((?:\d|, | and )+)", file.read()):
                        named |= set(re.findall(r"\d", said))
    assert len(numbers) == 9
    assert named == numbers


def test_every_room_of_the_design_stands() -> None:
    for room in ROOMS:
        path = os.path.join(SOURCE, room)
        assert os.path.isdir(path) or os.path.isfile(path + ".py"), room


def test_no_folder_has_outgrown_a_screenful() -> None:
    in_a_row = Counter(os.path.dirname(path) for path in sources() if not path.endswith("__init__.py"))
    full = {os.path.relpath(folder, SOURCE): count for folder, count in in_a_row.items() if count > MOST_IN_A_ROW}
    assert full == {}


def test_no_class_name_is_used_twice() -> None:
    where: dict[str, list[str]] = {}
    for path in sources():
        with open(path, encoding="utf-8") as file:
            tree = ast.parse(file.read())
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                where.setdefault(node.name, []).append(os.path.relpath(path, SOURCE))
    assert {name: paths for name, paths in where.items() if len(paths) > 1} == {}


def test_only_layouts_and_jobs_know_a_layout() -> None:
    """And in jobs/ it is one module that chooses."""
    knowing = {
        os.path.relpath(path, SOURCE)
        for path in sources()
        if room_of(path) != "layouts" and any(name.startswith("otherroof.layouts") for name in imports_of(path))
    }
    assert knowing == {"jobs/layouts.py"}


def test_every_layout_that_settings_may_name_has_its_keeper() -> None:
    assert set(get_args(Job.model_fields["layout"].annotation)) == set(KEEPERS)


@pytest.mark.parametrize("library", CLI_TAKES_NO)
def test_the_command_line_holds_no_protocol(library: str) -> None:
    users = [path for path in sources() if room_of(path) == "cli" and library in imports_of(path)]
    assert users == []


def tracked() -> list[str]:
    try:
        done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True, timeout=20)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git checkout")
    return done.stdout.splitlines()


def test_the_top_level_is_as_agreed() -> None:
    found = {path.split("/")[0] for path in tracked()}
    assert {name for name in found if not name.startswith(".")} == TOP_LEVEL


def test_no_file_names_a_machine_s_own_paths() -> None:
    telling = re.compile(rb"/(?:work/main|work/shared|tmp/probe|root/\.pyenv)\b")
    wrong = []
    for path in tracked():
        full = os.path.join(ROOT, path)
        if path == "tests/unit/test_house.py" or not os.path.isfile(full):
            continue
        with open(full, "rb") as file:
            if telling.search(file.read()):
                wrong.append(path)
    assert wrong == []


# Counts, percents, rates, moments: how they are written is decided in `base.units` and `base.local_time` alone. These
# write what is read by programs, or is a name.
WRITES_MOMENTS = {
    *("base/local_time.py", "base/clock.py", "far_copy/run_ids.py", "restore/dated.py", "ledger/runs.py"),
    *("system/logs.py", "layouts/open/version_notes.py"),
}
COUNTED = (
    r"(?:files|folders|versions|jobs|copies|nights|days|weeks|hours|minutes|entries|listings|probes|things|mistakes|"
    r"messages)"
)


def by_hand(tree: ast.AST, *, moments: bool) -> list[str]:
    """What a module writes by itself of which there is one way: each text that does, with its line."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and re.search(rf"%d {COUNTED}\b", str(node.value)):
            found.append(f"{node.lineno}: a plural by hand")
        if not isinstance(node, ast.JoinedStr):
            continue
        for part, after in zip(node.values, [*node.values[1:], None], strict=True):
            said = str(after.value) if isinstance(after, ast.Constant) else ""
            if isinstance(part, ast.Constant):
                if re.search(r"[a-z]\(s\)", str(part.value)):
                    found.append(f"{node.lineno}: a plural in brackets")
                continue
            assert isinstance(part, ast.FormattedValue)
            if isinstance(part.value, ast.IfExp) and ast.unparse(part.value.orelse) == "'s'":
                found.append(f"{node.lineno}: a plural by hand")
            spec = ast.unparse(part.format_spec) if part.format_spec is not None else ""
            if said.startswith("%") or re.search(r"\.\d%", spec):
                found.append(f"{node.lineno}: a percent sign")
            if re.match(rf" {COUNTED}\b", said):
                found.append(f"{node.lineno}: a plural by hand")
            if moments and "%Y-" in spec:
                found.append(f"{node.lineno}: a moment")
    return found


def test_figures_counts_and_moments_are_worded_in_one_place() -> None:
    wrong = []
    for path in sources():
        name = os.path.relpath(path, SOURCE)
        with open(path, encoding="utf-8") as file:
            tree = ast.parse(file.read())
        wrong += [f"{name}:{one}" for one in by_hand(tree, moments=name not in WRITES_MOMENTS)]
    assert wrong == []


@pytest.mark.parametrize(
    "line",
    [
        "f'{a} files seen'",
        "log('%d files seen', a)",
        "f'{a:.0%} of it'",
        "f'{a}% of it'",
        "f'{a} mistake(s)'",
        "f'{a} box{chr(0) if a == 1 else \"s\"}'",
        "f'since {a:%Y-%m-%d %H:%M}'",
    ],
)
def test_what_is_worded_by_hand_is_noticed(line: str) -> None:
    assert len(by_hand(ast.parse(line), moments=True)) == 1
