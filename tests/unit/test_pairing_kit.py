"""The kit: one secret only, the same from the same plan, sound for any shell, and it never writes into a stranger's
folder."""

from __future__ import annotations

import hashlib
import os
import shlex
import stat
import subprocess

import pytest

from otherroof.base.errors import WrongUse
from otherroof.pairing.kit import SECRET, SUMS, kit_files, write_kit
from support.lab.need import program
from support.pairing import some_plan, some_shared_key

SHARED = some_shared_key()
PLANS = {
    "answer": some_plan(),
    "call": some_plan(role="call", far_name="heron.example.net", restart_at="04:30", mtu=1412),
    "numbers": some_plan(own_name="2001:db8::7", contact='O\'Neill `x` $(y) "z" \\ é', account="copies-2"),
}


@pytest.fixture(params=PLANS)
def plan(request):
    return PLANS[request.param]


def test_the_shared_key_is_in_one_file_only_and_its_name_says_so(plan):
    files = kit_files(plan, SHARED)
    assert [path for path, text in files.items() if SHARED in text] == [SECRET]
    assert SECRET in files["READ-ME-FIRST.txt"]


def test_the_sums_cover_every_other_file(plan):
    files = kit_files(plan, SHARED)
    sums = dict(reversed(line.split("  ")) for line in files[SUMS].splitlines())
    assert set(sums) == set(files) - {SUMS}
    for path, digest in sums.items():
        assert hashlib.sha256(files[path].encode()).hexdigest() == digest


def test_the_same_plan_gives_the_same_kit(plan):
    assert kit_files(plan, SHARED) == kit_files(plan, SHARED)


def test_nothing_of_a_template_is_left_unfilled(plan):
    for path, text in kit_files(plan, SHARED).items():
        assert "{{" not in text, path
        assert "{%" not in text, path
        assert text.endswith("\n"), path
        assert not text.endswith("\n\n"), path


def test_the_page_has_its_cautions_where_they_are_met(plan):
    page = " ".join(kit_files(plan, SHARED)["READ-ME-FIRST.txt"].split())
    for caution in (
        "Ask, and be asked",
        "exposed to everyone on the internet",
        "contracts with the internet providers",
        "what the law says where you live",
        "licensed",
        "unattended",
        "never sees it",
        "there is no way back",
    ):
        assert caution in page
    assert max(len(line) for line in kit_files(plan, SHARED)["READ-ME-FIRST.txt"].splitlines()) <= 130


def test_only_the_called_house_is_told_to_open_a_port():
    answer = kit_files(PLANS["answer"], SHARED)
    assert "Nothing is opened in this house's router" in answer["READ-ME-FIRST.txt"]
    assert "listen-port 51820" not in answer["files/tunnel.sh"]
    assert "called='larch.example.net:51820'" in answer["files/tunnel.sh"]
    call = kit_files(PLANS["call"], SHARED)
    assert "In this house's router, UDP port 51820 has to be opened" in call["READ-ME-FIRST.txt"]
    assert "listen-port 51820" in call["files/tunnel.sh"]
    assert "endpoint" not in call["files/tunnel.sh"]


def test_an_ipv6_address_is_written_as_wg_wants_it():
    assert "called='[2001:db8::7]:51820'" in kit_files(PLANS["numbers"], SHARED)["files/tunnel.sh"]


def test_a_machine_is_restarted_only_if_that_was_answered():
    assert "Automatic-Reboot" not in kit_files(PLANS["answer"], SHARED)["files/updates.conf"]
    assert 'Automatic-Reboot-Time "04:30"' in kit_files(PLANS["call"], SHARED)["files/updates.conf"]


def test_what_a_person_answered_cannot_become_a_command(plan):
    note = kit_files(plan, SHARED)["files/note.sh"]
    line = next(line for line in note.splitlines() if line.startswith("contact="))
    assert shlex.split(line) == [f"contact={plan.contact}"]


def test_every_script_is_posix_shell(plan, tmp_path):
    shell = program("dash") or program("sh")
    write_kit(str(tmp_path / "kit"), kit_files(plan, SHARED))
    for name in ("set-up.sh", "files/tunnel.sh", "files/note.sh"):
        subprocess.run([shell, "-n", str(tmp_path / "kit" / name)], timeout=10, check=True)


def test_shellcheck_finds_nothing(plan, tmp_path):
    shellcheck = program("shellcheck")
    if not shellcheck:
        if os.environ.get("CI") == "true":
            pytest.fail("shellcheck must be installed where CI=true")
        pytest.skip("shellcheck is not installed")
    write_kit(str(tmp_path / "kit"), kit_files(plan, SHARED))
    for name in ("set-up.sh", "files/tunnel.sh", "files/note.sh"):
        done = subprocess.run(
            [shellcheck, "--shell=sh", "--severity=style", str(tmp_path / "kit" / name)],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            env={**os.environ, "LC_ALL": "C.UTF-8"},
        )
        assert done.stdout + done.stderr == ""


@pytest.mark.parametrize(
    ("can", "does", "advice"),
    [("no", "no", "apt install systemd-timesyncd"), ("yes", "no", "timedatectl set-ntp true"), ("yes", "yes", "")],
)
def test_the_note_on_the_clock_asks_for_nothing_that_this_machine_lacks(plan, tmp_path, can, does, advice):
    """`timedatectl set-ntp true` fails on a machine without a program that sets its clock."""
    script = kit_files(plan, SHARED)["set-up.sh"]
    function = script[script.index("look_at_clock() {") : script.index("make_tunnel_key() {")]
    answers = tmp_path / "timedatectl"
    answers.write_text(f'#!/bin/sh\ncase "$*" in *=CanNTP*) echo {can} ;; *=NTP*) echo {does} ;; esac\n')
    answers.chmod(0o755)
    done = subprocess.run(
        ["sh", "-eu", "-c", f'say() {{ echo "$*"; }}\n{function}\nlook_at_clock'],
        capture_output=True,
        text=True,
        timeout=10,
        check=True,
        env={"PATH": f"{tmp_path}:/usr/bin:/bin"},
    )
    assert advice in done.stdout
    assert bool(done.stdout) == bool(advice)


def test_the_script_stays_short_enough_to_be_read(plan):
    text = kit_files(plan, SHARED)["set-up.sh"]
    assert len(text.splitlines()) <= 375
    assert max(len(line) for line in text.splitlines()) <= 200


def test_the_secret_is_written_for_its_owner_alone(tmp_path):
    folder = str(tmp_path / "kit")
    old = os.umask(0)
    try:
        write_kit(folder, kit_files(PLANS["answer"], SHARED))
    finally:
        os.umask(old)
    assert stat.S_IMODE(os.stat(os.path.join(folder, SECRET)).st_mode) == 0o600


def test_a_second_time_writes_nothing_and_another_plan_only_what_differs(tmp_path):
    folder = str(tmp_path / "kit")
    files = kit_files(PLANS["answer"], SHARED)
    assert set(write_kit(folder, files)) == set(files)
    assert write_kit(folder, files) == []
    other = kit_files(PLANS["answer"].model_copy(update={"contact": "Tom"}), SHARED)
    assert set(write_kit(folder, other)) == {"files/note.sh", "READ-ME-FIRST.txt", "set-up.sh", SUMS}


def test_a_folder_with_other_things_in_it_is_left_alone(tmp_path):
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(WrongUse, match=r"holiday\.jpg"):
        write_kit(str(tmp_path), kit_files(PLANS["answer"], SHARED))
    assert os.listdir(tmp_path) == ["holiday.jpg"]
