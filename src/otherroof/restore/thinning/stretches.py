"""Which runs go out of a far copy together, and where what they kept goes to.

Pure: run ids in, stretches out. It must not know what a run kept, nor how a layout keeps it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from otherroof.far_copy.view import FarCopyView


@dataclass(frozen=True, slots=True)
class GoingStretch:
    """Runs one after the other of which none is a version that stays: `gone`, oldest first.

    `before` is the newest version before them that stays, empty if there is none: what it needs of theirs, and nothing
    else, is needed any more. `to` is the run after them, which keeps that from now on.
    """

    before: str
    gone: tuple[str, ...]
    to: str


# Why `before` alone decides: what an even older version needs of a path that `before` does not have was moved aside by
# a run between the two, and is found there first.


def going_stretches(view: FarCopyView, going: Collection[str]) -> list[GoingStretch]:
    """The stretches in which these versions go, oldest first, with what cut runs before the newest version left.

    Also what a removal that was killed left half done: that looks like a cut run, or, if a run is in `going` and has no
    trace any more, the run after it may keep what nobody needs. The newest version stays, whatever `going` says, and so
    does all that came after it.
    """
    # A cut run before a version that counts was looked into by the run that left that version, so nobody asks for it.
    stays = set(view.runs) - set(going) | {view.newest}
    found: list[GoingStretch] = []
    before, gone = "", list[str]()
    for run in sorted({*view.runs, *view.earlier, *going}):
        if run > view.newest:
            break
        if run not in stays:
            gone.append(run)
            continue
        if gone:
            found.append(GoingStretch(before, tuple(gone), run))
        before, gone = run, []
    return found


def lending_lines(going: Collection[str], same_as: Mapping[str, str]) -> set[str]:
    """Those of `going` whose listings hold the lines of a version that stays, by `same_as` of each version's header.

    They have to stay as well; they cost no more than their listing, since such a version holds just the same.
    """
    lent = set(going)
    return {whole for run, whole in same_as.items() if whole in lent and run not in lent}
