"""What can go wrong when a household writes down how it wants to be told."""

from __future__ import annotations

from pathlib import Path

import pytest

from otherroof.settings import check_machine, read_parts, require_settings
from support.household import secret, write_household

MAIL = """
[mail]
server = "mail.example.net"
sender = "larch@example.net"
account = "larch"
password_file = "keys/mail"
"""


def mistakes(where: Path, more: str) -> list[str]:
    return [one.line() for one in read_parts(write_household(where, more=more)).mistakes]


def test_a_full_description_is_read_and_the_journal_is_always_there(tmp_path: Path) -> None:
    more = (
        MAIL
        + '[channel.family]\nkind = "mail"\nto = ["kim@example.net", "robin@example.net"]\n'
        + '[channel.lamp]\nkind = "webhook"\nurl = "http://192.168.7.4/hook"\n'
        + '[channel.bell]\nkind = "command"\ncommand = ["/usr/local/bin/ring"]\n'
        + '[alerts]\nrepeat_days = 3\n[metrics]\nfile = "/var/lib/collector/otherroof.prom"\n'
    )
    told = require_settings(write_household(tmp_path, more=more)).told
    assert set(told.channels) == {"family", "lamp", "bell", "journal"}
    assert told.mail is not None
    assert told.mail.port_used == 587
    assert told.alerts.repeat_days == 3
    assert told.channels["family"].carries == ("alerts", "digest")
    assert told.channels["lamp"].carries == ("alerts",)


def test_a_journal_written_down_is_not_there_twice(tmp_path: Path) -> None:
    more = '[channel.log]\nkind = "journal"\ncarries = ["alerts"]\n'
    assert set(require_settings(write_household(tmp_path, more=more)).told.channels) == {"log"}


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('[channel.a]\nkind = "mail"\nto = ["kim@example.net"]\n', "write a table [mail]"),
        (MAIL.replace("larch@example.net", "larch"), "mail.sender: 'larch' is not a mail address"),
        (MAIL.replace("password_file", "pasword_file"), "perhaps 'password_file' is meant"),
        (MAIL.replace('password_file = "keys/mail"', ""), "belong together"),
        (MAIL + 'secure = "none"\n', "this machine only"),
        ('[channel.a]\nkind = "webhook"\nurl = "http://example.net/x"\n', "https:// is wanted"),
        ('[channel.a]\nkind = "webhook"\nurl = "https://kim:pw@example.net/x"\n', "token_file"),
        ('[channel.a]\nkind = "webhook"\n', "channel.a: write either url"),
        ('[channel.a]\nkind = "command"\ncommand = ["ring"]\n', "absolute path"),
        ('[channel.a]\nto = ["kim@example.net"]\n', "channel.a.kind: is missing; one of these is wanted: mail"),
        ('[channel.a]\nkind = "pigeon"\n', "channel.a: "),
        ('[channel.a]\nkind = "journal"\ncarrys = ["alerts"]\n', "channel.a.carrys: is not a key that is known here"),
        ('[metrics]\nfile = "/var/lib/x.txt"\n', ".prom"),
        ("[alerts]\nrepeat_days = 0\n", "alerts.repeat_days"),
        ("[allerts]\n", "perhaps 'alerts' is meant"),
    ],
)
def test_a_slip_is_named_with_what_would_be_right(tmp_path: Path, more: str, said: str) -> None:
    found = mistakes(tmp_path, more)
    assert len(found) == 1
    assert said in found[0]


def test_the_path_of_a_web_address_is_never_repeated(tmp_path: Path) -> None:
    found = mistakes(tmp_path, '[channel.a]\nkind = "webhook"\nurl = "http://example.net/SECRET"\n')
    assert found
    assert "SECRET" not in found[0]


def test_a_password_that_others_can_read_is_a_mistake(tmp_path: Path) -> None:
    where = write_household(tmp_path, more=MAIL + '[channel.bell]\nkind = "command"\ncommand = ["/no/such"]\n')
    secret(tmp_path / "keys" / "mail", "pw").chmod(0o644)
    found = [one.line() for one in check_machine(read_parts(where))]
    assert any("mail.password_file" in line and "can be read by others" in line for line in found)
    assert any("channel.bell.command: /no/such cannot be run" in line for line in found)


def test_a_password_that_is_missing_is_not_explained_as_a_key(tmp_path: Path) -> None:
    found = [one.line() for one in check_machine(read_parts(write_household(tmp_path, more=MAIL)))]
    assert any("mail.password_file" in line and "only line" in line for line in found)
    assert not any("ssh-keygen" in line for line in found)
