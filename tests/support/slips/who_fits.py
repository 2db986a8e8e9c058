"""Which tests are asked about a slip, in which order: those first that are most likely to notice it.

Knows what each test calls and how long it takes (`who_calls`), and what noticed other slips; runs nothing.
"""

from __future__ import annotations

import ast
import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from support.slips.slip import Slip

LONGEST_S = 30.0  # a test that takes longer is not asked
GUESSED_S = 5.0
FORMER = 5  # so many tests that noticed another slip of the module are asked first

# Which test files hold what is told of a room as a whole, beside those that call it.
UNIT = "tests/unit/test_"
POWER = "power_cuts_in_model.py::test_a_cut_after_any"  # each of these counts
MOST_FILES = 10  # of tests in one round: to read a file costs more than many a test in it
FITS: dict[str, tuple[str, ...]] = {
    "layouts/open/": ("layout_folder", "layout_order", POWER),
    "copying/commit": ("commit_steps", POWER, "main_job_changes", "other_server"),
    "copying/run": ("main_job_recovery", "main_job_guard"),
    "copying/compare/catalogue": ("catalogue_checked", "main_job_recovery", "damaged_state"),
    "copying/compare/compare": ("guard_reckoning", "compare_and_fold"),
    "copying/compare/doubts": ("changes_found", "main_job_guard"),
    "copying/compare/find_changes": ("changes_found", "main_job_guard", "main_job_trouble"),
    "copying/compare/fold": ("compare_and_fold", "main_job_trouble"),
    "copying/compare/guard": ("guard_reckoning", "main_job_guard"),
    "copying/compare/half_sent": ("run_plan_notes", "main_job_recovery"),
    "copying/compare/hard_links": ("main_job_changes", "run_plan_notes"),
    "copying/compare/held_content": ("run_plan_notes", "main_job_changes", "main_job_recovery"),
    "copying/compare/plan": ("run_plan_notes", POWER, "main_job_young_files", "main_job_changes", "damaged_state"),
    "copying/home/": ("reading_home", "scan", "main_job_changes", "pinned_numbers"),
    "copying/home/leave_out": ("scan", "own_files"),
    "copying/reconnect": ("main_job_recovery", "main_job_moody_box"),
    "copying/send/": (
        "what_counts_as_sent",
        "run_plan_notes",
        POWER,
        "main_job_recovery",
        "main_job_trouble",
        "main_job_changes",
    ),
    "restore/": ("restored_properties", "main_job_restore", "restore_while_runs_go_on"),
    "restore/proving/": ("proof_steps", "main_job_prove", "main_job_prove_share", "proof_choice", "main_job_heal_cut"),
    "restore/drilling/": ("drill_choice", "main_job_drill"),
    "restore/thinning/": ("thinning_removal", "thinning_changes", "thinning_rule", "main_job_thin"),
    "jobs/prove": ("main_job_prove", "main_job_prove_share"),
    "jobs/proof": ("main_job_prove",),
    "jobs/drill": ("main_job_drill", "drill_verb_and_chore"),
    "jobs/thinning/": ("main_job_thin", "main_job_thin_attacked"),
    "jobs/own_files": ("own_files", "main_job_verbs"),
    "jobs/commands": ("command_before", "main_job_drill"),
    "jobs/run": ("main_job_guard", "main_job_trouble", "main_job_damage_known"),
    "jobs/restore": ("main_job_restore", "restore_as_of", "main_job_damage_known", "restore_while_runs_go_on"),
    "jobs/planning/": ("measure_line",),
    "restore/dated": ("finding_restore",),
    "restore/finding/": ("finding_restore", "finding_verbs"),
    "schedule/records": ("service_records", "serve"),
    "schedule/service_loop": ("serve", "service_records"),
    "jobs/open_job": ("turn_at_far_box", "main_job_trouble", "main_job_restore"),
    "ledger/live/": ("live_runs", "follow", "announced_runs"),
    "cli/copy/follow": ("follow",),
    "pairing/sheet/": ("sheet_letters", "sheet_carried", "sheet_verb"),
    "cli/sheet_talk": ("sheet_verb",),
    "watch/sheet/": ("sheet_old",),
    "watch/channels/": ("channel_contract", "channel_mail"),
    "watch/digest/": ("digest",),
    "jobs/under_way/": ("announced_runs", "live_runs"),
    "ledger/": ("ledger_scopes", "ledger_proofs", "ledger_runs"),
    "watch/": ("watch_facts", "alert_steps", "watch_rules"),
    "schedule/": ("what_is_owed", "service_chores", "chores"),
    "schedule/proofs": ("prove_chore",),
    "schedule/drills": ("drill_verb_and_chore",),
    "schedule/thin_chore": ("main_job_thin",),
    "base/": ("commit_steps",),
    "forecast/": ("commit_steps",),
    "settings/last_good": ("last_good",),
    "settings/machine_checks": ("settings_mistakes", "settings"),
    "settings/": ("edges_of_time",),
    "far/": ("sftp_answers", "courtesy_law", "courtesy_busy", "round_trips", "pinned_numbers"),
    "far_copy/": ("reading_home", "pinned_numbers"),
    "tunnel/": ("pinned_numbers", "tunnel_drivers"),
}


def node_of(likely: str) -> str:
    """The name by which pytest knows what a table calls `file` or `file::test`."""
    file, colons, test = likely.partition("::")
    above, _, name = file.rpartition("/")
    return f"tests/{above or 'unit'}/test_{name}.py{colons}{test}"


def functions_of(text: str) -> list[tuple[range, str]]:
    """The lines of each function with its name as its code object says it (with those of what it stands in)."""
    return list(_functions(ast.parse(text), ""))


def _functions(node: ast.AST, above: str) -> Iterator[tuple[range, str]]:
    for child in ast.iter_child_nodes(node):
        inside = above
        if isinstance(child, ast.ClassDef):
            inside = f"{above}{child.name}."
        elif isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            name = above + getattr(child, "name", "<lambda>")
            yield range(child.lineno, (child.end_lineno or child.lineno) + 1), name
            inside = f"{name}.<locals>."
        yield from _functions(child, inside)


class WhoFits:
    """Which tests call a function, as `who_calls` wrote it down, and which noticed a slip of the same module."""

    def __init__(self, folder: Path) -> None:
        self._seconds: dict[str, float] = {}
        self._by_call: dict[str, list[str]] = {}
        self._by_module: dict[str, set[str]] = {}
        self._noticed: dict[str, Counter[str]] = {}
        self._former: dict[tuple[str, str, str], str] = {}
        for file in sorted(folder.glob("*.json")):
            for test, told in json.loads(file.read_text(encoding="utf-8")).items():
                if told["seconds"] > LONGEST_S:
                    continue
                self._seconds[test] = told["seconds"]
                for call in told["calls"]:
                    self._by_call.setdefault(call, []).append(test)
                    self._by_module.setdefault(call.partition(":")[0], set()).add(test)

    def learn(self, slip: Slip, noticed_by: str) -> None:
        """A test that noticed a slip, now or some other day, is asked first next time."""
        if noticed_by in self._seconds:
            self._former[slip.module, slip.old, slip.new] = noticed_by
            self._noticed.setdefault(slip.module, Counter())[noticed_by] += 1

    def seconds(self, tests: list[str]) -> float:
        """How long they took when they were noted; of what was not, a guess."""
        return sum(self._seconds.get(test) or self._seconds_of_all(test) or GUESSED_S for test in tests)

    def _seconds_of_all(self, node: str) -> float:
        return sum(seconds for test, seconds in self._seconds.items() if test.startswith((f"{node}::", f"{node}[")))

    def fitting(self, slip: Slip, text: str, most_s: float) -> list[list[str]]:
        """Rounds of tests. What noticed this slip before, or is likely to; what noticed others of the module. Then two
        for about `most_s` seconds each: those that call the function in which the slip is (else anything of the module)
        and whose file is named like the module or in the list; then the others of these, the quickest of each kind
        first, out of a few files."""
        line = text.count("\n", 0, slip.at) + 1
        inside = [name for lines, name in functions_of(text) if line in lines]
        calling = self._by_call.get(f"{slip.module}:{inside[-1]}", []) if inside else []
        rows = sorted(calling or self._by_module.get(slip.module, ()), key=self._order)
        kinds = {test.partition("[")[0]: test for test in reversed(rows)}
        rows.sort(key=lambda test: kinds[test.partition("[")[0]] != test)  # the quickest of each kind
        asked = {""}
        rounds = []
        for tests in self._rounds(slip, rows, most_s):
            rounds.append([test for test in dict.fromkeys(tests) if test not in asked])
            asked |= set(tests)
        return [tests for tests in rounds if tests]

    def _rounds(self, slip: Slip, rows: list[str], most_s: float) -> Iterator[list[str]]:
        yield [self._former.get((slip.module, slip.old, slip.new), "")]
        yield [node_of(likely) for likely in slip.likely.splitlines()]
        often = [test for test, _ in self._noticed.get(slip.module, Counter()).most_common() if test in rows]
        yield self._for_seconds(often[:FORMER], most_s / 2)
        first: list[str] = []
        shares = self._shares(slip.module)
        for share in shares:
            # What a fixture of the whole file has called is noted with the first of its tests only.
            tests = rows if POWER not in share else sorted(self._seconds, key=self._order)
            fit = [test for test in tests if share in test and test not in first]
            first += self._for_seconds(fit, most_s if POWER in share else most_s / len(shares))
        yield first
        yield self._for_seconds([test for test in rows if test not in first], most_s)

    def _shares(self, module: str) -> list[str]:
        """Which files, or tests in them, hold what is told of the module: one named like it, and those in the list."""
        own = module.rpartition("/")[2].removesuffix(".py")
        listed = [f"{UNIT}{name}" for above, names in FITS.items() if module.startswith(above) for name in names]
        return [f"/test_{own}.py::", f"_{own}.py::", *(name if "::" in name else f"{name}.py::" for name in listed)]

    def _order(self, test: str) -> tuple[float, str]:
        return self._seconds[test], test

    def _for_seconds(self, tests: list[str], most_s: float) -> list[str]:
        chosen: list[str] = []
        files: set[str] = set()
        total = 0.0
        for test in tests:
            file = test.partition("::")[0]
            if file not in files and len(files) == MOST_FILES:
                continue
            total += self._seconds[test]
            if chosen and total > most_s:
                break
            files.add(file)
            chosen.append(test)
        return chosen
