"""The repair of the catalogue at the beginning of a run, on a far box that goes away in the middle of it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import LinkLost
from otherroof.copying.compare.catalogue_repair import JobStateFiles, check_catalogue
from otherroof.copying.compare.plan import RunPlan
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.view import FarCopyView
from otherroof.far_copy.writer import Writer
from support.open_files import open_below
from support.run_context import run_context

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)


class GoneAway:
    """A far copy that could be looked at, and then answers nothing more."""

    home_id = "larch"

    def lines(self, run: str) -> Iterator[bytes]:
        raise LinkLost("the connection broke")

    def writer(self, run: str) -> Writer:
        raise LinkLost("the connection broke")


@pytest.mark.parametrize(
    "view", [FarCopyView(runs=["r2"]), FarCopyView()], ids=["reading the listing", "settling the notes"]
)
def test_no_file_is_left_open_where_the_connection_breaks(tmp_path: Path, view: FarCopyView) -> None:
    """The run begins anew on the next connection, with the same files."""
    files = JobStateFiles(str(tmp_path), "photos")
    if not view.runs:
        notes = RunPlan(files.notes)
        notes.note_fact("run", "r1")
        notes.note_fact("base", "")
        notes.close()
    with pytest.raises(LinkLost) as broken:
        check_catalogue(files, cast(Keeper, GoneAway()), view, run_context(SteppedClock(NOW)))
    assert broken.traceback  # which holds on to all that the frames held
    assert open_below(tmp_path) == []
