"""The far box's tables in otherroof.toml: no word of a person is lost, and nothing is replaced unasked."""

from __future__ import annotations

import os
import stat
import tomllib

import pytest

from otherroof.base import atomic_file
from otherroof.base.errors import HomeTrouble, WrongSettings
from otherroof.pairing.settings_tables import add_tables, far_table, require_valid, with_far_tables
from otherroof.settings import read_parts
from support.pairing import some_plan, some_reply

PLAN = some_plan()
REPLY = some_reply(PLAN.kit)
TABLE = far_table(PLAN, REPLY)
PERSONS = """# Ours, do not touch  \t
[home]
name = "larch"   # the old one
zone = "America/St_Johns"

[far.wren]  # at Tom's
address = "10.5.5.2"
account = "copies"
login_key = "keys/wren"
host_key = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIB+ROyLUthsnHfkeobBycQW8llNaNEKdp9fSRQAT69te"
base = "/copies" """


def test_every_word_of_the_person_stays():
    after = with_far_tables(PERSONS, PLAN, TABLE)
    assert after.startswith(PERSONS)
    read = tomllib.loads(after)
    assert read["far"]["heron"] == TABLE
    assert read["home"]["name"] == "larch"
    assert sorted(read["far"]) == ["heron", "wren"]


def test_an_empty_file_gets_home_too():
    read = tomllib.loads(with_far_tables("", PLAN, TABLE))
    assert read["home"] == {"name": "larch", "zone": "America/St_Johns"}


def test_the_same_table_is_not_written_twice_even_if_a_person_laid_it_out_anew():
    once = with_far_tables(PERSONS, PLAN, TABLE)
    assert with_far_tables(once, PLAN, TABLE) == once
    spaced = once.replace("port = 22\n", "\n\n# usual\nport   =   22\n")
    assert with_far_tables(spaced, PLAN, TABLE) == spaced


def test_another_table_of_that_name_is_left_alone():
    once = with_far_tables(PERSONS, PLAN, TABLE)
    with pytest.raises(WrongSettings, match="says something else"):
        with_far_tables(once, PLAN, far_table(PLAN, some_reply(PLAN.kit)))


@pytest.mark.parametrize("text", ["far = { wren = { base = '/x' } }\n", "far.wren.base = '/x'\n"])
def test_a_text_that_cannot_take_a_table_at_its_end_is_left_alone_and_the_person_told(text):
    try:
        after = with_far_tables(text, PLAN, TABLE)
    except WrongSettings as error:
        assert "[far.heron]" in str(error)
    else:
        read = tomllib.loads(after)
        assert read["far"] == {"wren": {"base": "/x"}, "heron": TABLE}


def test_line_ends_of_another_system_are_kept():
    after = with_far_tables(PERSONS.replace("\n", "\r\n"), PLAN, TABLE)
    assert "\n" not in after.replace("\r\n", "")
    assert tomllib.loads(after)["far"]["heron"] == TABLE


def test_a_far_that_is_no_table_is_left_alone():
    with pytest.raises(WrongSettings, match="far is not a table"):
        with_far_tables("far = 3\n", PLAN, TABLE)


def test_a_file_that_is_not_toml_is_left_alone():
    with pytest.raises(WrongSettings, match="is not TOML"):
        with_far_tables("[home", PLAN, TABLE)


def test_both_roles_are_what_the_settings_take():
    for plan in (PLAN, some_plan(role="call", far_name="heron.example.net"), some_plan(mtu=1412)):
        require_valid(plan.far, far_table(plan, REPLY))
    four, six = (some_plan(role="call", far_name=number) for number in ("203.0.113.7", "2001:db8::7"))
    require_valid(four.far, far_table(four, REPLY))
    assert far_table(six, REPLY)["tunnel"]["far_name"] == "[2001:db8::7]:51820"
    require_valid(six.far, far_table(six, REPLY))


def test_a_table_that_the_settings_would_refuse_is_not_written():
    with pytest.raises(WrongSettings, match=r"far\.heron\.host_key"):
        require_valid("heron", {**TABLE, "host_key": "ssh-ed25519 no"})


def test_what_is_written_is_read_back_without_a_mistake(tmp_path):
    assert add_tables(str(tmp_path), PLAN, REPLY) is True
    parts = read_parts(str(tmp_path))
    assert parts.mistakes == []
    assert parts.far["heron"].host_key == REPLY.host_key
    assert add_tables(str(tmp_path), PLAN, REPLY) is False


def test_mode_and_link_of_the_file_are_kept(tmp_path):
    kept = tmp_path / "kept"
    kept.mkdir()
    where = tmp_path / "where"
    where.mkdir()
    real = kept / "settings.toml"
    real.write_text(PERSONS, encoding="utf-8")
    real.chmod(0o640)
    (where / "otherroof.toml").symlink_to(real)
    add_tables(str(where), PLAN, REPLY)
    assert (where / "otherroof.toml").is_symlink()
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    assert "heron" in real.read_text(encoding="utf-8")


def test_a_cut_before_the_rename_leaves_the_old_settings(tmp_path, monkeypatch):
    path = tmp_path / "otherroof.toml"
    path.write_text(PERSONS, encoding="utf-8")

    def cut(*_given, **_more):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(atomic_file.os, "rename", cut)
    with pytest.raises(HomeTrouble, match="Input/output error"):
        add_tables(str(tmp_path), PLAN, REPLY)
    assert path.read_text(encoding="utf-8") == PERSONS
    assert os.listdir(tmp_path) == ["otherroof.toml"]
