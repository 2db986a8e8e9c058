"""Deliberate slips, one at a time, each with the tests that fit it: which of them does no test notice?

    python tests/bench/slips.py layouts/open/aside.py    # modules below src/otherroof, or folders; none: all
    python tests/bench/slips.py --list far               # the slips, without a run
    python tests/bench/slips.py --who-calls FOLDER …     # keep which test calls what, for the next time

Each module has slips that were written by hand (`tests/support/slips/by_hand/`), each with what it would do to people.
One that cannot hurt, or changes nothing, has a line "? " with the reason there; "= " names tests that may notice it.
`--generic N` adds some that anybody may make anywhere, always the same ones; of these some change no behaviour, which
only a person can tell. All is done in a copy of the tree; a slip whose old text is gone is told. What needs root or
over half a minute is not run. The exit code is 1 if less than the wanted share of those that can hurt was noticed.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.slips.generic import generic_slips, some_of
from support.slips.modules import MODULES, tables
from support.slips.runner import (
    OURS,
    TIMED_OUT,
    Copy,
    NothingTried,
    Verdict,
    import_ahead,
    note_who_calls,
    remove_all,
    run_tests,
)
from support.slips.slip import HAND, Slip, by_hand, check_readable
from support.slips.who_fits import WhoFits

TREE = Path(__file__).resolve().parents[2]
WANTED = 0.90  # of the slips that are to be noticed
TESTS_S = 8.0  # seconds of tests for a slip, as they took when they were noted
TIME_OUT_S = 30.0  # beside four times what they took
NO_WORD_S = 3600.0


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known of the tests, and how long they may take for each slip."""

    who_calls: str  # a folder
    seconds: float
    former: list[Verdict]  # what noticed a slip is asked first
    only: list[str]  # instead of what fits
    patience: float  # so many times as long as usual until a test counts as one that ends nowhere


def slips_of(module: str, text: str, generic: int) -> list[Slip]:
    """All slips of a module, by hand and generic. Says which of a table cannot be made any more."""
    found, gone = by_hand(module, text, tables().get(module, []))
    for slip in gone:
        print(f"gone: {slip}", file=sys.stderr)
    return [*found, *some_of(generic_slips(module, text), text, generic)]


def try_slip(slip: Slip, copy: Copy, who: WhoFits, asked: Asked) -> Verdict:
    """Make the slip and run what fits it, or what was asked for, in rounds until a test notices it."""
    text = copy.text_of(slip.module)
    line, begun, ran = slip.line_in(text), time.monotonic(), 0
    for fitting in [asked.only] if asked.only else who.fitting(slip, text, asked.seconds):
        tests = [test for test in fitting if test not in copy.unsound]
        # A test takes longer beside others; what ends nowhere is noticed too, but not what a busy machine makes slow.
        limit_s = asked.patience * (TIME_OUT_S + 4 * who.seconds(tests))
        noticed_by = ""
        while tests:
            with copy.with_slip(slip):
                noticed_by = run_tests(copy, tests, limit_s)
            if noticed_by == TIMED_OUT and run_tests(copy, tests, limit_s):
                noticed_by = ""
            # A test that fails by itself notices nothing.
            if "::" not in noticed_by or copy.is_sound(noticed_by, limit_s):
                break
            if noticed_by in tests:
                tests.remove(noticed_by)
            else:  # it was named by its file
                tests.append(f"--deselect={noticed_by}")
            noticed_by = ""
        ran += len(tests)
        if noticed_by:
            who.learn(slip, noticed_by)
            break
    else:
        noticed_by = ""
    return Verdict(slip, line, noticed_by, round(time.monotonic() - begun, 1), ran)


def work(where: str, asked: Asked, slips: list[Slip], told: multiprocessing.Queue[Verdict | str]) -> None:
    """One process with a copy of its own; a word in place of a verdict says why it ended."""
    try:
        import_ahead()
        copy, who = Copy(TREE, Path(tempfile.mkdtemp(prefix="copy-", dir=where))), WhoFits(Path(asked.who_calls))
        for verdict in asked.former:
            who.learn(verdict.slip, verdict.noticed_by)
        for slip in slips:
            told.put(try_slip(slip, copy, who, asked))
        told.put("")
    except Exception as problem:  # noqa: BLE001 - whatever it is, the parent must hear of it
        told.put(f"{type(problem).__name__}: {problem}")


def carry_out(slips: list[Slip], processes: int, asked: Asked) -> Iterator[Verdict]:
    """A verdict on each slip, as they come. Raises NothingTried if a process cannot go on."""
    # In memory if there is room: what tests leave need not outlive a power cut.
    where = tempfile.mkdtemp(prefix="otherroof-slips-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None)
    context = multiprocessing.get_context("spawn")
    told: multiprocessing.Queue[Verdict | str] = context.Queue()
    workers = [
        context.Process(target=work, args=(where, asked, slips[one::processes], told)) for one in range(processes)
    ]
    try:
        for worker in workers:
            worker.start()
        left = processes
        while left:
            verdict = told.get(timeout=NO_WORD_S)
            if isinstance(verdict, Verdict):
                yield verdict
            elif verdict:
                raise NothingTried(verdict)
            else:
                left -= 1
    finally:
        for worker in workers:
            worker.terminate()
        remove_all(where)


def noted(path: str | None) -> list[Verdict]:
    """The verdicts in a file of notes; of a slip that was tried more than once the last one."""
    if not path or not Path(path).exists():
        return []
    rows = [json.loads(line) for line in Path(path).read_text(encoding="utf-8").splitlines()]
    found = [Verdict(**row | {"slip": Slip(**row["slip"])}) for row in rows]
    return list({verdict.slip.key: verdict for verdict in found}.values())


def of_today(verdicts: list[Verdict], slips: list[Slip]) -> list[Verdict]:
    """Verdicts on slips that are still made, with what is said of them today."""
    today = {slip.key: slip for slip in slips}
    return [replace(verdict, slip=today[verdict.slip.key]) for verdict in verdicts if verdict.slip.key in today]


def table(verdicts: list[Verdict]) -> Iterator[str]:
    """The table by module and by room, and each survivor below it: those that nobody has explained first."""
    modules = sorted({verdict.slip.module for verdict in verdicts})
    rooms = sorted({name.rpartition("/")[0] for name in modules})
    width = max(len(name) for name in modules)
    yield f"{'module':{width}}  slips  noticed  cannot hurt"
    for name in [*modules, "", *rooms, "", "all"]:
        rows = [verdict for verdict in verdicts if name in (verdict.slip.module, _room(verdict), "all")]
        noticed, excused = sum(bool(row.noticed_by) for row in rows), sum(_is_excused(row) for row in rows)
        share = f"  {noticed / len(rows):4.0%}" if rows and name not in modules else ""
        yield f"{name:{width}}  {len(rows):5}  {noticed:7}  {excused:11}{share}" if name else ""
    left = [verdict for verdict in verdicts if not verdict.noticed_by]
    for verdict in sorted(left, key=lambda row: (_is_excused(row), row.slip.module, row.line)):
        slip = verdict.slip
        yield f"\nsurvives: {slip.module}:{verdict.line} ({slip.kind}, {verdict.tests} tests): {slip.what}"
        if slip.why_not:
            yield f"    because: {slip.why_not}"
            continue
        yield f"    - {' ⏎ '.join(slip.old.split(chr(10)))[:200]}"
        yield f"    + {' ⏎ '.join(slip.new.split(chr(10)))[:200]}"
    for verdict in verdicts:
        if verdict.noticed_by and verdict.slip.why_not:
            yield f"\nnoticed, although it cannot hurt: {verdict.slip.module}:{verdict.line}: {verdict.slip.what}"


def _room(verdict: Verdict) -> str:
    return verdict.slip.module.rpartition("/")[0]


def _is_excused(verdict: Verdict) -> bool:
    return bool(verdict.slip.why_not) and not verdict.noticed_by


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
    ask.add_argument("--former", metavar="FILE", help="notes of another day: what noticed a slip then is asked first")
    ask.add_argument("--what", default="", help="only slips whose harm has these words in it")
    ask.add_argument("--tests", nargs="+", default=[], help="ask these tests or files instead of what fits")
    ask.add_argument(
        "--patience", type=float, default=1.0, help="so many times as long as usual for a test, on a busy machine"
    )
    ask.add_argument("-n", "--processes", type=int, default=2)
    ask.add_argument("--who-calls", metavar="FOLDER", help="which test calls what, noted there or to be noted")
    wanted = ask.parse_args()
    texts = {module: (TREE / OURS / module).read_text(encoding="utf-8") for module in chosen(wanted.module)}
    slips = [slip for module, text in texts.items() for slip in slips_of(module, text, wanted.generic)]
    slips = [slip for slip in slips if (slip.kind == HAND or not wanted.hand) and wanted.what in slip.what]
    check_readable(slips, texts)
    verdicts = of_today(noted(wanted.notes), slips)
    if wanted.again:
        verdicts = [verdict for verdict in verdicts if verdict.noticed_by]
    tried = {verdict.slip.key for verdict in verdicts}
    slips = [slip for slip in slips if slip.key not in tried]
    if wanted.list:
        for slip in slips:
            print(f"{slip.module}:{slip.line_in(texts[slip.module])} ({slip.kind}) {slip.old!r} → {slip.new!r}")
        return 0
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(wanted.who_calls or scratch)
        if not any(folder.glob("*.json")):
            note_who_calls(TREE, folder, ["-n", str(wanted.processes)])
        former = [*noted(wanted.former), *noted(wanted.notes)]
        asked = Asked(str(folder), wanted.seconds, former, wanted.tests, wanted.patience)
        for verdict in carry_out(slips, wanted.processes, asked):
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
    excused = sum(_is_excused(verdict) for verdict in verdicts)
    return 0 if sum(bool(verdict.noticed_by) for verdict in verdicts) >= WANTED * (len(verdicts) - excused) else 1


if __name__ == "__main__":
    sys.exit(main())
