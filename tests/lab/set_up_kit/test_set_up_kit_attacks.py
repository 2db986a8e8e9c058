"""The box as an attacker meets it who holds home's key, or only stands in the house: all that is not SFTP in one
folder is refused, by the real sshd with the settings that set-up.sh wrote."""

from __future__ import annotations

import contextlib
import os
import stat
import subprocess
from collections.abc import Iterator

import paramiko
import pytest

from otherroof.pairing.keys import login_public, new_login_key
from support.lab import Estate
from support.set_up_kit import Attack, Household, at, new_box

pytestmark = [pytest.mark.lab, pytest.mark.together, pytest.mark.each_release]


@pytest.fixture(scope="module")
def attack(base_system, tmp_path_factory) -> Iterator[Attack]:
    """One box for all attacks that leave it as it is but for files in its folder."""
    household = Household(tmp_path_factory.mktemp("household"))
    with Estate() as estate:
        yield at(new_box(estate, base_system, household), household)


@pytest.fixture
def sftp(attack) -> Iterator[paramiko.SFTPClient]:
    transport = attack.connect()
    client = paramiko.SFTPClient.from_transport(transport)
    assert client is not None
    yield client
    transport.close()


def test_ordinary_sftp_in_the_folder_works(sftp, attack):
    sftp.mkdir("/copies/album")
    with sftp.open("/copies/album/one.new", "wb") as file:
        file.write(b"a photo" * 10_000)
    sftp.posix_rename("/copies/album/one.new", "/copies/album/one")
    with sftp.open("/copies/album/one", "rb") as file:
        assert file.read() == b"a photo" * 10_000
    sftp.symlink("one", "/copies/album/link")
    sftp.utime("/copies/album/one", (1, 1_900_000_000))
    sftp.chmod("/copies/album/one", 0o640)
    assert stat.S_IMODE(sftp.stat("/copies/album/link").st_mode or 0) == 0o640
    sftp.remove("/copies/album/one")
    assert sftp.listdir("/copies/album") == ["link"]
    assert attack.box.run("stat", "-c", "%U", "/srv/otherroof/copies/album").strip() == "otherroof"


def test_openssh_s_own_sftp_client_works_and_is_offered_what_copies_need(attack):
    argv = ["sftp", "-F", "none", "-i", attack.key_file, "-b", "-", "-o", "StrictHostKeyChecking=no"]
    argv += ["-o", "UserKnownHostsFile=/dev/null", "-vv", attack.target]
    done = subprocess.run(
        attack.home.argv(argv),
        input=b"mkdir copies/from-openssh\nls copies\ndf -h copies\n",
        capture_output=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert b"copies/from-openssh" in done.stdout
    assert b"%" in done.stdout
    for extension in (
        b"posix-rename@openssh.com",
        b"statvfs@openssh.com",
        b"hardlink@openssh.com",
        b"fsync@openssh.com",
    ):
        assert extension in done.stderr


@pytest.mark.parametrize("words", [["-tt"], [], ["-T"]], ids=["terminal", "none", "no terminal"])
def test_no_shell(attack, words):
    code, said = attack.ssh(*words, attack.target)
    assert "uid=" not in said
    assert "$" not in said
    code, said = attack.ssh(*words, attack.target, "id; echo reached >/copies/reached")
    assert "uid=" not in said
    assert not os.path.exists(attack.box.path("/srv/otherroof/copies/reached")), code


def test_no_terminal_is_given(attack):
    channel = attack.connect().open_session(timeout=10)
    with pytest.raises(paramiko.SSHException):
        channel.get_pty()


@pytest.mark.parametrize("subsystem", ["shell", "netconf", "/bin/sh", "sftp-server"])
def test_any_subsystem_is_sftp_or_nothing(attack, subsystem):
    channel = attack.connect().open_session(timeout=10)
    channel.settimeout(5)
    try:
        channel.invoke_subsystem(subsystem)
    except paramiko.SSHException:
        return
    channel.sendall(b"id\n")
    channel.shutdown_write()
    assert b"uid=" not in channel.recv(4096)


@pytest.mark.parametrize("target", [("127.0.0.1", 22), ("192.168.88.9", 80), ("localhost", 22)])
def test_no_forwarding_to_the_house(attack, target):
    with pytest.raises(paramiko.ChannelException):
        attack.connect().open_channel("direct-tcpip", target, ("127.0.0.1", 5), timeout=10)


def test_no_forwarding_to_a_local_socket(attack):
    assert not attack.reaches_local_socket(attack.plan.account)
    code, said = attack.ssh("-N", "-o", "ExitOnForwardFailure=yes", "-R", "/copies/socket:/dev/null", attack.target)
    assert code == 255
    assert "forwarding failed" in said


@pytest.mark.parametrize("where", ["127.0.0.1", "0.0.0.0", ""])
def test_no_listening_on_the_box(attack, where):
    with pytest.raises(paramiko.SSHException):
        attack.connect().request_port_forward(where, 0)


@pytest.mark.parametrize(
    "words",
    [
        ["-R", "8022:127.0.0.1:22"],
        ["-R", "8080"],
        ["-w", "any:any", "-o", "Tunnel=point-to-point"],
        ["-w", "any:any", "-o", "Tunnel=ethernet"],
    ],
    ids=["remote", "remote socks", "tun", "tap"],
)
def test_openssh_s_own_client_gets_no_forwarding_and_no_tunnel_device(attack, words):
    code, said = attack.ssh("-N", "-o", "ExitOnForwardFailure=yes", *words, attack.target)
    assert code == 255, said
    links = attack.box.run("ip", "-o", "link")
    assert "tun" not in links
    assert "tap" not in links


def test_no_agent_and_no_display(attack):
    channel = attack.connect().open_session(timeout=10)
    with pytest.raises(paramiko.SSHException):
        channel.request_x11(auth_protocol="MIT-MAGIC-COOKIE-1", auth_cookie="0" * 32)
    assert not attack.gets_agent(attack.connect())


@pytest.mark.parametrize(
    "path",
    [
        "/etc/passwd",
        "/../etc/passwd",
        "/copies/../../../../etc/passwd",
        "../../etc/passwd",
        "/proc/self/environ",
        "/dev/null",
        "/etc/otherroof-far/otherroof/shared.key",
        "/etc/otherroof-far/otherroof/tunnel.key",
        "/srv/otherroof/copies",
    ],
)
def test_no_path_leads_out_of_the_folder(sftp, path):
    for reach in (sftp.stat, sftp.listdir, lambda name: sftp.open(name, "rb")):
        with pytest.raises(FileNotFoundError):
            reach(path)
    assert sftp.normalize("/../..") == "/"


@pytest.mark.parametrize(
    "target",
    [
        "/srv/outside",
        "/srv/outside/token",
        "../../outside",
        "../../../srv/outside/token",
        "/proc/1/root/srv/outside",
        "/proc/self/cwd",
    ],
)
def test_no_link_leads_out_of_the_folder(sftp, attack, target):
    box = attack.box
    box.write("/srv/outside/token", "the token", 0o666)
    box.run("chmod", "777", "/srv/outside")
    name = target.replace("/", "_")
    box.run("ln", "-s", target, f"/srv/otherroof/copies/planted{name}")  # one that somebody else put there
    sftp.symlink(target, f"/copies/made{name}")
    if "outside" in target:  # for somebody who is not locked in, the link does lead there
        assert "token" in box.run(
            "sh",
            "-c",
            f"cat /srv/otherroof/copies/planted{name}/* || cat /srv/otherroof/copies/planted{name}",
            may_fail=True,
        )
    for link in (f"/copies/planted{name}", f"/copies/made{name}"):
        for path in (link, f"{link}/token", f"{link}/srv/outside/token"):
            for attempt in (lambda path: sftp.open(path, "rb").read(), sftp.listdir):
                with contextlib.suppress(OSError):
                    assert "token" not in str(attempt(path))
            with contextlib.suppress(OSError), sftp.open(path, "wb") as file:
                file.write(b"overwritten")
    assert box.read("/srv/outside/token") == "the token"
    assert os.listdir(box.path("/srv/outside")) == ["token"]


def test_nothing_above_the_copies_can_be_changed(sftp, attack):
    before = attack.box.snapshot()
    for change in (
        lambda: sftp.mkdir("/other"),
        lambda: sftp.open("/file", "wb"),
        lambda: sftp.rename("/copies", "/elsewhere"),
        lambda: sftp.posix_rename("/copies", "/elsewhere"),
        lambda: sftp.rmdir("/copies"),
        lambda: sftp.chmod("/", 0o777),
        lambda: sftp.chown("/", 0, 0),
        lambda: sftp.chown("/copies", 0, 0),
        lambda: sftp.symlink("/copies", "/link"),
    ):
        with pytest.raises(OSError):
            change()
    assert attack.box.snapshot() == before


def test_other_people_s_files_in_the_folder_stay_theirs(sftp, attack):
    box = attack.box
    for where in ("/srv/otherroof", "/srv/otherroof/copies"):
        box.write(f"{where}/theirs/diary", "private", 0o600)
        box.run("chmod", "700", f"{where}/theirs")
        box.write(f"{where}/letter", "private", 0o600)
    for path in ("/theirs/diary", "/copies/theirs/diary", "/letter", "/copies/letter"):
        for mode in ("rb", "r+b", "wb"):
            with pytest.raises(OSError):
                sftp.open(path, mode)
    for path in ("/copies/letter", "/letter"):
        with pytest.raises(OSError):
            sftp.chmod(path, 0o666)


def test_a_set_uid_file_cannot_be_made_into_anything(sftp, attack):
    with sftp.open("/copies/tool", "wb") as file:
        file.write(b"#!/bin/sh\n")
    sftp.chmod("/copies/tool", 0o6755)
    with pytest.raises(OSError):
        sftp.chown("/copies/tool", 0, 0)
    assert attack.box.run("stat", "-c", "%U", "/srv/otherroof/copies/tool").strip() == "otherroof"


def test_nothing_but_a_key_is_asked_for(attack):
    with pytest.raises(paramiko.BadAuthenticationType) as caught:
        attack.unproved().auth_none("otherroof")
    assert caught.value.allowed_types == ["publickey"]
    with pytest.raises(paramiko.BadAuthenticationType):
        attack.unproved().auth_password("otherroof", "otherroof")
    assert attack.box.run("getent", "shadow", "otherroof").split(":")[1] == "*"


def test_another_key_is_refused(attack, tmp_path):
    stranger = tmp_path / "stranger"
    stranger.write_text(new_login_key(), encoding="ascii")
    with pytest.raises(paramiko.AuthenticationException):
        attack.connect(key=str(stranger))


def test_home_s_key_is_of_no_use_in_the_relative_s_house(attack):
    with pytest.raises(paramiko.AuthenticationException):
        attack.connect(space=attack.lan)


def test_the_account_cannot_let_other_keys_in(sftp, attack, tmp_path):
    stranger = tmp_path / "stranger"
    stranger.write_text(new_login_key(), encoding="ascii")
    line = login_public(stranger.read_text(encoding="ascii"))
    for folder in ("/copies/.ssh", "/copies/home"):
        sftp.mkdir(folder)
        with sftp.open(f"{folder}/authorized_keys", "w") as file:
            file.write(line + "\n")
    with pytest.raises(paramiko.AuthenticationException):
        attack.connect(key=str(stranger))
