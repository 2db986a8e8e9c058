"""The rehearsal as a person starts it: one command, no root, no network, and a plain word at the end."""

from __future__ import annotations

import json
import os
import subprocess
import tempfile
from pathlib import Path

import pytest

from otherroof.base.errors import EXIT_DAMAGED, EXIT_LOOK, EXIT_WELL, EXIT_WRONG_USE
from otherroof.cli.main import main
from otherroof.rehearsal import play
from otherroof.rehearsal.compare_trees import TreeDifference
from otherroof.rehearsal.day import change_like_a_day
from otherroof.rehearsal.household import invent
from otherroof.rehearsal.play import RehearsalResult, RehearsalStep

pytestmark = [pytest.mark.slow, pytest.mark.lasts(14)]


def rehearse(*argv: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(["rehearse", *argv])
    return int(left.value.code or 0)


@pytest.mark.slow
def test_rehearsal_goes_well_and_what_it_kept_is_what_diff_calls_alike(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = tmp_path / "kept"
    assert rehearse("--keep", str(kept), "--json") == EXIT_WELL
    told, steps = capsys.readouterr()
    verdict = json.loads(told)
    assert verdict["well"] is True
    assert verdict["wrong"] == verdict["differences"] == []
    assert "Inventing a household" in steps
    acts = {act["act"]: act for act in verdict["acts"]}
    second, household = acts["second copy"]["bytes"], acts["household invented"]["bytes"]
    assert 0 < second["sent"] < household["new"] * 0.05, "a day's changes, not the whole again"
    assert acts["held run"]["bytes"]["sent"] == 0

    first_day, second_day = tmp_path / "first", tmp_path / "second"
    for folder in (first_day, second_day):
        folder.mkdir()
        invent(str(folder), play.FIRST_DAY_SEED)
    change_like_a_day(str(second_day), play.SECOND_DAY_SEED)
    restored = sorted(path for path in (kept / "restored").iterdir() if not path.name.endswith(".settings"))
    for wanted, found in zip((first_day, second_day), restored, strict=True):
        done = subprocess.run(
            ["diff", "-r", "--no-dereference", str(wanted), str(found)], capture_output=True, timeout=60, check=False
        )
        assert (done.returncode, done.stdout[:2000]) == (0, b"")


class _Ending:
    """A play that is over at once."""

    verdict = RehearsalResult()

    def __init__(self, *_given: object, **_named: object) -> None:
        pass

    def perform(self) -> RehearsalResult:
        return self.verdict


@pytest.mark.parametrize(
    ("verdict", "code", "word"),
    [
        (
            RehearsalResult([RehearsalStep("first copy", 2.5, 3000, 202_000_000, 127_000_000, 129_000_000)]),
            EXIT_WELL,
            "127 MB",
        ),
        (RehearsalResult(wrong=["the run should be held"]), EXIT_LOOK, "1 thing was not as it should be"),
        (RehearsalResult(wrong=["x"], unlike=[TreeDifference(b"a", "size", "5", "4")]), EXIT_DAMAGED, "2 things"),
    ],
)
def test_exit_code_and_last_word_follow_the_verdict_and_nothing_stays(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    verdict: RehearsalResult,
    code: int,
    word: str,
) -> None:
    monkeypatch.setattr(_Ending, "verdict", verdict)
    monkeypatch.setattr(play, "Rehearsal", _Ending)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    assert rehearse() == code
    assert word in capsys.readouterr().out
    assert rehearse("--json") == code
    assert json.loads(capsys.readouterr().out)["well"] is (code == EXIT_WELL)
    assert os.listdir(tmp_path) == []


def test_rehearsal_does_not_touch_a_folder_with_something_in_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine").write_text("mine")
    assert rehearse("--keep", str(tmp_path)) == EXIT_WRONG_USE
    assert "not empty" in capsys.readouterr().err
    assert os.listdir(tmp_path) == ["mine"]
