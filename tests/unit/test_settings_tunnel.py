"""The tunnel's settings: what cannot be is refused where it is read, with what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from otherroof.settings import check_machine, read_parts
from otherroof.settings.tunnel import split_host_port

OWN_KEY = "hSDwCYkwp1R0i33ctD73Wg2/Og0mOBr066SpjqqbTmo="  # derived from RFC 7748 §6.1
HOST_KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIAABAgMEBQYHCAkKCwwNDg8QERITFBUWFxgZGhscHR4f"

FAR = """
[far.{name}]
address = "{address}"
account = "roof"
login_key = "keys/login"
host_key = "{host_key}"
base = "/copies"
[far.{name}.tunnel]
kind = "wireguard"
{tunnel}
"""

TUNNEL = {
    "own_address": '"10.77.31.1/24"',
    "far_key": f'"{OWN_KEY}"',
    "reach": '["10.77.31.0/24"]',
}


def table(name: str = "garden", address: str = "10.77.31.2", **changes: str) -> str:
    lines = "\n".join(f"{key} = {value}" for key, value in {**TUNNEL, **changes}.items() if value)
    return FAR.format(name=name, address=address, host_key=HOST_KEY, tunnel=lines)


def mistakes(folder: Path, *tables: str) -> list[tuple[str, str, str]]:
    home = '[home]\nname = "elm"\nzone = "Europe/Berlin"\n'
    (folder / "otherroof.toml").write_text(home + "".join(tables))
    return [(one.key, one.wrong, one.right) for one in read_parts(str(folder)).mistakes]


def test_the_least_that_is_needed_is_enough(tmp_path: Path) -> None:
    assert mistakes(tmp_path, table()) == []
    tunnel = read_parts(str(tmp_path)).far["garden"].tunnel
    assert (tunnel.kind, tunnel.role, tunnel.port, tunnel.keepalive_s) == ("wireguard", "answer", 51820, 25)


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("reach", '["0.0.0.0/0"]', "covers everything"),
        ("reach", '["::/0"]', "covers everything"),
        ("reach", '["0.0.0.0/1", "128.0.0.0/1"]', "covers everything"),
        ("reach", "[]", "at least 1 is wanted"),
        ("reach", '["10.77.31.2/24"]', "perhaps 10.77.31.0/24 is meant"),
        ("reach", '["garden"]', "is not a network"),
        ("own_address", '"10.77.31.1"', "lacks the size of its network"),
        ("own_address", '"10.77.31.0/24"', "is the network itself; 10.77.31.1/24"),
        ("own_address", '"127.0.0.1/8"', "cannot be a tunnel's address"),
        ("own_address", '"169.254.0.1/16"', "cannot be a tunnel's address"),
        ("interface", '"much-too-long-a-name"', "at most 15"),
        ("interface", '"a/b"', "letters, digits"),
        ("far_key", '"c2hvcnQ="', "44 characters"),
        ("far_key", '"as printed there…"', "44 characters"),
        ("mtu", "1279", "1280 to 9000"),
        ("mtu", "9001", "1280 to 9000"),
        ("keepalive_s", "65536", "65535"),
        ("port", "0", "at least 1 is wanted"),
        ("own_name", '"not a name"', "neither an IP address nor a host name"),
        ("linger", "5", "linger_s"),
    ],
)
def test_what_cannot_be_is_named_by_its_key(tmp_path: Path, field: str, value: str, says: str) -> None:
    ((key, wrong, right),) = mistakes(tmp_path, table(**{field: value}))
    assert key.startswith(f"far.garden.tunnel.{field}")
    assert says in f"{wrong}; {right}"


@pytest.mark.parametrize(
    ("role", "far_name", "says"),
    [
        ('"call"', "", "needs far_name"),
        ('"answer"', '"garden.example.net:51820"', "is for role 'call'"),
        ('"call"', '"garden.example.net"', "is not host:port"),
        ('"call"', '"::1:51820"', "is written [::1]:51820"),
        ('"call"', '"garden.example.net:0"', "is not host:port"),
    ],
)
def test_role_and_name_have_to_fit(tmp_path: Path, role: str, far_name: str, says: str) -> None:
    ((_, wrong, _),) = mistakes(tmp_path, table(role=role, far_name=far_name))
    assert says in wrong


def test_host_and_port_are_taken_apart() -> None:
    assert split_host_port("garden.example.net:51820") == ("garden.example.net", 51820)
    assert split_host_port("[2001:db8::9]:51820") == ("2001:db8::9", 51820)
    assert split_host_port("192.0.2.9:1") == ("192.0.2.9", 1)


def test_far_address_outside_what_the_tunnel_reaches_is_named(tmp_path: Path) -> None:
    """A tunnel limited to some networks must list the tunnel's own too, or its addresses are not reached."""
    ((key, wrong, right),) = mistakes(tmp_path, table(reach='["192.168.88.0/24"]'))
    assert key == "far.garden.tunnel.reach"
    assert "10.77.31.2 is in none of these networks" in wrong
    assert "10.77.31.2/32" in right


def test_both_ends_with_one_address_are_named(tmp_path: Path) -> None:
    ((key, wrong, _),) = mistakes(tmp_path, table(address="10.77.31.1"))
    assert key == "far.garden.tunnel.own_address"
    assert "the far box's own address" in wrong


def test_two_far_boxes_cannot_share_an_interface_or_an_answering_port(tmp_path: Path) -> None:
    second = table(name="quay", address="10.78.0.2", own_address='"10.78.0.1/24"', reach='["10.78.0.0/24"]')
    found = {key: wrong for key, wrong, _ in mistakes(tmp_path, table(), second)}
    assert found.keys() == {"far.quay.tunnel.interface", "far.quay.tunnel.port"}
    assert "far box 'garden' has interface roof0" in found["far.quay.tunnel.interface"]
    apart = table(
        name="quay",
        address="10.78.0.2",
        own_address='"10.78.0.1/24"',
        reach='["10.78.0.0/24"]',
        interface='"roof1"',
        port="51821",
    )
    assert mistakes(tmp_path, table(), apart) == []


def test_key_files_and_documentation_addresses_are_looked_at_on_this_machine(tmp_path: Path) -> None:
    given = table(shared_key_file='"keys/shared"', role='"call"', far_name='"192.0.2.9:51820"')
    assert mistakes(tmp_path, given) == []
    (tmp_path / "keys").mkdir()
    (tmp_path / "keys" / "login").touch(0o600)
    (tmp_path / "keys" / "tunnel.key").touch(0o600)
    (tmp_path / "keys" / "tunnel.key").chmod(0o640)
    found = {one.key: one for one in check_machine(read_parts(str(tmp_path)))}
    assert found.keys() == {
        "far.garden.tunnel.key_file",
        "far.garden.tunnel.shared_key_file",
        "far.garden.tunnel.far_name",
    }
    assert "mode 0640" in found["far.garden.tunnel.key_file"].wrong
    assert "wg genpsk" in found["far.garden.tunnel.shared_key_file"].right
    assert "documentation" in found["far.garden.tunnel.far_name"].wrong


@pytest.mark.parametrize("argv", ['["tunnel-up"]', "[]"])
def test_commands_of_a_tunnel_are_named_by_their_full_path(tmp_path: Path, argv: str) -> None:
    text = table().partition("[far.garden.tunnel]")[0]
    text += f'[far.garden.tunnel]\nkind = "command"\nup = {argv}\ndown = ["/bin/true"]\ntest = ["/bin/true"]\n'
    ((key, _, _),) = mistakes(tmp_path, text)
    assert key == "far.garden.tunnel.up"
