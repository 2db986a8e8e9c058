"""R7 of a run: from here on it counts.

    1  a new catalogue is written beside the old one, from what the run did
    2  the listing is sent, while a last look tells whether another server copies there too, and gets its name by
       rename, last of all: that is the commit
    3  the new catalogue takes the old one's name

A kill between 2 and 3 leaves a catalogue that is one run behind; the next run notices by the run ids and makes it anew.
"""

from __future__ import annotations

from functools import partial

from otherroof.base.clock import Clock, stamp
from otherroof.copying.compare.catalogue import Catalogue, replace_catalogue, write_catalogue
from otherroof.copying.compare.catalogue_repair import JobStateFiles
from otherroof.copying.compare.change import Rows
from otherroof.copying.compare.find_changes import is_mount_point
from otherroof.copying.compare.fold import fold
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.home.chunk_lists import ChunkStore
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.other_server import require_alone
from otherroof.copying.reconnect import SteadyConnection
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.state import CopyState
from otherroof.far_copy.view import FarCopyView


def commit_run(
    run: str,
    connection: SteadyConnection,
    files: JobStateFiles,
    catalogue: Catalogue,
    plan: RunPlan,
    source: SourceFolder,
    clock: Clock,
) -> list[str]:
    """Let `run` count, from this moment on; answers what a person should know of home's own files.

    Closes the catalogue if a new one took its place.

    A run that changed nothing writes a listing without lines, which names the run whose lines hold.
    """
    known, now = catalogue.facts, clock.now()
    mounted, top = is_mount_point(source.root), source.top().line()
    state = CopyState(run, connection.keeper.home_id, mounted=mounted, top=top)
    same = bool(known.whole_run) and plan.changes_no_line()
    state.whole_run = known.whole_run if same else state.run
    plan.note_fact("whole_run", state.whole_run)  # a kill may come between the listing and the catalogue
    plan.commit()
    if same and plan.is_empty():
        state.files, state.size = known.files, known.size
        _commit_listing(connection, state, None, stamp(now), known.run)
        catalogue.note_run(state)
        return []
    aside = write_catalogue(files.catalogue, fold(catalogue.blocks(), plan.outcome(now)), state)
    written = Catalogue(aside)
    try:
        _commit_listing(connection, state, None if same else written, stamp(now), known.run)
    finally:
        written.close()
    remarks = _keep_chunks(files, plan)
    catalogue.close()
    replace_catalogue(aside, files.catalogue)
    return remarks


def _commit_listing(
    connection: SteadyConnection, state: CopyState, written: Catalogue | None, taken: str, base: str
) -> None:
    def commit(keeper: Keeper, view: FarCopyView) -> None:
        if state.run in view.runs:
            # The connection broke after the rename: it counts already, but the far box may never have been asked to
            # hold that.
            keeper.hold_listing(state.run)
            return
        if not view.ready:
            keeper.begin(state.run, view)
        check = partial(require_alone, keeper, view, state.run, base)
        keeper.commit(state, written.blocks() if written is not None else (), taken, check)

    connection.with_retries(commit)


def _keep_chunks(files: JobStateFiles, plan: RunPlan) -> list[str]:
    """Chunk lists follow files that moved, and go with files that went."""
    chunks = ChunkStore(files.chunks)
    try:
        for change in plan.pages(Rows.MOVED):
            chunks.moved(change.source or b"", change.path)
        for change in plan.pages(Rows.FILES_GONE):
            chunks.forget(change.path)
    finally:
        chunks.close()
    return chunks.remarks
