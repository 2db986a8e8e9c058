"""Every mistake a household can make in its settings is named: file, key, what is wrong, what would be right."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from otherroof.base.errors import EXIT_WELL, EXIT_WRONG_USE, HomeTrouble, WrongSettings
from otherroof.cli.main import main
from otherroof.settings import Mistake, check_machine, read_parts, read_settings, require_settings
from support.household import secret, write_household

JOB = 'folder = "{folder}"\nfar = "heron"\nat = "30 1 * * *"\n'


def in_main(where: Path, old: str, new: str) -> list[Mistake]:
    """The mistakes of a sound household whose main file says `new` for `old`."""
    write_household(where)
    path = where / "otherroof.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    return read_parts(str(where)).mistakes


def in_job(where: Path, lines: str) -> list[Mistake]:
    """The mistakes of a sound household whose job photos has these further lines."""
    return read_parts(write_household(where, jobs={"photos": lines})).mistakes


def only(mistakes: list[Mistake]) -> Mistake:
    assert len(mistakes) == 1, [one.line() for one in mistakes]
    return mistakes[0]


def test_sound_settings_have_no_mistake_and_keep_what_was_written(tmp_path: Path) -> None:
    settings = require_settings(write_household(tmp_path))
    assert settings.home.name == "larch"
    assert settings.far["heron"].port == 22
    assert settings.jobs["photos"].guard.removed_percent == 20
    assert settings.state == str(tmp_path / "state")
    assert settings.path("keys/heron") == str(tmp_path / "keys" / "heron")
    assert settings.path("/elsewhere") == "/elsewhere"
    assert check_machine(settings) == []


@pytest.mark.parametrize(
    ("old", "new", "key", "wrong", "right"),
    [
        ('account = "copykeeper"', 'acount = "copykeeper"', "far.heron.acount", "not a key", "'account'"),
        ("[home]", "[hmoe]", "hmoe", "not a key", "'home'"),
        ('zone = "America/St_Johns"', 'zone = "Atlantis/Harbour"', "home.zone", "not a time zone", ""),
        ('zone = "America/St_Johns"', "zone = 5", "home.zone", "text in quote marks", ""),
        ('zone = "America/St_Johns"', "", "home.zone", "is missing", ""),
        ('name = "larch"', 'name = "our house"', "home.name", "a name of letters", ""),
        ('base = "/srv/otherroof"', 'base = "srv/otherroof"', "far.heron.base", "not an absolute path", ""),
        ('base = "/srv/otherroof"', 'base = "/srv/../etc"', "far.heron.base", "without ..", ""),
        ('address = "10.77.0.2"', 'address = "10.77.0.300"', "far.heron.address", "host name", ""),
        ('address = "10.77.0.2"', 'address = "not a host"', "far.heron.address", "host name", ""),
        ('host_key = "ssh-ed25519', 'host_key = "ssh-rsa', "far.heron.host_key", "copy the whole line", ""),
        ('host_key = "ssh-ed25519 AAAA', 'host_key = "ssh-ed25519 ', "far.heron.host_key", "", ""),
        ('host_key = "ssh-ed25519 AAAA', 'host_key = "ssh-ed25519 AAAA…', "far.heron.host_key", "is wanted", ""),
        ('account = "copykeeper"', 'account = ""', "far.heron.account", "at least 1", ""),
        ('account = "copykeeper"', 'account = "x"\nport = "22"', "far.heron.port", "whole number", ""),
        ('account = "copykeeper"', 'account = "x"\nport = 70000', "far.heron.port", "65535", ""),
        ('account = "copykeeper"', 'account = "x"\nsilent_days = 0', "far.heron.silent_days", "more than 0", ""),
        ('account = "copykeeper"', 'account = "x"\ntunnel.kind = "pigeon"', "far.heron.tunnel", "pigeon", ""),
        ('account = "copykeeper"', 'account = "x"\ntunnel.mtu = 1400', "far.heron.tunnel.kind", "is missing", "none"),
    ],
)
def test_mistake_in_the_main_file(tmp_path: Path, old: str, new: str, key: str, wrong: str, right: str) -> None:
    found = [one for one in in_main(tmp_path, old, new) if one.key == key]
    mistake = only(found)
    assert mistake.file == str(tmp_path / "otherroof.toml")
    assert wrong in mistake.wrong
    assert right in mistake.right
    assert "\n" not in mistake.line()


@pytest.mark.parametrize(
    ("lines", "key", "wrong", "right"),
    [
        ("leave_otu = []", "leave_otu", "not a key", "'leave_out'"),
        ("guard.remove_percent = 5", "guard.remove_percent", "not a key", "'removed_percent'"),
        ("guard.removed_percent = 120", "guard.removed_percent", "100", ""),
        ("guard.from_files = 0", "guard.from_files", "1", ""),
        ('layout = "heap"', "layout", "heap", ""),
        ('before = "dump"', "before", "a list in [ ]", ""),
        ('before = ["dump"]', "before", "absolute path", ""),
        ("before = []", "before", "at least 1", ""),
        ("limit_mbit = -1", "limit_mbit", "0", ""),
        ('other_disks = "yes"', "other_disks", "true or false", ""),
        ("nonsense", "", "is not TOML", "TOML 1.0"),
    ],
)
def test_mistake_in_a_job(tmp_path: Path, lines: str, key: str, wrong: str, right: str) -> None:
    mistake = only(in_job(tmp_path, lines))
    assert mistake.file == str(tmp_path / "jobs" / "photos.toml")
    assert mistake.key == key
    assert wrong in mistake.wrong
    assert right in mistake.right


@pytest.mark.parametrize(
    "at", ["0 25 * * *", "60 1 * * *", "30 1 * *", "30 1 * * * *", "", "@daily", "0 0 31 2 *", "0 0 0 * *", "x 1 * * *"]
)
def test_impossible_time_is_named(tmp_path: Path, at: str) -> None:
    write_household(tmp_path)
    path = tmp_path / "jobs" / "photos.toml"
    path.write_text(path.read_text().replace("30 1 * * *", at))
    assert only(read_parts(str(tmp_path)).mistakes).key == "at"


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    mistakes = in_main(tmp_path, 'account = "copykeeper"', 'acount = "x"\nport = 0\nbase = "x"')
    assert len(mistakes) == 1, "a key given twice is not TOML, and then nothing else can be told"
    write_household(tmp_path, jobs={"photos": "a = 1\nlimit_mbit = -1", "letters": 'layout = "x"'})
    path = tmp_path / "otherroof.toml"
    path.write_text(path.read_text().replace('account = "copykeeper"', "port = 0").replace('"larch"', "1"))
    keys = {(os.path.basename(one.file), one.key) for one in read_parts(str(tmp_path)).mistakes}
    assert keys == {
        ("otherroof.toml", "home.name"),
        ("otherroof.toml", "far.heron.port"),
        ("otherroof.toml", "far.heron.account"),
        ("photos.toml", "a"),
        ("photos.toml", "limit_mbit"),
        ("letters.toml", "layout"),
    }


def test_job_for_a_far_box_that_is_not_there(tmp_path: Path) -> None:
    write_household(tmp_path)
    path = tmp_path / "jobs" / "photos.toml"
    path.write_text(path.read_text().replace('far = "heron"', 'far = "herno"'))
    mistake = only(read_parts(str(tmp_path)).mistakes)
    assert (mistake.key, mistake.right) == ("far", "perhaps 'heron' is meant")


def test_two_jobs_on_one_folder_are_named_even_through_a_link(tmp_path: Path) -> None:
    write_household(tmp_path)
    folder = tmp_path / "family" / "photos"
    (tmp_path / "also").symlink_to(folder)
    (tmp_path / "jobs" / "second.toml").write_text(JOB.format(folder=tmp_path / "also"))
    mistake = only(read_parts(str(tmp_path)).mistakes)
    assert mistake.file == str(tmp_path / "jobs" / "second.toml")
    assert "'photos' already copies" in mistake.wrong


def test_slip_in_one_job_does_not_stop_the_others(tmp_path: Path) -> None:
    settings, mistakes = read_settings(write_household(tmp_path, jobs={"photos": "", "letters": "x = 1"}))
    assert settings is not None
    assert list(settings.jobs) == ["photos"]
    assert len(mistakes) == 1
    with pytest.raises(WrongSettings, match=r"letters\.toml: x"):
        require_settings(str(tmp_path))


def test_slip_in_the_main_file_stops_all(tmp_path: Path) -> None:
    in_main(tmp_path, "[home]", "[house]")
    assert read_settings(str(tmp_path))[0] is None


def test_missing_and_unreadable_files_are_named(tmp_path: Path) -> None:
    mistake = only(read_parts(str(tmp_path / "none")).mistakes)
    assert mistake.wrong == "is not there"
    write_household(tmp_path)
    (tmp_path / "jobs" / "not a name.toml").write_text("")
    (tmp_path / "jobs" / ".hidden.toml").write_text("nonsense")
    (tmp_path / "jobs" / "notes.txt").write_text("nonsense")
    mistake = only(read_parts(str(tmp_path)).mistakes)
    assert mistake.file.endswith("not a name.toml")
    (tmp_path / "jobs" / "not a name.toml").write_bytes(b"\xff")
    (tmp_path / "jobs" / "binary.toml").write_bytes(b"\xff")
    assert len(read_parts(str(tmp_path)).mistakes) == 2


# ---- what only a look at the machine can tell


def looked(where: Path) -> list[Mistake]:
    parts = read_parts(str(where))
    assert parts.mistakes == []
    return check_machine(parts)


@pytest.mark.parametrize("address", ["192.0.2.7", "198.51.100.1", "203.0.113.9", "2001:db8::1", "3fff::1"])
def test_documentation_address_is_no_live_one(tmp_path: Path, address: str) -> None:
    assert in_main(tmp_path, "10.77.0.2", address) == []
    mistake = only(looked(tmp_path))
    assert mistake.key == "far.heron.address"
    assert address in mistake.wrong


def test_folder_that_does_not_exist(tmp_path: Path) -> None:
    write_household(tmp_path)
    (tmp_path / "family" / "photos").rmdir()
    assert only(looked(tmp_path)).key == "folder"
    (tmp_path / "family" / "photos").write_text("a file, no folder")
    assert only(looked(tmp_path)).key == "folder"


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o620])
def test_login_key_that_others_can_read_or_write(tmp_path: Path, mode: int) -> None:
    write_household(tmp_path)
    os.chmod(tmp_path / "keys" / "heron", mode)
    mistake = only(looked(tmp_path))
    assert mistake.key == "far.heron.login_key"
    assert f"{mode:04o}" in mistake.wrong
    assert "chmod 600" in mistake.right


def test_login_key_that_is_missing_or_no_file(tmp_path: Path) -> None:
    write_household(tmp_path)
    (tmp_path / "keys" / "heron").unlink()
    assert "ssh-keygen" in only(looked(tmp_path)).right
    (tmp_path / "keys" / "heron").mkdir()
    assert "not a file" in only(looked(tmp_path)).wrong


def test_listing_key_is_looked_at_only_once_it_is_there(tmp_path: Path) -> None:
    write_household(tmp_path)
    assert looked(tmp_path) == []
    os.chmod(secret(tmp_path / "keys" / "listing.key", "x"), 0o644)
    assert only(looked(tmp_path)).key == "home.listing_key"


def test_program_to_run_before_must_be_one(tmp_path: Path) -> None:
    program = secret(tmp_path / "dump", "#!/bin/sh\n")
    write_household(tmp_path, jobs={"photos": f'before = ["{program}"]'})
    assert only(looked(tmp_path)).key == "before"
    program.chmod(0o700)
    assert looked(tmp_path) == []


# ---- otherroof check


def check(*argv: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(["check", *argv])
    return int(left.value.code or 0)


def test_check_prints_all_and_leaves_with_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_household(tmp_path, jobs={"photos": "a = 1\nb = 2"})
    os.chmod(tmp_path / "keys" / "heron", 0o644)
    assert check("--config", str(tmp_path)) == EXIT_WRONG_USE
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4
    assert lines[-1].startswith("3 mistakes in ")
    assert check("--config", str(tmp_path), "--json") == EXIT_WRONG_USE
    told = json.loads(capsys.readouterr().out)
    assert [one["key"] for one in told["mistakes"]] == ["a", "b", "far.heron.login_key"]
    assert set(told["mistakes"][0]) == {"file", "key", "wrong", "right"}


def test_check_of_sound_settings_leaves_with_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert check("--config", write_household(tmp_path)) == EXIT_WELL
    assert capsys.readouterr().out == "settings: no mistakes: 1 job, 1 far box\n"


def test_check_of_no_settings_says_where_it_looked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert check("--config", str(tmp_path / "none")) == EXIT_WRONG_USE
    assert str(tmp_path / "none" / "otherroof.toml") in capsys.readouterr().out


def test_check_looks_whether_keys_are_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = write_household(tmp_path)
    secret(tmp_path / "keys" / "heron", "ssh-ed25519 AAAA the public half, say")
    assert check("--config", where) == EXIT_WRONG_USE
    assert f"far.heron.login_key: {where}/keys/heron is not a private key" in capsys.readouterr().out


def test_a_forgotten_sudo_is_answered_with_sudo(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    where = write_household(tmp_path)

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("os.geteuid", lambda: 1000)
    monkeypatch.setattr("otherroof.settings.reader.open", refused, raising=False)
    for verb in ("status", "check", "run", "probe", "digest", "ledger"):
        with pytest.raises(SystemExit) as left:
            main([verb, "--config", where])
        assert left.value.code == EXIT_WRONG_USE, verb
        said = "".join(capsys.readouterr())
        assert "Permission denied; put `sudo` before the command\n" in said, verb


def test_a_state_folder_that_only_the_service_may_open_is_answered_with_sudo(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    where = write_household(tmp_path)

    def refused(path: str) -> None:
        problem = PermissionError(13, "Permission denied")
        raise HomeTrouble("cannot be used: Permission denied", where=path, advice="see to the disk") from problem

    monkeypatch.setattr("os.geteuid", lambda: 1000)
    monkeypatch.setattr("otherroof.ledger.Ledger", refused)
    with pytest.raises(SystemExit):
        main(["status", "--config", where])
    said = capsys.readouterr().err
    assert (
        said
        == f"otherroof: {where}/state/ledger.sqlite: cannot be used: Permission denied; put `sudo` before the command\n"
    )
