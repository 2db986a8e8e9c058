"""Takes one more version in among those that are known: which states stood on, which ended, which are new.

Pure: two streams in byte order of the path in, edits out. Versions may be taken in in any order. It must not know where
spans are kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter

from otherroof.restore.finding.states import MarkedLine, Span


@dataclass(frozen=True, slots=True)
class Neighbours:
    """The version that is taken in, and the known ones next before and after it; None if there is none."""

    before: int | None
    version: int
    after: int | None


@dataclass(frozen=True, slots=True)
class SpanEdit:
    """At one path: `old` becomes the `new` spans of the same state, and `fresh` is a state that stands in the version
    that is taken in and in neither of its neighbours."""

    path: bytes
    old: Span | None = None
    new: tuple[Span, ...] = ()
    fresh: MarkedLine | None = None


def fold_in(spans: Iterable[Span], lines: Iterable[MarkedLine], here: Neighbours) -> Iterator[SpanEdit]:
    """What has to change so that the version with these lines is known too.

    `spans` are all that reach one of its neighbours, by path. Then every known version still has what it had, and no
    state has two spans that could be one.
    """
    known = groupby(spans, key=attrgetter("path"))
    path, found = next(known, (None, None))
    for line in lines:
        while path is not None and found is not None and path < line.path:
            yield from _edits(path, list(found), None, here)
            path, found = next(known, (None, None))
        if path == line.path and found is not None:
            yield from _edits(line.path, list(found), line, here)
            path, found = next(known, (None, None))
        else:
            yield SpanEdit(line.path, fresh=line)
    while path is not None and found is not None:
        yield from _edits(path, list(found), None, here)
        path, found = next(known, (None, None))


def _edits(path: bytes, spans: list[Span], line: MarkedLine | None, here: Neighbours) -> Iterator[SpanEdit]:
    before = next((span for span in spans if here.before is not None and span.has(here.before)), None)
    after = next((span for span in spans if here.after is not None and span.has(here.after)), None)
    mark = line.mark if line is not None else None
    if before is not None and before == after:
        if before.mark != mark:
            assert here.before is not None
            assert here.after is not None
            halves = (
                Span(path, before.mark, before.first, here.before),
                Span(path, before.mark, here.after, before.last),
            )
            yield SpanEdit(path, before, halves, line)
    elif line is None:
        return
    elif before is not None and before.mark == mark:
        yield SpanEdit(path, before, (Span(path, before.mark, before.first, here.version),))
    elif after is not None and after.mark == mark:
        yield SpanEdit(path, after, (Span(path, after.mark, here.version, after.last),))
    else:
        yield SpanEdit(path, fresh=line)
