"""Deliberate slips, one at a time, each with the tests that fit it: which of them does no test notice?

    python tests/bench/slips.py layouts/open/aside.py    # modules below src/otherroof, or folders; none: all
    python tests/bench/slips.py --list far               # the slips, without a run
    python tests/bench/slips.py --who-calls FOLDER …     # keep which test calls what, for the next time

Each module has slips that were written by hand (`tests/support/slips/by_hand/`), each with what it would do to people.
`--generic N` adds some that anybody may make anywhere, always the same ones; of these some change no behaviour, which
only a person can tell. All is done in a copy of the tree; a slip whose old text is gone is an error. What needs root or
over half a minute is not run. The exit code is 1 if less than the wanted share was noticed.
"""

from __future__ import annotations

import argparse
import ast
import json
import multiprocessing
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.slips.generic import generic_slips, some_of
from support.slips.modules import MODULES, tables
from support.slips.runner import OURS, Copy, NothingTried, Verdict, WhoFits, import_ahead, note_who_calls, run_tests
from support.slips.slip import HAND, Slip, by_hand

TREE = Path(__file__).resolve().parents[2]
WANTED = 0.90  # of the slips that are to be noticed
TESTS_S = 8.0  # seconds of tests for a slip, as they took when they were noted
TIME_OUT_S = 90.0


def slips_of(module: str, text: str, generic: int) -> list[Slip]:
    """All slips of a module, by hand and generic."""
    return [*by_hand(module, text, tables().get(module, [])), *some_of(generic_slips(module, text), text, generic)]


def functions_of(text: str) -> dict[int, range]:
    """The lines of each function by the first of them, as its code object says it (with decorators)."""
    found = {}
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.Lambda):
            first = min([node.lineno, *(mark.lineno for mark in getattr(node, "decorator_list", ()))])
            found[first] = range(first, (node.end_lineno or first) + 1)
    return found


def try_slip(slip: Slip, copy: Copy, who: WhoFits, most_s: float) -> Verdict:
    """Make the slip and run what fits it, in rounds until a test notices it."""
    text = copy.text_of(slip.module)
    line, begun, ran = slip.line_in(text), time.monotonic(), 0
    for fitting in who.fitting(slip, functions_of(text), text, most_s):
        tests = [test for test in fitting if test not in copy.unsound]
        while tests:
            with copy.with_slip(slip):
                noticed_by = run_tests(copy, tests, TIME_OUT_S)
            # A test that fails by itself notices nothing.
            if noticed_by not in tests or copy.is_sound(noticed_by, TIME_OUT_S):
                break
            tests.remove(noticed_by)
        else:
            continue
        ran += len(tests)
        if noticed_by:
            return Verdict(slip, line, noticed_by, round(time.monotonic() - begun, 1), ran)
    return Verdict(slip, line, "", round(time.monotonic() - begun, 1), ran)


def work(where: str, folder: str, most_s: float, slips: list[Slip], told: multiprocessing.Queue[Verdict | str]) -> None:
    """One process with a copy of its own; a word in place of a verdict says why it ended."""
    try:
        import_ahead()
        copy, who = Copy(TREE, Path(tempfile.mkdtemp(prefix="copy-", dir=where))), WhoFits(Path(folder))
        for slip in slips:
            told.put(try_slip(slip, copy, who, most_s))
        told.put("")
    except Exception as problem:  # noqa: BLE001 - whatever it is, the parent must hear of it
        told.put(f"{type(problem).__name__}: {problem}")


def carry_out(slips: list[Slip], folder: Path, processes: int, most_s: float) -> Iterator[Verdict]:
    """A verdict on each slip, as they come. Raises NothingTried if a process cannot go on."""
    # In memory if there is room: what tests leave need not outlive a power cut.
    where = tempfile.mkdtemp(prefix="otherroof-slips-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None)
    context = multiprocessing.get_context("spawn")
    told: multiprocessing.Queue[Verdict | str] = context.Queue()
    workers = [
        context.Process(target=work, args=(where, str(folder), most_s, slips[one::processes], told))
        for one in range(processes)
    ]
    try:
        for worker in workers:
            worker.start()
        left = processes
        while left:
            verdict = told.get(timeout=20 * TIME_OUT_S)
            if isinstance(verdict, Verdict):
                yield verdict
            elif verdict:
                raise NothingTried(verdict)
            else:
                left -= 1
    finally:
        for worker in workers:
            worker.terminate()
        shutil.rmtree(where, ignore_errors=True)


def noted(path: str | None) -> list[Verdict]:
    """The verdicts in a file of notes; of a slip that was tried more than once the last one."""
    if not path or not Path(path).exists():
        return []
    rows = [json.loads(line) for line in Path(path).read_text(encoding="utf-8").splitlines()]
    found = [Verdict(**row | {"slip": Slip(**row["slip"])}) for row in rows]
    return list({verdict.slip: verdict for verdict in found}.values())


def table(verdicts: list[Verdict]) -> Iterator[str]:
    """The table, and each survivor below it."""
    width = max(len(verdict.slip.module) for verdict in verdicts)
    yield f"{'module':{width}}  slips  noticed"
    by_module: dict[str, list[Verdict]] = {}
    for verdict in verdicts:
        by_module.setdefault(verdict.slip.module, []).append(verdict)
    for module, rows in sorted(by_module.items()):
        yield f"{module:{width}}  {len(rows):5}  {sum(bool(row.noticed_by) for row in rows):7}"
    noticed = sum(bool(verdict.noticed_by) for verdict in verdicts)
    yield f"{'all':{width}}  {len(verdicts):5}  {noticed:7}  ({noticed / len(verdicts):.1%})"
    for verdict in sorted((row for row in verdicts if not row.noticed_by), key=lambda row: (row.slip.module, row.line)):
        slip = verdict.slip
        yield f"\nsurvives: {slip.module}:{verdict.line} ({slip.kind}, {verdict.tests} tests): {slip.what}"
        yield f"    - {' ⏎ '.join(slip.old.split(chr(10)))[:200]}"
        yield f"    + {' ⏎ '.join(slip.new.split(chr(10)))[:200]}"


def chosen(words: list[str]) -> list[str]:
    """The modules that are meant. Raises SystemExit if a word means none."""
    found: list[str] = []
    for word in words:
        meant = [name for name in MODULES if name == word or name.startswith(word.rstrip("/") + "/")]
        if not meant and (TREE / OURS / word).is_file():
            meant = [word]
        if not meant:
            raise SystemExit(f"{word}: no such module below {OURS}")
        found += meant
    return list(dict.fromkeys(found or MODULES))


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("module", nargs="*")
    ask.add_argument("--json", action="store_true", help="print the verdicts as JSON")
    ask.add_argument("--list", action="store_true", help="print the slips; run nothing")
    ask.add_argument("--hand", action="store_true", help="only the slips that were written by hand")
    ask.add_argument("--generic", type=int, default=0, help="so many others in each module, from its syntax tree")
    ask.add_argument(
        "--seconds", type=float, default=TESTS_S, help="of tests for each slip, as long as they took before"
    )
    ask.add_argument("--notes", metavar="FILE", help="keep verdicts there; what it has is not tried again")
    ask.add_argument("--again", action="store_true", help="but survivors are")
    ask.add_argument("-n", "--processes", type=int, default=2)
    ask.add_argument("--who-calls", metavar="FOLDER", help="which test calls what, noted there or to be noted")
    wanted = ask.parse_args()
    texts = {module: (TREE / OURS / module).read_text(encoding="utf-8") for module in chosen(wanted.module)}
    slips = [slip for module, text in texts.items() for slip in slips_of(module, text, wanted.generic)]
    slips = [slip for slip in slips if slip.kind == HAND or not wanted.hand]
    verdicts = [verdict for verdict in noted(wanted.notes) if verdict.slip in slips]
    if wanted.again:
        verdicts = [verdict for verdict in verdicts if verdict.noticed_by]
    tried = {verdict.slip for verdict in verdicts}
    slips = [slip for slip in slips if slip not in tried]
    if wanted.list:
        for slip in slips:
            print(f"{slip.module}:{slip.line_in(texts[slip.module])} ({slip.kind}) {slip.old!r} → {slip.new!r}")
        return 0
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(wanted.who_calls or scratch)
        if not any(folder.glob("*.json")):
            note_who_calls(TREE, folder, ["-n", str(wanted.processes)])
        for verdict in carry_out(slips, folder, wanted.processes, wanted.seconds):
            verdicts.append(verdict)
            if wanted.notes:
                with open(wanted.notes, "a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(verdict)) + "\n")
            mark = "." if verdict.noticed_by else "S"
            print(mark, end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    if wanted.json:
        print(json.dumps([asdict(verdict) for verdict in verdicts], indent=1))
    else:
        print("\n".join(table(verdicts)))
    return 0 if sum(bool(verdict.noticed_by) for verdict in verdicts) >= WANTED * len(verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
