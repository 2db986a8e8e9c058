"""The newcomer's path, by the README alone: a home server and a far box behind two routers, from a bare Debian to a
nightly copy; settings changed while the service runs; and home moved to a third machine.

The commands come out of README.md, in its order, and are typed as they stand there. What a person has to do besides
(answer questions, carry a kit, write settings) is named here beside the README's words for it, which must stand there
too. So a step that is missing or wrong in the README ends the path.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from support.by_find import seen_by_find, unlike
from support.certificates import make_certificate
from support.home_machine import CHECKOUT, PERSON, HomeMachine
from support.lab import Estate, Houses, Plan
from support.mail_server import ACCOUNT, PASSWORD, MailServer
from support.pairing import FAR
from support.readme_steps import README, ReadmeSteps
from support.set_up_kit import KIT, FarBox, reply_in, wait_until
from support.terminal_talk import talk

pytestmark = [pytest.mark.lab, pytest.mark.slow]

INSTALL, PAIR, FIRST, TOLD = "Install", "Pair the two houses", "First job", "Be told"
SHEET, BACK, KNOWN, MOVE = "The recovery sheet", "Get files back", "Know that it comes back", "Move to a new server"
# Not on this path: what is tried before one installs, the other way to pair, which test_each_release.py goes, and what
# has nothing to do in the first weeks.
BESIDE_THE_PATH = {"Two commands", "By hand", "Carry the first copy there", "Keep fewer versions", "Think ahead"}

PHOTOS, LETTERS = "/srv/family/photos", "/srv/family/documents"
SETTINGS = "/etc/otherroof/otherroof.toml"
FAR_COPIES = "/srv/otherroof/copies"
ZONE = "America/St_Johns"
OWN_NAME, MAIL_NAME = "larch.example.net", "mail.example.net"
FAR_DISK_MB = 100_000  # at most; room enough for no alert to stand
CARRIED = "/root/otherroof-settings.tar"
NEW_ADDRESS = "192.168.71.9"
GOES_BY_THEM = "the running service uses these settings"

# What `sudo otherroof pair heron` asks, and what this household answers.
ANSWERS = [
    ("short name for this home", "larch"),
    ("time zone", ZONE),
    ("Which house has a router", "answer"),
    ("name at which home is found", OWN_NAME),
    ("UDP port to open", ""),
    ("blocks used at home", "192.168.71.0/24"),
    ("blocks used in the far house", "192.168.88.0/24"),
    ("folder on the far box", ""),
    ("silence", ""),
    ("relative call", "Ruth, 555 0134"),
]

# Lines that fetch from Debian's archive: the machines have these packages, and each that is named must be there.
FROM_DEBIAN = {
    "sudo apt update": (),
    "sudo apt install --no-install-recommends python3-venv git wireguard-tools nftables": (
        "python3-venv",
        "wireguard-tools",
        "nftables",
    ),
}
ENVIRONMENT = "/opt/otherroof"
MAKE, FILL = f"sudo python3 -m venv {ENVIRONMENT}", f"sudo {ENVIRONMENT}/bin/pip install ."
# What a line must say. Most of these only look, so that the path would not end without them; they must stand there.
SAYS = {
    INSTALL: {"sudo otherroof install": "nothing was done"},
    PAIR: {"sudo otherroof probe heron": "heron answers: all well"},
    FIRST: {
        "sudo otherroof check": "settings: no mistakes",
        "sudo otherroof run photos --dry": "photos: would be done; nothing was sent",
        "sudo otherroof run photos": "photos: done, run ",
        "sudo otherroof status": "heron",
    },
    TOLD: {
        "sudo otherroof alert-test": "parents: handed over",
        "sudo otherroof quiet": "there is no alert now",
        "sudo otherroof quiet silent:heron --days 14": "no alert 'silent:heron' stands",
    },
    SHEET: {
        "sudo otherroof sheet --html sheet.html": "print it",
        "sudo otherroof sheet --with-keys --html sheet-with-keys.html": "Then delete the file",
    },
    BACK: {"sudo otherroof versions photos": "taken"},
    KNOWN: {"sudo otherroof drill photos": "photos"},
    MOVE: {
        "sudo otherroof probe heron": "heron answers: all well",
        "sudo otherroof run photos": "photos: done, run ",
    },
}
# Every other line leaves with 0. An alert can only be known of if it stands, and here all is well.
LEAVES_WITH = {
    "sudo otherroof status": 1,  # nobody is told of alerts yet
    "sudo otherroof quiet silent:heron --days 14": 2,
}

Deed = Callable[[str, str], None]  # of heading and line


@dataclass
class Newcomer:
    """Somebody at a machine's keyboard, with the README beside it."""

    readme: ReadmeSteps
    machine: HomeMachine
    begun: float = field(default_factory=time.monotonic)

    def follow(self, heading: str, deeds: Mapping[str, Deed] | None = None, *, only: slice | None = None) -> None:
        """Type what stands under `heading`; `deeds` take the place of lines that need more than typing."""
        deeds = deeds or {}
        lines = self.readme.commands(heading)[only or slice(None)]
        missing = set(deeds) - set(lines)
        assert not missing, f"under {heading!r} the README no longer has {sorted(missing)}"
        for line in lines:
            print(f"{time.monotonic() - self.begun:5.0f} s  $ {line}")  # shown if the path ends somewhere
            deeds.get(line, self.type)(heading, line)

    def type(self, heading: str, line: str) -> None:
        """Type one line, and look at what it says."""
        for package in FROM_DEBIAN.get(line, ()):
            self.machine.run("dpkg", "--status", package)
        if line not in FROM_DEBIAN:
            code, said = self.machine.shell(line)
            assert code == LEAVES_WITH.get(line, 0), f"$ {line}\n{said}"
            assert SAYS[heading].get(line, "") in said, f"$ {line}\n{said}"

    def at_the_terminal(self, line: str, answers: list[tuple[str, str]]) -> str:
        """Type a line that asks; what stood on the screen."""
        code, said = talk(self.machine.argv(self.machine.shell_argv(line)), answers)
        assert code == 0, said
        return said

    def install(self, deeds: Mapping[str, Deed] | None = None, *, booted: bool) -> None:
        """The README's Install: up to where systemd is needed, or from there on."""
        lines = self.readme.commands(INSTALL)
        service = lines.index("sudo otherroof install")
        self.follow(INSTALL, deeds, only=slice(service, None) if booted else slice(service))

    def service(self) -> str:
        """`active`, or what else it is."""
        return self.machine.run("systemctl", "is-active", "otherroof.service", may_fail=True).strip()

    def until_taken_up(self) -> None:
        """Wait until the running service goes by the files."""
        self.readme.require_words(FIRST, "`sudo otherroof check` says whether it goes by them yet")
        wait_until(lambda: GOES_BY_THEM in self.machine.shell("sudo otherroof check")[1], 150)


# ---- two houses and three machines


@pytest.fixture
def houses(base_system: str) -> Iterator[Houses]:
    """Both routers translate, as in nearly every household; home's forwards the tunnel's port, as `pair` asks for."""
    with Houses(Plan(far_translates=True, home_translates=True, forwarded_port=51820)) as made:
        yield made


@pytest.fixture
def far_box(houses: Houses, base_system: str) -> FarBox:
    box = FarBox(houses.estate, base_system, houses.far, layer_mb=FAR_DISK_MB)
    box.write("/etc/hosts", f"127.0.0.1 localhost\n{houses.home_outside} {OWN_NAME}\n")
    box.run("rm", "-f", "/etc/resolv.conf")
    box.boot()
    return box


@dataclass
class Servers:
    """The old server and the new one. Either may be switched off by itself."""

    houses: Houses
    base: str
    old_estate: Estate
    new_estate: Estate

    def fresh(self, estate: Estate) -> HomeMachine:
        """As Debian's installer leaves it, still where packages can be fetched."""
        machine = HomeMachine(estate, self.base)
        machine.run("mkdir", "-p", "/srv/family")
        return machine

    def switch_on(self, machine: HomeMachine) -> None:
        """Boot it in the house's network."""
        machine.space = self.houses.home
        known = {OWN_NAME: self.houses.home_outside, MAIL_NAME: self.houses.RELAY_ADDRESS}
        names = "".join(f"{address} {name}\n" for name, address in known.items())
        machine.write("/etc/hosts", f"127.0.0.1 localhost\n{names}")
        machine.run("rm", "-f", "/etc/resolv.conf")
        machine.boot()
        machine.run("sh", "-c", "mknod -m 666 /tun c 10 200; mount --bind /tun /dev/net/tun")  # as udev has it

    def old_one_off(self) -> None:
        """Its plug is pulled; the next one at this cable has another address, and the router is told so."""
        self.old_estate.release()
        self.houses.home.nft("flush ruleset")  # what its kernel held goes with it
        self.houses.home_server_is_replaced(NEW_ADDRESS)
        # One that went on with flows of before would cost two minutes more; test_set_up_kit_tunnel.py has that.
        self.houses.home_router.forget_flows()


@pytest.fixture
def servers(houses: Houses, base_system: str) -> Iterator[Servers]:
    with Estate() as old, Estate() as new:
        yield Servers(houses, base_system, old, new)


@pytest.fixture
def mail(houses: Houses, tmp_path: Path) -> Iterator[tuple[MailServer, Path]]:
    """The provider's mail server, out in the internet, and the certificate that it shows."""
    certificate, context = make_certificate(tmp_path, MAIL_NAME)
    server = MailServer(context, "starttls", address=houses.RELAY_ADDRESS, port=587)
    with houses.transit.entered():
        server.start()
    try:
        yield server, certificate
    finally:
        server.stop()


# ---- what a person does, by the README's words


def pair(ruth: Newcomer, far_box: FarBox) -> None:
    """Answer, carry the kit over, set the far box up, and bring its text back."""
    ruth.readme.require_words(
        PAIR,
        f"Take the kit (`/etc/otherroof/kits/{FAR}`) to the far box",
        "read `set-up.sh`, then run it there as root: it shows each step and does nothing without `--apply`",
        "It prints a short text; back at home, paste that text when this asks for it",
    )
    reply: list[str] = []

    def ask(_: str, line: str) -> None:
        said = ruth.at_the_terminal(line, ANSWERS)
        assert "Open UDP port 51820 in home's router" in said
        assert "Carry the kit to the far box" in said
        shutil.copytree(ruth.machine.path(f"/etc/otherroof/kits/{FAR}"), far_box.path(KIT))
        before = far_box.snapshot()
        assert far_box.set_up()[0] == 0
        assert far_box.snapshot() == before
        reply.append(reply_in(far_box.apply()))

    def finish(_: str, line: str) -> None:
        said = ruth.at_the_terminal(line, [("Paste the five lines", reply[0])])
        assert "with its host key: no other machine will be taken for it" in " ".join(said.split())

    ruth.follow(PAIR, {f"sudo otherroof pair {FAR}": ask, f"sudo otherroof pair {FAR} --finish": finish})


def make_family(machine: HomeMachine) -> None:
    """A few photos and a letter, Ruth's own."""
    machine.write(f"{PHOTOS}/2019/summer/beach.jpg", "a beach\n", 0o600)
    machine.write(f"{PHOTOS}/2019/rain.jpg", "rain\n")
    machine.run("sh", "-c", f"head -c 3000000 /dev/urandom >{PHOTOS}/film.mp4; ln {PHOTOS}/film.mp4 {PHOTOS}/best.mp4")
    machine.run("ln", "-s", "2019/summer/beach.jpg", f"{PHOTOS}/cover")
    machine.write(f"{LETTERS}/letter.txt", "dear all\n")
    machine.run("chown", "-hR", f"{PERSON}:{PERSON}", "/srv/family")


def seen(machine: HomeMachine, folder: str) -> dict[bytes, tuple[bytes, ...]]:
    return seen_by_find(Path(machine.path(folder)))


def not_soon() -> str:
    """A time of day at which no run begins while this test goes on."""
    return f"30 {(datetime.now(ZoneInfo(ZONE)).hour + 12) % 24} * * *"


def set_times(machine: HomeMachine, job: str, at: str) -> None:
    """Write `at` into a job's file; folder and far stand there already as they are here."""
    path = f"/etc/otherroof/jobs/{job}.toml"
    text, changed = re.subn(r'^at( *)= "[^"]*"', f'at\\1= "{at}"', machine.read(path), flags=re.MULTILINE)
    assert changed == 1
    machine.write(path, text)


def first_job(ruth: Newcomer) -> None:
    """A copy of the job file with this household's times, a first copy by hand, and the service."""
    copy = "sudo cp jobs/photos.toml /etc/otherroof/jobs/photos.toml"
    assert ruth.readme.comment(FIRST, copy) == "then set folder, far and at"

    def copy_and_set(heading: str, line: str) -> None:
        ruth.type(heading, line)
        set_times(ruth.machine, "photos", not_soon())

    ruth.follow(FIRST, {copy: copy_and_set})
    assert ruth.service() == "active"


def write_mail(ruth: Newcomer, certificate: Path) -> None:
    """`[mail]` and a channel, as the README's example has them, into the settings of the service that runs."""
    example = ruth.machine.read(f"{CHECKOUT}/examples/otherroof.toml")
    mail_and_parents = example[example.index("\n[mail]") : example.index("\n[channel.wenna]")]
    account = f'account       = "{ACCOUNT}"\nca_file       = "/etc/ssl/provider.pem"'
    text, changed = re.subn(r"^account +=.*$", account, mail_and_parents, flags=re.MULTILINE)
    assert changed == 1
    assert f'"{MAIL_NAME}"' in text
    ruth.machine.write("/etc/ssl/provider.pem", certificate.read_text())
    ruth.machine.write("/etc/otherroof/keys/mail", PASSWORD + "\n", 0o600)
    append(ruth.machine, text)


def append(machine: HomeMachine, text: str) -> None:
    with open(machine.path(SETTINGS), "a", encoding="utf-8") as file:
        file.write(text)


def mails_about(mail: MailServer, subject: str) -> list[str]:
    """What the mails say that have `subject` in theirs."""
    return [message.get_content() for message in mail.box.mails if subject in message["subject"]]


def be_told(ruth: Newcomer, mail: MailServer, certificate: Path, far_box: FarBox) -> None:
    """The service runs; what is written now it takes up: whom to tell, and one more job."""
    ruth.readme.require_words(TOLD, "Write `[mail]` and a channel into `otherroof.toml`")
    ruth.readme.require_words(FIRST, "A running service takes up changed settings by itself within a minute or two")
    write_mail(ruth, certificate)
    ruth.machine.run("cp", f"{CHECKOUT}/jobs/documents.toml", "/etc/otherroof/jobs/documents.toml")
    set_times(ruth.machine, "documents", "* * * * *")
    ruth.follow(TOLD)
    assert mails_about(mail, "by channel parents")
    ruth.until_taken_up()
    wait_until(lambda: os.path.exists(far_box.path(f"{FAR_COPIES}/documents/latest/letter.txt")), 150)
    set_times(ruth.machine, "documents", not_soon())
    ruth.until_taken_up()

    sound = ruth.machine.read(SETTINGS)
    append(ruth.machine, '\n[digest]\nta = "0 7 * * 1"\n')
    wait_until(lambda: bool(mails_about(mail, "settings")), 150)
    assert f"{SETTINGS}: digest.ta: " in mails_about(mail, "settings")[0]
    with open(ruth.machine.path(SETTINGS), "w", encoding="utf-8") as file:
        file.write(sound)
    ruth.until_taken_up()


def get_back(ruth: Newcomer) -> None:
    """A part, all as of a day, and all into a folder that was lost."""
    family = seen(ruth.machine, PHOTOS)

    def lost(heading: str, line: str) -> None:
        ruth.machine.run("mv", PHOTOS, "/srv/lost")
        ruth.type(heading, line)

    ruth.follow(BACK, {f"sudo otherroof restore photos --into {PHOTOS}": lost})
    assert list(seen(ruth.machine, "/srv/back/2019/summer")) == [b".", b"./beach.jpg"]
    assert unlike(family, seen(ruth.machine, "/srv/before")) == []
    assert unlike(family, seen(ruth.machine, PHOTOS)) == []


def move(ruth: Newcomer, servers: Servers, installed: Future[HomeMachine]) -> None:
    """The settings folder goes to another machine; the old one is off."""
    family = seen(ruth.machine, PHOTOS)
    number = ruth.machine.run("id", "-u", "otherroof")
    on_the_new_one = ruth.readme.commands(MOVE).index(f"sudo tar -C /etc -xpf {CARRIED}")
    ruth.readme.require_words(
        MOVE, "On the new one follow [Install](#install)", "have the router forward the tunnel's port to it"
    )
    ruth.follow(MOVE, only=slice(on_the_new_one))
    assert ruth.service() == "inactive"
    with open(ruth.machine.path(CARRIED), "rb") as file:
        settings = file.read()
    new = installed.result(300)
    servers.old_one_off()

    ruth.machine = new
    servers.switch_on(ruth.machine)
    ruth.install(booted=True)
    assert ruth.machine.run("id", "-u", "otherroof") != number, "an owner by number would be wrong"
    with open(ruth.machine.path(CARRIED), "wb") as file:
        file.write(settings)

    def until_found(heading: str, line: str) -> None:
        wait_until(lambda: SAYS[heading][line] in ruth.machine.shell(line)[1], 240)

    def each_job(heading: str, line: str) -> None:
        ruth.type(heading, line)
        code, said = ruth.machine.shell(line.replace("photos", "documents"))
        assert code == 0, said

    restore, run = f"sudo otherroof restore photos --into {PHOTOS}", "sudo otherroof run photos"
    deeds = {f"sudo otherroof probe {FAR}": until_found, restore: each_job, run: each_job}
    ruth.follow(MOVE, deeds, only=slice(on_the_new_one, None))
    assert unlike(family, seen(ruth.machine, PHOTOS)) == []
    assert ruth.service() == "active"


def require_known_steps(readme: ReadmeSteps) -> None:
    """The README has every line that is known here, and no commands under a heading at which nobody looks."""
    assert set(readme.headings_with_commands()) == set(SAYS) | BESIDE_THE_PATH
    readme.require_commands(INSTALL, FROM_DEBIAN)
    for heading, lines in SAYS.items():
        readme.require_commands(heading, lines)


def install_new_server(readme: ReadmeSteps, servers: Servers, old: HomeMachine) -> HomeMachine:
    """Another machine, on which others had accounts before: the service's has another number.

    What the two lines that fetch and unpack made on the old one is carried over: they were typed there.
    """
    machine = servers.fresh(servers.new_estate)
    machine.run("useradd", "--system", "gardener")

    def carry_over(*_: str) -> None:
        shutil.copytree(old.path(ENVIRONMENT), machine.path(ENVIRONMENT), symlinks=True)

    deeds: dict[str, Deed] = {MAKE: carry_over, FILL: lambda *_: None}
    Newcomer(readme, machine).install(deeds, booted=False)
    return machine


@pytest.mark.lasts(220)
def test_from_a_bare_debian_to_a_copy_under_another_roof_and_on_to_a_new_server(
    far_box: FarBox, servers: Servers, mail: tuple[MailServer, Path]
) -> None:
    readme = ReadmeSteps(README.read_text(encoding="utf-8"))
    require_known_steps(readme)
    ruth = Newcomer(readme, servers.fresh(servers.old_estate))
    ruth.install(booted=False)
    servers.switch_on(ruth.machine)
    with ThreadPoolExecutor(1) as beside:
        installed = beside.submit(install_new_server, readme, servers, ruth.machine)
        make_family(ruth.machine)
        ruth.install(booted=True)
        pair(ruth, far_box)
        first_job(ruth)
        be_told(ruth, *mail, far_box)
        ruth.follow(SHEET)
        get_back(ruth)
        ruth.follow(KNOWN)
        move(ruth, servers, installed)
    new = ruth.machine
    told = json.loads(new.run("/usr/local/bin/otherroof", "ledger", "--json", "photos"))
    assert [run["outcome"] for run in told["runs"]] == ["done"]
    assert told["runs"][0]["bytes"]["wire_up"] < 1_000_000, "the film of 3 MB is there already"

    new.write(f"{LETTERS}/second.txt", "we have moved\n")
    set_times(new, "documents", "* * * * *")
    wait_until(lambda: os.path.exists(far_box.path(f"{FAR_COPIES}/documents/latest/second.txt")), 240)
