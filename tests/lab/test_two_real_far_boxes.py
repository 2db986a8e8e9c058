"""A folder at two far boxes that run OpenSSH: what each of them has damaged comes from the other in one restore."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import EXIT_DAMAGED
from otherroof.rehearsal.compare_trees import differences, read_tree
from support.lab.need import require_sshd
from support.lab.sshd import FarSshd
from support.two_boxes import TwoBoxes
from support.verbs import verb_of

pytestmark = pytest.mark.lab


@pytest.fixture
def home(tmp_path: Path) -> Iterator[TwoBoxes]:
    require_sshd()
    with FarSshd() as heron, FarSshd() as wren:
        yield TwoBoxes(tmp_path, {"heron": heron, "wren": wren})


def test_a_restore_mixes_two_copies_that_are_damaged_in_different_files(
    home: TwoBoxes, capsys: pytest.CaptureFixture[str]
) -> None:
    verb = verb_of(home, capsys)  # type: ignore[arg-type]  # it only asks for the settings folder
    for number in range(4):
        home.put(f"summer/{number}.jpg", bytes([number]) * 3000)
    home.put("winter/large.mov", b"snow" * 500_000)
    for job in ("photos@heron", "photos@wren"):
        home.done(job)
    for box, name in (("wren", "winter/large.mov"), ("wren", "summer/1.jpg"), ("heron", "summer/2.jpg")):
        path = home.latest(box, name)
        path.chmod(0o600)
        path.write_bytes(bytes(byte ^ 0xFF for byte in path.read_bytes()))
    for job, other, lost in (
        ("photos@wren", "photos@heron", {"winter/large.mov", "summer/1.jpg"}),
        ("photos@heron", "photos@wren", {"summer/2.jpg"}),
    ):
        target = home.where / f"back from {job}"
        told = verb("restore", job, "--into", str(target), "--json")
        assert differences(read_tree(str(home.folder)), read_tree(str(target))) == []
        assert (told.code, told.json["damaged"]) == (EXIT_DAMAGED, [])
        assert {(row["path"], row["from"]) for row in told.json["elsewhere"]} == {(name, other) for name in lost}
