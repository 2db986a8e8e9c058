"""Walks what runs moved aside: the one walk of `earlier/`, with many folders asked for at once.

What the far box says is not trusted further than to look there: names that cannot be end the walk.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from otherroof.base.errors import OtherroofError, Refused
from otherroof.far.place import Place, Task
from otherroof.far.requests import Script
from otherroof.far_copy.numbers import join_path
from otherroof.layouts.open import steps
from otherroof.layouts.open.paths import EARLIER, JobPaths

LONGEST_PATH = 16 * 1024  # bytes; four times what Linux takes in one piece


@dataclass(slots=True)
class AsideFolder:
    """One folder of what `run` moved aside: paths, in the job's folder, of what lies in it. Links count as files."""

    run: str
    files: list[bytes] = field(default_factory=list)
    folders: list[bytes] = field(default_factory=list)


def walk_aside(place: Place, paths: JobPaths, runs: Iterable[str]) -> Iterator[AsideFolder]:
    """Every folder of what these runs moved aside, in no order; nothing for a run that moved nothing.

    Raises the first refusal, Refused also at names that cannot be and at folders that lead deeper and deeper. To be
    read to its end: a place takes one piece of work at a time, and closes its connection if that is broken off.
    """
    waiting = [(run, b"") for run in runs]
    under_way = 0
    failure: OtherroofError | None = None

    # `tasks` is asked in the same thread that reads the results below, so the two share these without a lock. None says
    # that folders are still being looked into, from which more may come.
    def tasks() -> Iterator[Task[None, AsideFolder] | None]:
        nonlocal under_way
        while under_way or waiting:
            if waiting:
                under_way += 1
                # The last comes first, so that few folders wait even in a very large tree.
                yield Task(None, _look_into(paths, *waiting.pop()))
            else:
                yield None

    for result in place.carry_out(tasks()):
        under_way -= 1
        failure = failure or result.error
        if failure is not None:
            waiting.clear()  # what is under way ends by itself: raised here, it would close the place
        elif result.value is not None:
            waiting += [(result.value.run, folder) for folder in result.value.folders]
            yield result.value
    if failure is not None:
        raise failure


def _look_into(paths: JobPaths, run: str, folder: bytes) -> Script[AsideFolder]:
    found = AsideFolder(run)
    top = paths.earlier(folder, run) if folder else paths.at(EARLIER, run.encode())
    for name, attrs in (yield from steps.list_names(top)) or ():
        # The length is what ends a tree that a lying far box makes up as it is walked: depth alone costs it nothing.
        if b"/" in name or not name or len(folder) > LONGEST_PATH:
            raise Refused("answers names that cannot be", where=paths.name)
        (found.folders if steps.is_folder(attrs) else found.files).append(join_path(folder, name))
    return found
