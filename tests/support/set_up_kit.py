"""A household that pairs by the command line, and a throwaway far box that takes its kit. For the lab of set-up.sh."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import paramiko
import pytest

from otherroof.cli.main import main
from otherroof.pairing.plan import PairingPlan
from otherroof.pairing.record import require_record
from support.lab import Estate, Namespace, toml_text
from support.pairing import ANSWERS, FAR
from support.throwaway_debian import ThrowawayDebian

KIT = "/root/kit"
OWN = "/etc/otherroof-far/otherroof"


class Household:
    """The settings folder at home, from which the kit comes and into which the reply goes."""

    def __init__(self, folder: Path) -> None:
        self.where = folder / "settings"
        self.where.mkdir(parents=True)

    def pair(self, **other: object) -> PairingPlan:
        """Make a kit by `otherroof pair`; its plan."""
        answers = self.where.parent / "answers.toml"
        answers.write_text(toml_text({**ANSWERS, **other}), encoding="utf-8")
        self._run("--answers", str(answers))
        return require_record(str(self.where), FAR).plan

    def finish(self, said: str) -> None:
        """Take in what set-up.sh printed."""
        reply = self.where.parent / "reply.txt"
        reply.write_text(said, encoding="utf-8")
        self._run("--finish", "--reply", str(reply))

    def _run(self, *words: str) -> None:
        with pytest.raises(SystemExit) as left:
            main(["pair", FAR, *words, "--config", str(self.where)])
        assert not left.value.code

    @property
    def kit(self) -> Path:
        return self.where / "kits" / FAR

    def key(self, name: str) -> str:
        """The path of one of the household's key files."""
        return str(self.where / "keys" / f"{FAR}-{name}.key")


class FarBox(ThrowawayDebian):
    """A throwaway root with the kit in it."""

    plan: PairingPlan

    def take_kit(self, household: Household, plan: PairingPlan) -> None:
        """The stick is carried over."""
        self.plan = plan
        shutil.rmtree(self.path(KIT), ignore_errors=True)
        shutil.copytree(household.kit, self.path(KIT))

    def set_up(self, *words: str) -> tuple[int, str]:
        """Run set-up.sh; exit code and output."""
        return self.try_out("sh", f"{KIT}/set-up.sh", *words)

    def apply(self) -> str:
        """`set-up.sh --apply`, which must succeed; what it said."""
        code, said = self.set_up("--apply")
        assert code == 0, said
        return said

    def undo(self) -> str:
        """`--undo` by the copy that the kit left on the box."""
        code, said = self.try_out("sh", f"/etc/otherroof-far/{self.plan.account}/set-up.sh", "--undo")
        assert code == 0, said
        return said

    def lose_links(self) -> None:
        """From now on the kernel makes no WireGuard links here, whatever it is."""
        self.run("mv", "/usr/bin/ip", "/usr/lib/ip-of-the-lab")
        case = '*"type wireguard"*) echo "Error: Unknown device type." >&2; exit 2 ;;'
        self.write("/usr/bin/ip", f'#!/bin/sh\ncase "$*" in {case} esac\nexec /usr/lib/ip-of-the-lab "$@"\n', 0o755)

    def start_sshd(self) -> None:
        """The box's own sshd, as its settings are."""
        os.makedirs(self.path("/run/sshd"), exist_ok=True)
        self.popen("/usr/sbin/sshd", "-D")
        self.run("sh", "-c", "for i in $(seq 100); do nc -z 127.0.0.1 22 && exit; sleep 0.05; done; exit 1")

    def restart_sshd(self) -> None:
        """Another sshd in its place, with the settings as they are now."""
        self.run("sh", "-c", "kill $(cat /run/sshd.pid)")  # this box's own, by the file that it wrote
        self.run("sh", "-c", "for i in $(seq 100); do nc -z 127.0.0.1 22 || exit 0; sleep 0.05; done; exit 1")
        self.start_sshd()

    def add_person(self, name: str, public_key: str) -> None:
        """An account of the relative's own, with a shell and a key."""
        self.run("useradd", "--create-home", "--shell", "/bin/sh", name)
        self.write(f"/home/{name}/.ssh/authorized_keys", public_key + "\n", 0o600)
        self.run("chown", "-R", f"{name}:{name}", f"/home/{name}/.ssh")


class Neighbours:
    """Around a box: home, at the other end of a cable that stands for the tunnel, and a machine in the far house."""

    LAN_BOX, LAN_OTHER = "192.168.88.2", "192.168.88.9"

    def __init__(self, box: FarBox) -> None:
        self.box = box
        plan = box.plan
        self.home = self._joined("home", plan.far_interface, plan.home_address, plan.far_address)
        self.lan = self._joined("lan", "lan0", self.LAN_OTHER, self.LAN_BOX)

    def _joined(self, role: str, far_end: str, address: str, far_address: str) -> Namespace:
        far = self.box.space
        assert far is not None
        space = Namespace(self.box.estate, f"otherroof-{self.box.estate.number}-{role}")
        space.ip("link", "add", "eth", "type", "veth", "peer", "name", far_end, "netns", far.name)
        for where, end, own in ((space, "eth", address), (far, far_end, far_address)):
            where.ip("address", "add", f"{own}/24", "dev", end)
            where.ip("link", "set", end, "up")
        return space


class Attack(Neighbours):
    """Home at the other end of the tunnel's interface, with its key; the box; and one more machine in its house."""

    def __init__(self, box: FarBox, login_key: str) -> None:
        super().__init__(box)
        self.plan = box.plan
        self.key_file = login_key

    def connect(self, *, account: str = "", key: str = "", space: Namespace | None = None) -> paramiko.Transport:
        """A connection that has proved its key; raises paramiko's AuthenticationException where it is refused."""
        transport = self.unproved(space)
        transport.auth_publickey(
            account or self.plan.account, paramiko.Ed25519Key.from_private_key_file(key or self.key_file)
        )
        return transport

    def unproved(self, space: Namespace | None = None) -> paramiko.Transport:
        """A connection before any proof."""
        from_home = space is None
        target = self.plan.far_address if from_home else self.LAN_BOX
        transport = paramiko.Transport((space or self.home).connect(target, 22))
        transport.start_client(timeout=10)
        return transport

    def ssh(self, *words: str, space: Namespace | None = None, account: str = "") -> tuple[int, str]:
        """OpenSSH's own client from home; exit code and all that was said."""
        argv = ["ssh", "-F", "none", "-i", self.key_file, "-o", "BatchMode=yes", "-o", "StrictHostKeyChecking=no"]
        argv += ["-o", "UserKnownHostsFile=/dev/null", "-o", "LogLevel=ERROR", "-o", "ConnectTimeout=5", *words]
        done = subprocess.run(
            (space or self.home).argv(argv), stdin=subprocess.DEVNULL, capture_output=True, timeout=30, check=False
        )
        return done.returncode, (done.stdout + done.stderr).decode("utf-8", "replace")

    def reaches_local_socket(self, account: str) -> bool:
        """Whether OpenSSH's client gets through to a socket file on the box."""
        self.box.run("sh", "-c", "rm -rf /run/lab; mkdir -p /run/lab")
        self.box.popen("sh", "-c", "umask 0; exec nc -lkU /run/lab/socket >/run/lab/heard")
        self.box.run("sh", "-c", "for i in $(seq 100); do [ -S /run/lab/socket ] && exit; sleep 0.05; done; exit 1")
        words = ["-i", self.key_file, "-o", "BatchMode=yes", "-o", "StrictHostKeyChecking=no"]
        words += ["-o", "UserKnownHostsFile=/dev/null", "-N", "-L", "127.0.0.1:9022:/run/lab/socket"]
        client = self.home.popen(["ssh", "-F", "none", *words, f"{account}@{self.plan.far_address}"], stderr=-3)
        try:
            wait_until(lambda: reaches(self.home, "127.0.0.1", 9022), 10)
            with contextlib.suppress(OSError), self.home.connect("127.0.0.1", 9022) as line:
                line.sendall(b"knock")
                line.settimeout(1)
                line.recv(1)  # a refusal closes the line; a listener says nothing
        finally:
            client.kill()
            client.wait(10)
        return "knock" in self.box.read("/run/lab/heard")

    @staticmethod
    def gets_agent(transport: paramiko.Transport) -> bool:
        """Whether a request for agent forwarding is granted; asked with `want reply`, which paramiko does not do."""
        channel = transport.open_session(timeout=10)
        message = paramiko.Message()
        message.add_byte(b"\x62")  # SSH_MSG_CHANNEL_REQUEST, RFC 4254 §5.4
        message.add_int(channel.remote_chanid)
        message.add_string("auth-agent-req@openssh.com")
        message.add_boolean(True)
        channel._event_pending()
        transport._send_user_message(message)
        try:
            channel._wait_for_event()
        except paramiko.SSHException:
            return False
        return True

    @property
    def target(self) -> str:
        return f"{self.plan.account}@{self.plan.far_address}"


def at(box: FarBox, household: Household) -> Attack:
    """Apply the kit, start the box's sshd, and stand at home."""
    box.apply()
    made = Attack(box, household.key("login"))
    box.start_sshd()
    return made


def reply_in(said: str) -> str:
    """The five lines that `--apply` ends with."""
    found = re.search(r"otherroof reply 1\n.*\nseal \S+", said, re.DOTALL)
    assert found, said
    return found[0]


def new_box(estate: Estate, base: str, household: Household) -> FarBox:
    """A far box in a network of its own, with an ordinary kit on it, not yet applied."""
    made = FarBox(estate, base, Namespace(estate, f"otherroof-{estate.number}-far"))
    made.take_kit(household, household.pair())
    return made


def reaches(space: Namespace, address: str, port: int) -> bool:
    """Whether a TCP connection comes about."""
    try:
        space.connect(address, port, wait_s=0.7).close()
    except OSError:
        return False
    return True


def answers_ping(space: Namespace, address: str) -> bool:
    """Whether an ICMP echo comes back."""
    return "1 received" in space.run(["ping", "-c", "1", "-W", "1", address], may_fail=True)


def wait_until(met: Callable[[], bool], seconds: float) -> float:
    """How long it took; fails the test after `seconds`."""
    start = time.monotonic()
    while not met():
        if time.monotonic() - start > seconds:
            pytest.fail(f"not within {seconds:g} s")
        time.sleep(0.2)
    return time.monotonic() - start
