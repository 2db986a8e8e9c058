"""The home server on each Debian that is supported, by the README's own lines: a first run, an install as a service,
a far box set up by hand, a copy, a restore, and the service off again.

One throwaway machine of each release serves all tests here; they stand in the order of a first day.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.system.install_steps import UNIT_PATH
from support.confinement import MOST_EXPOSED, exposure, unexplained
from support.home_machine import PERSON, HomeMachine
from support.lab import Estate

pytestmark = [
    pytest.mark.lab,
    pytest.mark.slow,
    pytest.mark.each_release,
    pytest.mark.together("base_system"),
    pytest.mark.lasts(120),
]

README = Path(__file__).parents[2] / "README.md"
FAMILY = "/srv/family/photos"
NOT_HERE = re.compile(r"^sudo apt (?:update|install .*)\n", re.MULTILINE)  # the machine has these packages


def block(word: str) -> str:
    """The README's block of commands or settings that has `word` in it."""
    blocks = re.findall(r"^```\w+\n(.*?)^```$", README.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    (found,) = (text for text in blocks if word in text)
    return str(found)


def typed(machine: HomeMachine, script: str, *, person: str = "root") -> str:
    """What is said to a script that must go well."""
    code, said = machine.shell(script, person=person)
    assert code == 0, said
    return said


@pytest.fixture(scope="module")
def fresh(base_system: str) -> Iterator[HomeMachine]:
    """As Debian's installer leaves it, in this machine's network."""
    with Estate() as estate:
        yield HomeMachine(estate, base_system)


@pytest.fixture(scope="module")
def installed(fresh: HomeMachine) -> HomeMachine:
    """Run by its own systemd, with Otherroof installed as a service."""
    commands = NOT_HERE.sub("", block("-m venv /opt/otherroof")).splitlines(keepends=True)
    service = next(number for number, line in enumerate(commands) if "otherroof install" in line)
    typed(fresh, "".join(commands[:service]))
    fresh.boot()
    before = fresh.snapshot()
    show, apply = commands[service : service + 2]
    assert "nothing was done" in typed(fresh, show)
    assert fresh.snapshot() == before
    typed(fresh, apply)
    return fresh


def test_a_person_without_rights_rehearses_on_a_fresh_machine(fresh: HomeMachine) -> None:
    said = typed(fresh, "sh examples/first-run.sh", person=PERSON)
    assert "All as it should be" in said


def test_this_systemd_finds_nothing_wrong_with_the_unit(installed: HomeMachine) -> None:
    assert installed.try_out("systemd-analyze", "verify", "--man=no", UNIT_PATH) == (0, "")
    assert installed.run("systemctl", "is-enabled", "otherroof.service").strip() == "enabled"


def test_this_systemd_calls_the_unit_confined_and_the_unit_says_why_where_it_is_not(installed: HomeMachine) -> None:
    ask = ("systemd-analyze", "security", "--offline=true", UNIT_PATH)
    assert 0 < exposure(installed.run(*ask)) <= MOST_EXPOSED
    rows = json.loads(installed.run(*ask, "--json=short"))
    assert unexplained(rows, installed.read(UNIT_PATH)) == []


@pytest.fixture(scope="module")
def copied(installed: HomeMachine) -> HomeMachine:
    """With a far box by hand on the same machine, and the first copy made, all by the README's lines."""
    installed.write(f"{FAMILY}/summer/beach.jpg", "a beach\n", 0o600)
    installed.run("chown", "-R", f"{PERSON}:{PERSON}", FAMILY)
    host_key = typed(installed, block("useradd --system")).split()
    typed(installed, block("ssh-keygen -t ed25519"))
    typed(installed, "cp /etc/otherroof/keys/heron.pub /etc/ssh/otherroof.pub; systemctl reload ssh.service")
    settings = (
        block('host_key  = "').replace("192.0.2.2", "127.0.0.1").replace("ssh-ed25519 AAAA…", " ".join(host_key[:2]))
    )
    # The machine's disk is small, and a far disk that is nearly full would be told.
    settings = settings.replace("host_key  = ", "floor_gb = 0.5\nhost_key  = ", 1)
    installed.write("/etc/otherroof/otherroof.toml", settings)
    typed(installed, "sudo otherroof probe heron")
    # Nobody is told of alerts yet, for which `status` leaves with 1; any other code ends the lines.
    typed(installed, re.sub(r"(?m)^(sudo otherroof status)\b.*", r"\1 || [ $? = 1 ]", block("cp jobs/photos.toml")))
    return installed


def test_what_was_copied_comes_back_as_it_was(copied: HomeMachine) -> None:
    typed(copied, "sudo otherroof restore photos --into /srv/back")
    typed(copied, f"diff -r {FAMILY} /srv/back")
    described = [copied.run("stat", "-c", "%a %U %Y", f"{top}/summer/beach.jpg") for top in (FAMILY, "/srv/back")]
    assert described[0] == described[1]


def test_the_service_runs_as_its_own_account_with_what_the_unit_leaves_it(copied: HomeMachine) -> None:
    shown = copied.run("systemctl", "show", "--property=ActiveState,NRestarts,MainPID", "otherroof.service")
    state = dict(line.split("=", 1) for line in shown.split())
    assert (state["ActiveState"], state["NRestarts"]) == ("active", "0")
    status = dict(line.split(":", 1) for line in copied.read(f"/proc/{state['MainPID']}/status").splitlines())
    assert set(status["Uid"].split()) == {copied.run("id", "-u", "otherroof").strip()}
    # CAP_DAC_READ_SEARCH, CAP_NET_ADMIN, CAP_NET_RAW: numbers 2, 12 and 13 of linux/capability.h
    assert int(status["CapEff"], 16) == int(status["CapBnd"], 16) == 1 << 2 | 1 << 12 | 1 << 13
    assert (status["NoNewPrivs"].strip(), status["Seccomp"].strip()) == ("1", "2")


def as_the_service(machine: HomeMachine, words: str) -> str:
    """What `otherroof WORDS` says inside all that the unit forbids; it must go well."""
    unit = machine.read(UNIT_PATH).replace("Type=notify", "Type=oneshot").replace("Restart=on-failure", "Restart=no")
    once, changed = re.subn(r"^(ExecStart=\S+) serve$", rf"\1 {words}", unit, flags=re.MULTILINE)
    assert changed == 1
    machine.write("/etc/systemd/system/once.service", once)
    machine.run("systemctl", "daemon-reload")
    code, _ = machine.try_out("systemctl", "start", "once.service")
    said = machine.run("journalctl", "--unit=once.service", "--output=cat")
    assert code == 0, said
    return said


def test_every_rung_holds_inside_all_that_the_unit_forbids(copied: HomeMachine) -> None:
    said = as_the_service(copied, "probe heron")
    assert "0 of 10 lost" in said, "`ping` works in there"
    assert "heron answers: all well" in said


def test_a_run_goes_well_inside_all_that_the_unit_forbids(copied: HomeMachine) -> None:
    copied.write(f"{FAMILY}/summer/rain.jpg", "rain\n", 0o600)
    as_the_service(copied, "run photos")
    assert copied.read("/srv/otherroof/copies/photos/latest/summer/rain.jpg") == "rain\n"


def test_undo_takes_the_service_off_and_keeps_settings_and_history(copied: HomeMachine) -> None:
    typed(copied, "sudo otherroof install --undo --apply")
    assert copied.run("systemctl", "is-active", "otherroof.service", may_fail=True).strip() == "inactive"
    typed(copied, f"test ! -e {UNIT_PATH}; test -s /etc/otherroof/otherroof.toml; test -s /etc/otherroof/keys/heron")
    assert "photos" in typed(copied, "otherroof ledger")
