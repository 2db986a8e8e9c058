"""`otherroof prove`: read far files back, say what is damaged, and send it again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from otherroof.base.clock import SystemClock, stamp
from otherroof.base.errors import EXIT_DAMAGED, EXIT_LOOK, EXIT_WELL, WrongUse
from otherroof.base.units import count_text, size_text, span_text
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, as_typed, say, settings_in_use
from otherroof.cli.show_found import tell_list
from otherroof.cli.show_progress import proof_progress, show_progress
from otherroof.far_copy.entry import path_text

if TYPE_CHECKING:
    from otherroof.jobs.prove import ProofResult
    from otherroof.restore.proving.report import FarDamage


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job whose far copy is proved.")],
    share: Annotated[
        float,
        typer.Option(
            "--share",
            metavar="P",
            show_default=False,
            help="Read P percent of it: what was not read for longest, and a sample.",
        ),
    ] = 0.0,
    budget_mb: Annotated[
        float,
        typer.Option("--budget-mb", metavar="N", show_default=False, help="Read as much as N MB over the line allow."),
    ] = -1.0,
    whole: Annotated[bool, typer.Option("--all", help="Read everything, older versions too; may take days.")] = False,
    heal: Annotated[bool, typer.Option("--heal", help="Send again what is damaged, if it is still here.")] = False,
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Read the far copy back, and see that it is as it should be.

    Without --all, --share or --budget-mb as much as the job's prove_mb allows. A file too large for that is read in
    parts, one night after the other, and held against the file here; only --all reads one that is here no more, or
    is other than it was. Without --heal nothing is changed.
    """
    from otherroof.cli.several import for_each_copy
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.prove import ProveOptions, prove
    from otherroof.restore.proving.report import ProofProgress

    if sum((bool(share), budget_mb >= 0, whole)) > 1:
        raise WrongUse("--all, --share and --budget-mb cannot go together", advice="give one of them, or none")
    if not 0 <= share <= 100:
        raise WrongUse(f"{share:g} is no percentage", where="--share", advice="a number above 0, up to 100")
    settings, _ = settings_in_use(config)
    options = ProveOptions(whole or share == 100, share / 100, budget_mb if budget_mb >= 0 else None, heal)
    clock = SystemClock()

    def prove_one(name: str) -> tuple[int, dict[str, Any]]:
        begun, progress = clock.monotonic(), ProofProgress()
        with show_progress(lambda: proof_progress(progress), name, quiet=as_json) as tick:
            result = prove(settings, name, JobContext(progress, clock=clock, tick=tick), options)
        seconds = clock.monotonic() - begun
        if not as_json:
            _tell(result, seconds)
        needs_look = bool(result.notes or result.report.extra or result.report.cut)
        code = EXIT_DAMAGED if result.found_damage else EXIT_LOOK if needs_look else EXIT_WELL
        return code, _as_json(result, seconds)

    raise typer.Exit(for_each_copy(settings, job, prove_one, as_json=as_json))


def _as_json(result: ProofResult, seconds: float) -> dict[str, Any]:
    report = result.report
    return {
        "job": report.job,
        "whole": report.whole,
        "read_back": {"files": report.files, "bytes": report.size, "listings": report.listings, "parts": report.parts},
        "sample": {
            "drawn": report.drawn,
            "damaged": report.drawn_damaged,
            "of": report.population,
            "up_to_bytes": report.drawn_up_to,
            "said": report.sample_said,
        },
        "by_the_far_boxs_own_word": {
            "files": report.word_files,
            "at": stamp(report.word_at) if report.word_at else None,
        },
        "too_large": {"files": report.too_large, "bytes": report.too_large_bytes},
        "to_read_all": {"bytes": report.to_read, "falls_short": result.falls_short},
        "damaged": [_damage_row(damage) for damage in report.damaged],
        "healed": [{"run": mark.run, "path": mark.path} for mark in result.healing.healed],
        "left": [_damage_row(damage) for damage in result.healing.left],
        "extra": [path_text(name) for name in report.extra],
        "notes": [note.why for note in result.notes],
        "wire_up": result.row.wire_up,
        "wire_down": result.row.wire_down,
        "cut": report.cut,
        "seconds": round(seconds, 3),
    }


def _damage_row(damage: FarDamage) -> dict[str, Any]:
    return {
        "path": damage.shown,
        "run": damage.run,
        "far_file": path_text(damage.name),
        "why": damage.why,
        "found_by": "reading it back over the line",
        "healed": damage.healed,
        "left": damage.left,
    }


def _tell(result: ProofResult, seconds: float) -> None:
    report = result.report
    say(
        f"{report.job}: {count_text(report.files, 'file')} ({size_text(report.size)}) and "
        f"{count_text(report.listings, 'listing')} read back over the line; {span_text(seconds)}, "
        f"{size_text(result.row.wire_down)} received"
    )
    if report.parts:
        say(f"  parts of files that are too large to be read at once, and are as they are here: {report.parts}")
    if report.whole and not report.cut:
        say("  that is everything, older versions too" + ("" if report.damaged else ": no damage"))
    if report.sample_said:
        say(f"  of these, drawn at random: {report.sample_said}")
    if report.word_files:
        word = count_text(report.word_files, "file is", "files are")
        say(f"  by the far box's own word, which is no proof: {word} whole")
    if report.too_large:
        say(
            f"  not read, because larger than what may be read at once and not here to be compared in parts: "
            f"{count_text(report.too_large, 'file')} ({size_text(report.too_large_bytes)}); --all reads all, or a "
            "larger prove_mb"
        )
    if result.falls_short:
        say(f"  {result.falls_short}")
    _list("damaged", [_damage_line(damage) for damage in report.damaged])
    known = {(damage.run, damage.path) for damage in report.damaged}
    _list(
        "damaged, known before", [_damage_line(one) for one in result.healing.left if (one.run, one.path) not in known]
    )
    _list("healed", [f"{mark.path} (version {mark.run}, UTC), and read back" for mark in result.healing.healed])
    _list("no version needs", [path_text(name) for name in report.extra])
    _list("note", [note.why for note in result.notes])
    if report.cut:
        say(f"  stopped before all was read: {report.cut}", err=True)
    if any(not damage.healed for damage in report.damaged):
        advice = f"  `otherroof prove {report.job} --heal` sends again what this machine still has unchanged"
        say(as_typed(advice), err=True)


def _damage_line(damage: FarDamage) -> str:
    where = "the newest copy" if damage.in_newest else f"version {damage.run} (UTC)"
    after = "; healed" if damage.healed else f"; {damage.left}" if damage.left else ""
    return f"{damage.shown}, of {where}: {damage.why}{after}"


def _list(title: str, lines: list[str]) -> None:
    tell_list(title, lines, "; --json has all")
