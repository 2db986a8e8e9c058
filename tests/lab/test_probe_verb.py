"""`otherroof probe` against a real sshd on this machine: what is printed, what is kept, how it leaves."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.ledger import Ledger
from support.fresh_start import fresh_argv
from support.lab.household import write_settings
from support.lab.need import require_sshd
from support.lab.sshd import FarSshd

pytestmark = [pytest.mark.lab, pytest.mark.together]

RUNGS = [
    "settings and keys",
    "default route",
    "names",
    "address plan",
    "interface",
    "handshake",
    "far address",
    "full packets",
    "SSH speaks",
    "host key",
    "login",
    "extensions",
    "base",
    "clock",
]


@pytest.fixture(scope="module")
def far() -> Iterator[FarSshd]:
    require_sshd()
    with FarSshd() as made:
        yield made


@pytest.fixture
def folder(far: FarSshd, tmp_path: Path) -> str:
    return write_settings(tmp_path / "settings", far, {})


def probe(folder: str, *words: str) -> subprocess.CompletedProcess[str]:
    argv = fresh_argv("probe", *words, "--config", folder)
    return subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)


def test_json_has_every_rung_in_order_and_nothing_else_on_the_output(folder: str) -> None:
    done = probe(folder, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    (found,) = json.loads(done.stdout)["probes"]
    assert [one["rung"] for one in found["rungs"]] == RUNGS
    assert {one["state"] for one in found["rungs"]} == {"ok", "not tried"}
    assert (found["far"], found["answered"], found["headline"]) == ("heron", True, "all well")
    assert found["last_answer"] == found["at"]


def test_text_is_one_plain_line_for_each_rung_when_it_is_not_a_terminal(folder: str) -> None:
    done = probe(folder)
    lines = done.stdout.splitlines()
    assert lines[0] == "heron"
    assert [re.split(r"\s{2,}", line.strip().replace("not tried ", "not tried  "))[1] for line in lines[1:15]] == RUNGS
    assert lines[15] == "heron answers: all well"
    assert "\x1b" not in done.stdout


def test_far_box_that_went_away_is_told_with_when_it_last_answered(far: FarSshd, folder: str) -> None:
    assert "has never answered" not in probe(folder).stdout
    far.stop()
    try:
        done = probe(folder, "heron")
        told = json.loads(probe(folder, "heron", "--json").stdout)["probes"][0]
    finally:
        far.start()
    assert done.returncode == 3
    assert re.search(
        r"heron was not reached: SSH speaks: .*nothing listens there \(last answered \w{3} \d", done.stdout
    )
    (advice,) = (line for line in done.stdout.splitlines() if "→" in line)
    assert "→ check that sshd runs on it" in advice, "on one line, however long, so that it can be searched"
    assert len(done.stdout.splitlines()) == 17
    assert (told["answered"], told["exit_code"]) == (False, 3)
    assert told["last_answer"] < told["at"]
    with Ledger(f"{folder}/state/ledger.sqlite") as ledger:
        assert [row.answered for row in ledger.probes.rows(far="heron")] == [False, False, True]


def test_far_box_that_is_not_in_the_settings_is_wrong_use_and_those_known_are_named(folder: str) -> None:
    done = probe(folder, "egret")
    assert done.returncode == 2
    assert "there is no far box 'egret'" in done.stderr
    assert "far boxes here: heron" in done.stderr


def test_space_that_was_seen_is_kept_for_the_forecast(folder: str) -> None:
    probe(folder)
    with Ledger(f"{folder}/state/ledger.sqlite") as ledger:
        row = ledger.file.db.execute("SELECT free, total FROM space WHERE far = 'heron'").fetchone()
    assert 0 < row[0] <= row[1]
