"""How verbs show what they found in versions: rows of text and of JSON. Names in them may be anything.

Every verb's help may pass through here, so what only the deeds need is imported inside.
"""

from __future__ import annotations

import base64
import os
import sys
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Annotated, Any

import typer

from otherroof.base.clock import stamp
from otherroof.base.local_time import table_time_text
from otherroof.base.units import count_text
from otherroof.cli.common import as_typed, one_job_of, say
from otherroof.far_copy.entry import path_text

if TYPE_CHECKING:
    from otherroof.copying.report import Problem
    from otherroof.jobs.context import DiskAtHand
    from otherroof.restore.finding.look import FoundEntry
    from otherroof.restore.finding.states import FileState, IndexedVersion
    from otherroof.restore.versions import Version
    from otherroof.settings import Settings

FromOption = Annotated[
    str,
    typer.Option(
        "--from", metavar="DIR", help="Read it from this folder of a disk that was carried home; no far box is asked."
    ),
]
LikeOption = Annotated[
    str,
    typer.Option("--like", metavar="PATTERN", help="Only what is called like this: '*.jpg', 'summer/**'."),
]
AsOfOption = Annotated[str, typer.Option("--as-of", metavar="RUN|TIME", help="An earlier version than the newest.")]
LONGEST_LIST = 50
DIGITS = 8  # of a digest, for people: enough to tell the states of one file apart


def as_listed(path: str, folder: str) -> bytes:
    """`path` as the listing names it: people write it as they see it at home, or with `./` before it."""
    named = os.path.normpath(path) if path else ""
    # With or without the job's folder in front: `/srv/photos/a` and `a` are the same file.
    if named == folder:
        return b""
    if named.startswith(folder + "/"):
        named = named[len(folder) :]
    named = named.strip("/")
    return b"" if named == "." else os.fsencode(named)


def time_or_count_text(entry: FoundEntry, zone: tzinfo) -> str:
    """A file's own time, which may be anything; a dash if no calendar has it. Of a folder how many files it holds."""
    if entry.state.kind == "folder":
        return count_text(entry.files, "file")
    try:
        return table_time_text(datetime.fromtimestamp(entry.state.mtime_ns // 1_000_000_000, UTC), zone)
    except (OverflowError, ValueError, OSError):
        return "–"


def name_text(state: FileState, *, whole: bool) -> str:
    """The name, or with `whole` the path: `summer/` a folder, `there -> target` a link."""
    name = path_text(state.path if whole else state.path.rpartition(b"/")[2])
    if state.kind == "folder":
        return f"{name}/"
    return f"{name} -> {path_text(state.target)}" if state.kind == "link" else name


def state_as_json(state: FileState) -> dict[str, Any]:
    """A state for scripts."""
    row: dict[str, Any] = {**path_as_json("path", state.path), "kind": state.kind, "bytes": state.size}
    row |= {"mtime_ns": state.mtime_ns, "mode": f"{state.mode:04o}"}
    if state.kind == "file":
        row["digest"] = state.digest.hex()
    if state.kind == "link":
        row |= path_as_json("target", state.target)
    return row


def path_as_json(key: str, path: bytes) -> dict[str, str]:
    """A path for scripts: as it is, or if it is no UTF-8, escaped, with its bytes in base64 beside it."""
    try:
        return {key: path.decode()}
    except UnicodeDecodeError:
        return {key: path_text(path), f"{key}64": base64.b64encode(path).decode()}


def version_as_json(version: IndexedVersion | Version) -> dict[str, Any]:
    """A version for scripts."""
    return {"run": version.run, "taken": stamp(version.taken), "files": version.files, "bytes": version.size}


def problem_rows(problems: Iterable[Problem]) -> list[dict[str, str]]:
    """Problems for scripts."""
    return [{"path": problem.path, "why": problem.why} for problem in problems]


def tell_problems(problems: Iterable[Problem]) -> None:
    """Problems for people, one line each."""
    for problem in problems:
        say(f"  note: {problem.text}", err=True)


def tell_list(title: str, lines: Sequence[str], rest: str = "") -> None:
    """The first of `lines` for people, each after its `title`, and how many more there are; `rest` says of these what
    else there is to say."""
    for line in lines[:LONGEST_LIST]:
        say(f"  {title}: {line}", err=True)
    if len(lines) > LONGEST_LIST:
        say(f"  and {len(lines) - LONGEST_LIST} more{rest}", err=True)


def tell_problem(line: str) -> None:
    """Why one copy of several was passed over."""
    say(as_typed(f"otherroof: mind: {line}"), err=True)


def tell_progress(line: str) -> None:
    """What is under way before there is an answer: not among the answer's lines, and only for a person who waits."""
    if sys.stderr.isatty():
        say(line, err=True)


def disk_at_hand(folder: str, job: str, settings: Settings) -> DiskAtHand | None:
    """The disk with `folder` in the far box's place, None if none is named. Raises WrongUse if `job` is not there, or
    means several copies, of which a disk has one."""
    if not folder:
        return None
    from otherroof.jobs.carried.disk import disk_to_read
    from otherroof.settings.copies.names import stem_of

    return disk_to_read(
        folder, stem_of(one_job_of(settings, job, "a disk is one copy's, that of the far box it stood at"))
    )
