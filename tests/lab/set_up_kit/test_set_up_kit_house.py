"""The kit beside what the relative had before: their own logins and rules for sshd stand, and home gets none of it."""

from __future__ import annotations

import os
from pathlib import Path

import paramiko
import pytest

from otherroof.pairing.keys import login_public, new_login_key
from support.set_up_kit import Attack, at

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.each_release]


@pytest.fixture
def fresh_attack(box, household) -> Attack:
    """A box of one's own, for what changes its settings."""
    return at(box, household)


class TestTheRelativesOwnAccess:
    """What they had before they have still, and home does not get it."""

    @pytest.fixture
    def gran(self, fresh_attack, tmp_path) -> str:
        path = tmp_path / "gran"
        path.write_text(new_login_key(), encoding="ascii")
        os.chmod(path, 0o600)
        fresh_attack.box.add_person("gran", login_public(path.read_text(encoding="ascii")))
        return str(path)

    def logged_in(self, fresh_attack, gran) -> str:
        channel = fresh_attack.connect(account="gran", key=gran, space=fresh_attack.lan).open_session(timeout=10)
        channel.exec_command("id -un")
        return channel.makefile().read().decode().strip()

    def test_from_her_own_house_she_logs_in_as_before(self, fresh_attack, gran):
        assert self.logged_in(fresh_attack, gran) == "gran"

    def test_through_the_tunnel_even_her_own_key_is_refused(self, fresh_attack, gran):
        for account in ("gran", "root"):
            with pytest.raises(paramiko.AuthenticationException):
                fresh_attack.connect(account=account, key=gran)

    @pytest.mark.parametrize("rule", ["AllowUsers gran", "AllowGroups gran", "DenyGroups nobody", "PermitTTY yes"])
    def test_her_own_rules_for_sshd_stand_beside_the_kit_s(self, fresh_attack, gran, rule):
        box = fresh_attack.box
        with open(box.path("/etc/ssh/sshd_config"), "a", encoding="utf-8") as file:
            file.write(rule + "\n")
        box.restart_sshd()
        assert self.logged_in(fresh_attack, gran) == "gran"
        fresh_attack.connect().close()
        with pytest.raises(paramiko.AuthenticationException):
            fresh_attack.connect(account="gran", key=gran)

    def test_sshd_says_the_same_for_her_as_before_the_kit(self, fresh_attack):
        ask = [
            "sshd",
            "-T",
            "-C",
            f"user=gran,host=lan,addr={fresh_attack.LAN_OTHER},laddr={fresh_attack.LAN_BOX},lport=22",
        ]
        with_kit = fresh_attack.box.run(*ask)
        fresh_attack.box.undo()
        assert fresh_attack.box.run(*ask) == with_kit


def test_sshd_itself_says_what_is_promised(fresh_attack):
    attack = fresh_attack
    plan = attack.plan
    said = attack.box.run(
        "sshd", "-T", "-C", f"user=otherroof,host=home,addr={plan.home_address},lport=22"
    ).splitlines()
    for line in (
        "forcecommand internal-sftp",
        "chrootdirectory /srv/otherroof",
        "authenticationmethods publickey",
        "authorizedkeysfile /etc/otherroof-far/otherroof/login",
        "authorizedkeyscommand none",
        "disableforwarding yes",
        "allowtcpforwarding no",
        "allowstreamlocalforwarding no",
        "allowagentforwarding no",
        "x11forwarding no",
        "permittunnel no",
        "permittty no",
        "permituserrc no",
        "permitlisten none",
        "permitopen none",
        "passwordauthentication no",
        "kbdinteractiveauthentication no",
        "hostbasedauthentication no",
    ):
        assert line in said
    elsewhere = attack.box.run("sshd", "-T", "-C", "user=otherroof,host=lan,addr=192.168.88.9,lport=22").splitlines()
    assert [line for line in elsewhere if line.startswith("allowusers")] == [
        f"allowusers otherroof@{plan.home_address}"
    ]


def test_without_the_kit_s_rules_these_attacks_would_succeed(fresh_attack):
    """The attacks are worth something only if they get through where nothing stops them."""
    attack = fresh_attack
    box = attack.box
    box.write("/etc/ssh/sshd_config.d/otherroof.conf", "")
    box.add_person("open", login_public(Path(attack.key_file).read_text(encoding="ascii")))
    box.restart_sshd()
    assert "uid=" in attack.ssh(f"open@{attack.plan.far_address}", "id")[1]
    transport = attack.connect(account="open")
    transport.open_channel("direct-tcpip", ("127.0.0.1", 22), ("127.0.0.1", 5), timeout=10).close()
    assert transport.request_port_forward("127.0.0.1", 0) > 0
    client = paramiko.SFTPClient.from_transport(transport)
    assert client is not None
    assert client.stat("/etc/passwd").st_size
    transport.open_session(timeout=10).get_pty()
    assert attack.gets_agent(attack.connect(account="open"))
    assert attack.reaches_local_socket("open")
