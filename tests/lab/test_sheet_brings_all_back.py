"""The recovery sheet's own commands, typed on a Debian that has nothing else, bring every file back over real sshd."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.by_find import seen_by_find, unlike
from support.fresh_start import fresh_argv
from support.home_machine import HomeMachine
from support.lab import Estate, FarSshd
from support.lab.household import write_settings
from support.sheets import commands_of, letters_of

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.lasts(90)]

# Git only fetches the checkout, which this machine has already.
FROM_DEBIAN = ("python3-venv", "wireguard-tools", "nftables")
TAKE, PROBE = "sudo otherroof sheet --take", "sudo otherroof probe heron"


@pytest.fixture
def machine(base_system: str) -> Iterator[HomeMachine]:
    """As Debian's installer leaves it, on this machine's network: the far box is reached there."""
    with Estate() as estate:
        yield HomeMachine(estate, base_system)


def at_home(config: str, *words: str) -> str:
    """What a verb says on the old server."""
    argv = fresh_argv(*words, "--config", config)
    done = subprocess.run(argv, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def make_family(where: Path) -> dict[str, Path]:
    photos, letters = where / "photos", where / "letters"
    (photos / "2019").mkdir(parents=True)
    letters.mkdir()
    (photos / "2019" / "beach.jpg").write_bytes(os.urandom(300_000))
    (photos / "2019" / "beach.jpg").chmod(0o600)
    os.link(photos / "2019" / "beach.jpg", photos / "best.jpg")
    (photos / "cover").symlink_to("2019/beach.jpg")
    (letters / "letter.txt").write_text("dear all\n")
    os.chown(letters / "letter.txt", 1234, 1234)
    return {"photos": photos, "letters": letters}


def type_in(machine: HomeMachine, typed: str) -> tuple[int, str]:
    machine.write("/root/typed", typed)
    return machine.shell(f"{TAKE} </root/typed")


def test_an_empty_machine_with_the_sheet_s_text_alone_gets_every_file_back(
    machine: HomeMachine, tmp_path: Path
) -> None:
    folders = make_family(tmp_path / "family")
    with FarSshd() as far:
        config = write_settings(tmp_path / "settings", far, {name: str(path) for name, path in folders.items()})
        for name in folders:
            at_home(config, "run", name)
        sheet = at_home(config, "sheet", "--with-keys")
        was = {name: seen_by_find(path) for name, path in folders.items()}

        # From here on there is the sheet, and nothing else of the old home.
        commands, letters = commands_of(sheet), letters_of(sheet).lower()
        assert commands[-2:] == [f"sudo otherroof restore {name} --into {folders[name]}" for name in sorted(folders)]
        for line in commands:
            if line.startswith("sudo apt "):
                machine.run("dpkg", "--status", *[name for name in FROM_DEBIAN if name in line or "update" in line])
            elif line == TAKE:
                group = re.findall(r"[a-z2-7]{5}-[a-z2-7]{5}", letters)[19]
                wrong = group[:-1] + ("b" if group[-1] == "a" else "a")
                code, said = type_in(machine, letters.replace(group, wrong))
                assert code == 2
                assert "group 20 (2nd of line 19.): look at its 10th letter first" in said
                assert not os.path.exists(machine.path("/etc/otherroof"))
                code, said = type_in(machine, letters)
                assert code == 0, said
            else:
                code, said = machine.shell(line)
                assert code == 0, f"$ {line}\n{said}"
        found = {name: seen_by_find(Path(machine.path(str(path)))) for name, path in folders.items()}
    assert PROBE in commands
    for name, rows in was.items():
        assert unlike(rows, found[name]) == [], name
    taken = ["/etc/otherroof/otherroof.toml", "/etc/otherroof/jobs", "/etc/otherroof/keys"]
    assert machine.run("find", *taken, "-type", "f", "-not", "-perm", "600") == ""
