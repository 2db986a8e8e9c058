"""What a drill says of a whole restore, held against the whole restore over the same emulated line.

Home is in a namespace of its own, behind the line and its tunnel; all is done by the verbs, as a person would.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from otherroof.rehearsal.compare_trees import differences, read_tree
from support.bench.contenders import otherroof
from support.bench.measure import measure
from support.bench.scene import Scene, line_scene
from support.lab import require_lab, write_settings
from support.quick import ALL

pytestmark = [pytest.mark.lab, pytest.mark.slow]

JOB = "papers"
# Letters, scans, pictures and a film: 60 MB, of which half may come back for practice. The film is too large for that,
# so that what it costs is told from the others.
# Nor is it last by its name: the end of a restore, one file over one connection, is long only in a folder this small.
KINDS = ((1, 16_500_000, 16_800_000), (8, 1_000_000, 2_500_000), (1500, 1_000, 15_000), (100, 60_000, 300_000))
DRILL_MB = 30
# On the slower line, which is measured for eleven seconds with its losses, and if nothing else keeps the processors
# busy, as when all rows are asked for. The quicker one is measured for two and a half, and is as quick as this machine
# is at that moment: there the range alone must hold.
WITHIN = 0.20
WAIT_S = 900.0  # on a machine that is busy with much else


@pytest.fixture(autouse=True)
def _lab() -> None:
    require_lab()


def furnish(folder: Path) -> int:
    """The folder's files; answers their bytes."""
    chance, whole = random.Random(61), 0
    for kind, (count, least, most) in enumerate(KINDS):
        for number in range(count):
            path = folder / f"{kind}/{number % 17}/{number}"
            path.parent.mkdir(parents=True, exist_ok=True)
            size = chance.randint(least, most)
            path.write_bytes(chance.randbytes(size))
            whole += size
    return whole


def told(scene: Scene, config: str, words: Sequence[str]) -> tuple[dict[str, Any], float]:
    """What a verb printed, and the seconds that it took from its start to its end."""
    done = measure(scene.home.argv(otherroof(*words, "--config", config, "--json")), wait_s=WAIT_S)
    assert done.code == 0, (words, done.output, done.errors)
    return json.loads(done.output), done.seconds


@pytest.mark.lasts(80)
@pytest.mark.parametrize("line", ["A", "B"] if ALL else ["A"])
def test_what_a_drill_says_holds_for_the_whole_restore_over_a_slow_line(line: str, tmp_path: Path) -> None:
    folder, back = tmp_path / "home", tmp_path / "back"
    assert 55e6 < furnish(folder) < 65e6
    with line_scene(line, str(tmp_path / "far")) as scene:
        config = write_settings(tmp_path / "settings", scene.far, {JOB: {"folder": str(folder)}})
        told(scene, config, ["run", JOB])
        drill, _ = told(scene, config, ["drill", JOB, "--budget-mb", str(DRILL_MB)])
        restore, took_s = told(scene, config, ["restore", JOB, "--into", str(back)])
        late = scene.late_share()
    assert differences(read_tree(str(folder)), read_tree(str(back))) == []
    assert not drill["whole"]
    assert drill["too_large"]["files"] == 1
    said, real_s = drill["back"], restore["seconds"]
    print(f"line {line}: took {real_s:.1f} s ({took_s:.1f} s with the program's start; late {late:.1%}); said {said}")
    assert took_s - 5 < real_s < took_s, "the verb counts its own time from login to the last file"
    assert said["soonest_s"] <= real_s <= said["latest_s"], (real_s, said)
    assert line == "B" or not ALL or said["seconds"] == pytest.approx(real_s, rel=WITHIN)
    assert said["latest_s"] / said["soonest_s"] < (8 if ALL else 20), "a range that says something"
