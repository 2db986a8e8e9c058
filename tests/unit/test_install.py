"""What an install would do to a machine: only what is missing, nothing that loses anything, all of it said first."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from otherroof.base.errors import WrongUse
from otherroof.cli.parser.top import build
from otherroof.system import install_steps as plan
from otherroof.system.install import Machine, packaged, packaged_files, read_machine
from otherroof.system.install_help import MAN_PAGE, USES, help_steps, help_undo_steps
from otherroof.system.install_steps import (
    Call,
    FolderOwner,
    InstallStep,
    MachineState,
    RemoveFile,
    WriteFile,
    install_steps,
    install_warnings,
    next_steps_text,
    undo_leaves,
    undo_steps,
    unit_for,
)

FILES = packaged_files("/opt/otherroof/bin/otherroof")
UNIT = FILES[plan.UNIT_PATH]
UPGRADED = FILES | {plan.UNIT_PATH: "[Unit]\n"}
ACCOUNT = Call(("systemd-sysusers", "otherroof.conf"))
FOLDERS = Call(("systemd-tmpfiles", "--create", "otherroof.conf"))
RESTART = Call(("systemctl", "restart", plan.UNIT), live=True)
DONE = MachineState(
    files=FILES,
    account=True,
    folders={
        plan.SETTINGS: FolderOwner("root", "otherroof", 0o750),
        plan.JOBS: FolderOwner("root", "otherroof", 0o750),
        plan.KEYS: FolderOwner("otherroof", "otherroof", 0o700),
        plan.STATE: FolderOwner("otherroof", "otherroof", 0o700),
        plan.SOCKETS: FolderOwner("otherroof", "otherroof", 0o755),
    },
    link=plan.STATE,
    enabled=True,
)


def deeds(steps: list[InstallStep]) -> list[object]:
    return [one.deed for one in steps if one.deed is not None]


def test_on_a_fresh_machine_everything_is_done_in_an_order_that_works() -> None:
    assert deeds(install_steps(MachineState(), FILES)) == [
        WriteFile("/etc/sysusers.d/otherroof.conf", packaged("sysusers.conf")),
        ACCOUNT,  # it must be known before folders are given to it
        WriteFile("/etc/tmpfiles.d/otherroof.conf", packaged("tmpfiles.conf")),
        FOLDERS,
        WriteFile(plan.UNIT_PATH, UNIT),
        Call(("systemctl", "daemon-reload"), live=True),
        Call(("systemctl", "enable", plan.UNIT)),
    ]


def test_a_second_install_changes_nothing() -> None:
    steps = install_steps(DONE, FILES)
    assert deeds(steps) == []
    assert len(steps) == 7


def test_a_service_that_has_settings_is_started_anew_after_an_upgrade() -> None:
    steps = deeds(install_steps(replace(DONE, files=UPGRADED, settings=True), FILES))
    assert steps == [WriteFile(plan.UNIT_PATH, UNIT), Call(("systemctl", "daemon-reload"), live=True), RESTART]


def test_a_running_service_is_not_ended_for_settings_that_it_could_not_start_with() -> None:
    broken = replace(DONE, files=UPGRADED, settings=True, mistake="otherroof.toml: home: is missing")
    assert RESTART not in deeds(install_steps(broken, FILES))
    (told,) = install_warnings(broken, "")
    assert "is not started, nor anew: otherroof.toml: home: is missing" in told
    assert next_steps_text(broken) == ["next: `sudo otherroof check`, then `sudo systemctl restart otherroof`"]


@pytest.mark.parametrize(
    "keys",
    [
        FolderOwner("root", "root", 0o700),
        FolderOwner("otherroof", "otherroof", 0o750),
        FolderOwner(
            "otherroof", "otherroof", 0o700, strays=True
        ),  # a key that root made, and the service could not use
    ],
)
def test_keys_that_the_service_could_not_use_or_others_could_read_are_put_right(keys: FolderOwner) -> None:
    wrong = replace(DONE, folders=dict(DONE.folders) | {plan.KEYS: keys})
    assert deeds(install_steps(wrong, FILES)) == [FOLDERS]


@pytest.mark.parametrize("missing", [plan.SETTINGS, plan.JOBS, plan.KEYS, plan.STATE, plan.STATE_LINK])
def test_each_folder_and_the_link_are_made_where_they_are_missing(missing: str) -> None:
    folders = {path: owned for path, owned in DONE.folders.items() if path != missing}
    found = replace(DONE, folders=folders, link="" if missing == plan.STATE_LINK else plan.STATE)
    assert deeds(install_steps(found, FILES)) == [FOLDERS]


def test_state_that_lies_elsewhere_is_not_moved_behind_a_persons_back() -> None:
    with pytest.raises(ValueError, match="mv /etc/otherroof/state /var/lib/otherroof"):
        install_steps(replace(DONE, link="", state_is_folder=True), FILES)
    with pytest.raises(ValueError, match="leads to /srv/state"):
        install_steps(replace(DONE, link="/srv/state"), FILES)


def test_undo_removes_the_files_for_systemd_and_nothing_else() -> None:
    assert deeds(undo_steps(replace(DONE, settings=True))) == [
        Call(("systemctl", "disable", "--now", plan.UNIT)),
        RemoveFile(plan.UNIT_PATH),
        RemoveFile(plan.FOLDERS_PATH),
        RemoveFile(plan.ACCOUNT_PATH),
        Call(("systemctl", "daemon-reload"), live=True),
    ]
    told = "\n".join(undo_leaves())
    for kept in (plan.SETTINGS, plan.STATE, "keys", "account otherroof"):
        assert kept in told
    assert deeds(undo_steps(MachineState())) == []


def test_the_unit_starts_the_program_that_installs_it_and_stays_as_it_is_otherwise() -> None:
    unit, made = packaged(plan.UNIT), packaged_files("/srv/tools/bin/otherroof")[plan.UNIT_PATH]
    changed = [pair for pair in zip(unit.splitlines(), made.splitlines(), strict=True) if pair[0] != pair[1]]
    assert changed == [("ExecStart=/opt/otherroof/bin/otherroof serve", "ExecStart=/srv/tools/bin/otherroof serve")]


@pytest.mark.parametrize(
    "path", ["/srv/my tools/otherroof", "/srv/100%/otherroof", "otherroof", "/srv/$HOME/otherroof"]
)
def test_a_path_that_systemd_would_misread_is_refused(path: str) -> None:
    with pytest.raises(ValueError, match="cannot stand in a unit file"):
        unit_for(packaged(plan.UNIT), path)


def test_cautions_name_what_can_hurt() -> None:
    assert install_warnings(DONE, "") == []
    assert "/home/kim can be changed by others than root" in install_warnings(DONE, "/home/kim")[0]
    assert "ReadWritePaths=/srv/state" in install_warnings(replace(DONE, state="/srv/state"), "")[0]
    assert install_warnings(replace(DONE, state=plan.STATE), "") == []
    assert install_warnings(replace(DONE, state=f"{plan.STATE}-other"), "") != []


def test_the_next_words_fit_what_is_there() -> None:
    words = " ".join(next_steps_text(DONE))
    assert "`sudo otherroof pair NAME`" in words
    assert "otherroof.toml" in words
    assert "status" in next_steps_text(replace(DONE, settings=True))[0]


def test_man_page_and_completion_are_written_once_and_removed_alone() -> None:
    texts = dict.fromkeys(USES, "text")
    assert deeds(help_steps({}, texts)) == [WriteFile(path, "text") for path in USES]
    assert deeds(help_steps(texts, texts)) == []
    assert deeds(help_steps(texts | {MAN_PAGE: "older"}, texts)) == [WriteFile(MAN_PAGE, "text")]
    assert deeds(help_undo_steps({MAN_PAGE: "text"})) == [RemoveFile(MAN_PAGE)]
    assert deeds(help_undo_steps({})) == []


def run(*words: str) -> tuple[int, str, BaseException | None]:
    result = CliRunner().invoke(build(), ["install", *words])
    return result.exit_code, result.output, result.exception


def test_without_apply_nothing_is_done(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
    before = sorted(str(one) for one in tmp_path.rglob("*"))
    code, told, _ = run("--root", str(tmp_path))
    assert code == 0
    assert sorted(str(one) for one in tmp_path.rglob("*")) == before
    for word in ("account otherroof", "/etc/otherroof/keys", "/var/lib/otherroof", *FILES, "nothing was done"):
        assert word in told
    for line in (packaged("sysusers.conf") + packaged("tmpfiles.conf")).splitlines():
        assert line in told
    assert [path for path in USES if path not in told] == []


def test_an_undo_shows_its_steps_too(tmp_path: Path) -> None:
    unit = tmp_path / plan.UNIT_PATH.lstrip("/")
    unit.parent.mkdir(parents=True)
    unit.write_text(UNIT)
    code, told, _ = run("--undo", "--root", str(tmp_path))
    assert code == 0
    assert unit.exists()
    assert f"remove {plan.UNIT_PATH}" in told
    assert "left in place" in told


def test_only_root_may_apply(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    _, _, error = run("--apply")
    assert isinstance(error, WrongUse)


def test_a_machine_without_systemd_is_told_what_to_do_instead(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.geteuid", lambda: 0)
    monkeypatch.setattr("os.path.isdir", lambda path: False)
    _, _, error = run("--apply")
    assert isinstance(error, WrongUse)
    assert "otherroof serve" in error.advice


def test_settings_that_cannot_be_used_are_seen(tmp_path: Path) -> None:
    for name in ("passwd", "group"):
        (tmp_path / "etc").mkdir(exist_ok=True)
        (tmp_path / "etc" / name).write_text("")
    assert not read_machine(Machine(str(tmp_path))).mistake
    (tmp_path / "etc/otherroof").mkdir()
    (tmp_path / "etc/otherroof/otherroof.toml").write_text("nonsense")
    found = read_machine(Machine(str(tmp_path)))
    assert found.settings
    assert "otherroof.toml: is not TOML" in found.mistake


def test_what_is_there_is_read_from_the_other_machines_own_files(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "passwd").write_text(f"root:x:0:0::/root:/bin/sh\notherroof:x:{os.getuid()}:7::/:/bin/false\n")
    (tmp_path / "etc" / "group").write_text(f"otherroof:x:{os.getgid()}:\n")
    keys = tmp_path / plan.KEYS.lstrip("/")
    keys.mkdir(parents=True, mode=0o700)
    (keys / "heron").write_text("")
    found = read_machine(Machine(str(tmp_path)))
    assert found.account
    assert found.folders[plan.KEYS] == FolderOwner("otherroof", "otherroof", 0o700)
    assert not found.settings
    assert found.files == {}


def test_root_is_root_also_on_a_machine_that_has_no_list_of_accounts_yet(tmp_path: Path) -> None:
    keys = tmp_path / "etc" / "otherroof" / "keys"
    keys.mkdir(parents=True)
    found = read_machine(Machine(str(tmp_path))).folders[plan.KEYS]
    owner = "root" if os.getuid() == 0 else ""
    assert (found.owner, found.group) == (owner, "root" if keys.stat().st_gid == 0 else "")


def test_a_folder_that_holds_no_machine_is_not_taken_for_one(tmp_path: Path) -> None:
    for words in ([], ["--apply"], ["--undo"]):
        result = CliRunner().invoke(build(), ["install", "--root", str(tmp_path / "typo"), *words])
        assert isinstance(result.exception, WrongUse)
        assert "there is no folder etc in it" in str(result.exception)
    assert not (tmp_path / "typo").exists()
