"""The lab under test: the line is as slow as it says, routers hide what they say, and nothing is left behind."""

from __future__ import annotations

import os
import pathlib
import signal
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import paramiko
import pytest

from support.lab import EXTENSIONS, Estate, FarSshd, Houses, Line, Plan, Relay, ServerOptions, TunnelPair, require_lab
from support.lab import household as household_module
from support.lab.ownership import journals, started
from support.lab.shaping import HEADERS
from support.lab.straight_line import StraightLine

pytestmark = pytest.mark.lab
PORT = 7007
TRANSLATED = Plan(home_translates=True, far_translates=True, forwarded_port=PORT)


@pytest.fixture(autouse=True)
def _lab() -> None:
    require_lab()


@pytest.fixture
def prompt() -> Iterator[None]:
    """This test's threads run before ordinary ones, as the relay does: what is timed is the line, not the machine."""
    os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(4))
    yield
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


@contextmanager
def relayed(line: Line, *, seed: int = 1) -> Iterator[tuple[Houses, Relay, socket.socket, socket.socket]]:
    """Houses with a relay; a socket at home, which calls, and one at the far box, which answers."""
    with Houses() as houses:
        far = houses.plan.far_address
        with (
            Relay(
                houses.transit, listen=(houses.RELAY_ADDRESS, PORT), target=(far, PORT), out=line, seed=seed
            ) as relay,
            houses.far.udp(far, PORT) as ear,
            houses.home.udp() as mouth,
        ):
            mouth.connect((houses.RELAY_ADDRESS, PORT))
            yield houses, relay, mouth, ear


def arrives(ear: socket.socket, word: bytes, wait_s: float = 2.0) -> tuple[str, int] | None:
    """Who sent `word`, or None if it does not come."""
    until = time.monotonic() + wait_s
    while (left := until - time.monotonic()) > 0:
        ear.settimeout(left)
        try:
            got, sender = ear.recvfrom(2048)
        except TimeoutError:
            return None
        if got == word:
            return str(sender[0]), int(sender[1])
    return None


# The line.


@pytest.mark.usefixtures("prompt")
def test_a_round_trip_takes_the_two_delays() -> None:
    with relayed(Line(delay_ms=20)) as (_, _, mouth, ear):
        trips = []
        for _ in range(15):
            before = time.monotonic()
            mouth.send(b"ping")
            _, sender = ear.recvfrom(64)
            ear.sendto(b"pong", sender)
            mouth.recv(64)
            trips.append((time.monotonic() - before) * 1000)
    assert 40.0 <= statistics.median(trips) < 43.0, trips


@pytest.mark.usefixtures("prompt")
def test_more_than_the_line_carries_is_held_to_its_rate_and_dropped_at_the_tail() -> None:
    line = Line(rate_mbit=20, delay_ms=5, queue_ms=100)
    size = 1500
    times: list[float] = []
    waits: list[float] = []
    with relayed(line) as (_, relay, mouth, ear):

        def hear() -> None:
            while True:
                try:
                    packet = ear.recv(2048)
                except TimeoutError:
                    return
                now = time.monotonic()
                times.append(now)
                waits.append(now - float(packet[:20]))

        ear.settimeout(1)
        listener = threading.Thread(target=hear)
        listener.start()
        begun = time.monotonic()
        while time.monotonic() - begun < 2.0:  # twice the line's rate
            for _ in range(10):
                mouth.send(f"{time.monotonic():<20.6f}".encode().ljust(size - HEADERS, b"x"))
            time.sleep(10 * size * 8 / 40e6)
        listener.join()
        counts = relay.stats()["out"]
    rate = (len(times) - 1) * size * 8 / (times[-1] - times[0]) / 1e6
    assert rate == pytest.approx(20, rel=0.02)
    assert counts["overflowed"] > 0.3 * counts["taken"] / 2
    # Once the queue is full each waits its 100 ms, the delay's 5, and the grains; the median, as this test itself may
    # be late on a busy machine.
    assert 0.100 < statistics.median(waits[len(waits) // 2 :]) < 0.112


@pytest.mark.usefixtures("prompt")
def test_a_hundred_megabits_pass_in_time() -> None:
    with relayed(Line(rate_mbit=102, delay_ms=10)) as (_, relay, mouth, _):
        packet = b"x" * (1500 - HEADERS)
        sent, due = 0, time.monotonic()
        while sent < 8300:  # one second's
            now = time.monotonic()
            due = max(due, now - 0.005)  # what a busy machine has held up for longer is not sent all at once
            while due <= now:
                mouth.send(packet)
                sent += 1
                due += 1500 * 8 / 100e6
            time.sleep(0.0005)
        until = time.monotonic() + 2
        while relay.stats()["out"]["under_way"] and time.monotonic() < until:
            time.sleep(0.05)
        counts = relay.stats()["out"]
    assert counts["taken"] == sent
    assert counts["sent"] > 0.99 * sent, counts
    assert counts["late"] < 0.1 * sent, counts  # more than 2 ms late; none on a machine with time to spare


def test_losses_are_as_many_as_asked_for_and_repeat_with_the_seed() -> None:
    def survivors(seed: int) -> set[int]:
        with relayed(Line(loss=0.1), seed=seed) as (_, _, mouth, ear):
            heard = set()
            for number in range(2000):
                mouth.send(number.to_bytes(4, "big"))
                if number % 100 == 99:
                    time.sleep(0.005)
            ear.settimeout(0.3)
            while True:
                try:
                    heard.add(int.from_bytes(ear.recv(16), "big"))
                except TimeoutError:
                    return heard

    first = survivors(5)
    assert 1800 - 4 * 13.4 < len(first) < 1800 + 4 * 13.4  # four standard deviations of a binomial count
    assert survivors(5) == first


def test_a_cut_line_carries_nothing_until_it_is_mended() -> None:
    with relayed(Line(delay_ms=1)) as (_, relay, mouth, ear):
        mouth.send(b"before")
        sender = arrives(ear, b"before")
        assert sender
        relay.cut()
        mouth.send(b"cut")
        assert arrives(ear, b"cut", 0.2) is None
        relay.mend()
        relay.cut("back")
        mouth.send(b"one way")
        assert arrives(ear, b"one way")
        ear.sendto(b"answer", sender)
        assert arrives(mouth, b"answer", 0.2) is None
        assert relay.stats()["back"]["cut"] == 1


def test_after_a_rebinding_the_target_sees_another_port_and_the_old_one_is_dead() -> None:
    with relayed(Line(delay_ms=1)) as (_, relay, mouth, ear):
        mouth.send(b"one")
        old = arrives(ear, b"one")
        new = relay.rebind()
        mouth.send(b"two")
        seen = arrives(ear, b"two")
        assert old and seen and seen[1] == new[1] != old[1]
        ear.sendto(b"to the old", old)
        assert arrives(mouth, b"to the old", 0.2) is None
        ear.sendto(b"to the new", seen)
        assert arrives(mouth, b"to the new")


def test_the_line_changes_while_it_carries() -> None:
    with relayed(Line()) as (_, relay, mouth, ear):
        relay.shape("out", delay_ms=150)
        before = time.monotonic()
        mouth.send(b"slow")
        assert arrives(ear, b"slow")
        assert 0.15 <= time.monotonic() - before < 0.2
        relay.shape("out", delay_ms=0, largest=600)
        mouth.send(b"x" * 600)
        mouth.send(b"small")
        assert arrives(ear, b"small")
        assert relay.stats()["out"]["too_large"] == 1


# The houses.


def test_routed_houses_reach_each_other() -> None:
    with Houses() as houses, houses.far.udp(port=PORT) as ear, houses.home.udp() as mouth:
        mouth.sendto(b"hello", (houses.far_outside, PORT))
        assert arrives(ear, b"hello") == (houses.plan.home_address, mouth.getsockname()[1])


def test_a_translating_far_router_hides_the_far_box() -> None:
    with (
        Houses(TRANSLATED) as houses,
        houses.far.udp(port=PORT) as ear,
        houses.transit.udp() as stranger,
        houses.home.udp(port=PORT) as home,
    ):
        houses.transit.ip("route", "add", houses.plan.far_lan, "via", houses.plan.far_public)  # as a neighbour might
        for address in (houses.plan.far_address, houses.plan.far_public):
            stranger.sendto(b"let me in", (address, PORT))
        assert arrives(ear, b"let me in", 0.4) is None
        ear.sendto(b"I call", (houses.home_outside, PORT))
        seen = arrives(home, b"I call")
        assert seen and seen[0] == houses.plan.far_public
        home.sendto(b"answer", seen)
        assert arrives(ear, b"answer")


def test_home_is_met_on_its_forwarded_port_and_on_no_other() -> None:
    with (
        Houses(TRANSLATED) as houses,
        houses.home.udp(port=PORT) as forwarded,
        houses.home.udp(port=PORT + 1) as other,
        houses.far.udp() as far,
    ):
        far.sendto(b"other", (houses.home_outside, PORT + 1))
        far.sendto(b"forwarded", (houses.home_outside, PORT))
        assert arrives(forwarded, b"forwarded")
        assert arrives(other, b"other", 0.3) is None


def test_the_far_router_forgets_its_flows_and_takes_another_port() -> None:
    with Houses(TRANSLATED) as houses, houses.home.udp(port=PORT) as home, houses.far.udp() as far:
        far.sendto(b"one", (houses.home_outside, PORT))
        old = arrives(home, b"one")
        houses.far_translation_rebinds()
        far.sendto(b"two", (houses.home_outside, PORT))
        new = arrives(home, b"two")
        assert old and new and old[0] == new[0] and old[1] != new[1]
        home.sendto(b"to the old", old)
        assert arrives(far, b"to the old", 0.3) is None
        home.sendto(b"to the new", new)
        assert arrives(far, b"to the new")


def test_home_moves_to_another_public_address_and_its_name_follows() -> None:
    ask = "import socket, sys\nfor line in sys.stdin: print(socket.gethostbyname('home.example'), flush=True)"
    with Houses(TRANSLATED) as houses, houses.home.udp(port=PORT) as home, houses.far.udp() as far:
        houses.far.name_host("home.example", houses.home_outside)
        asker = houses.far.popen(
            [sys.executable, "-c", ask], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        assert asker.stdin and asker.stdout

        def resolved() -> str:
            asker.stdin.write("?\n")
            return str(asker.stdout.readline().strip())

        old = houses.home_outside
        assert resolved() == old
        far.sendto(b"a flow that stands", (old, PORT))
        caller = arrives(home, b"a flow that stands")
        assert caller
        houses.home_moves("198.18.1.77")
        houses.far.name_host("home.example", houses.home_outside)
        assert resolved() == "198.18.1.77"
        far.sendto(b"to the old", (old, PORT))
        home.sendto(b"on the old flow", caller)
        assert arrives(home, b"to the old", 0.3) is None
        assert arrives(far, b"on the old flow", 0.3) is None
        far.sendto(b"to the new", (houses.home_outside, PORT))
        assert arrives(home, b"to the new")


def test_a_blocked_port_and_a_black_hole_swallow_what_they_should_and_nothing_else() -> None:
    with (
        Houses() as houses,
        houses.far.udp(port=PORT) as ear,
        houses.far.udp(port=PORT + 1) as other,
        houses.home.udp() as mouth,
    ):
        houses.block_udp(PORT)
        mouth.sendto(b"blocked", (houses.far_outside, PORT))
        mouth.sendto(b"free", (houses.far_outside, PORT + 1))
        assert arrives(other, b"free")
        assert arrives(ear, b"blocked", 0.2) is None
        houses.black_hole(1300)
        mouth.sendto(b"x" * 1273, (houses.far_outside, PORT))
        mouth.sendto(b"x" * 1272, (houses.far_outside, PORT))
        assert arrives(ear, b"x" * 1272)
        assert arrives(ear, b"x" * 1273, 0.2) is None
        houses.clear()
        mouth.sendto(b"clear", (houses.far_outside, PORT))
        assert arrives(ear, b"clear")


def test_a_far_box_without_power_answers_again_when_it_has_it() -> None:
    with Houses() as houses, houses.far.udp(port=PORT) as ear, houses.home.udp() as mouth:
        houses.far_power(False)
        mouth.sendto(b"off", (houses.far_outside, PORT))
        assert arrives(ear, b"off", 0.2) is None
        houses.far_power(True)
        until = time.monotonic() + 5
        answered = None
        while not answered and time.monotonic() < until:
            mouth.sendto(b"on", (houses.far_outside, PORT))
            answered = arrives(ear, b"on", 0.3)
        assert answered


def test_an_unknown_name_fails_at_once() -> None:
    with Houses() as houses:
        before = time.monotonic()
        told = houses.home.run(["getent", "ahosts", "nowhere.example"], may_fail=True)
        assert told == ""
        assert time.monotonic() - before < 2


# Tunnel and server.


@pytest.mark.parametrize("calls", ["home", "far"])
def test_the_tunnel_carries_ssh_whoever_calls_and_through_translation(calls: str) -> None:
    plan = Plan(home_translates=True, far_translates=True, forwarded_port=51820) if calls == "far" else Plan()
    with Houses(plan) as houses, TunnelPair(houses, out=Line(delay_ms=5), calls=calls) as tunnel:  # type: ignore[arg-type]
        tunnel.use_congestion_control("cubic", locked=True)
        with FarSshd(space=houses.far, address=tunnel.FAR) as far:
            wire = houses.home.connect(tunnel.FAR, far.port)
            with wire:
                assert wire.recv(4) == b"SSH-"
                assert wire.getsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG) == 1420 - 20 - 20 - 12
                assert wire.getsockopt(socket.IPPROTO_TCP, 13, 16).rstrip(b"\0") == b"cubic"  # TCP_CONGESTION
                with pytest.raises(PermissionError):
                    wire.setsockopt(socket.IPPROTO_TCP, 13, b"reno")
        assert tunnel.relay.stats()["out"]["sent"] > 3


def sftp(far: FarSshd, batch: str) -> subprocess.CompletedProcess[str]:
    known = os.path.join(far.estate.folder, "known")
    with open(known, "w", encoding="ascii") as file:
        file.write(f"[{far.address}]:{far.port} {far.host_key_line}\n")
    options = ["-o", f"UserKnownHostsFile={known}", "-o", "StrictHostKeyChecking=yes", "-o", "BatchMode=yes"]
    argv = ["sftp", "-q", "-F", "none", "-i", far.login_key, *options, "-P", str(far.port), "-b", "-"]
    return subprocess.run(
        [*argv, f"{far.account}@{far.address}"], input=batch, capture_output=True, text=True, timeout=20, check=False
    )


def test_the_server_serves_its_base_with_its_own_keys() -> None:
    with FarSshd() as far:
        assert sftp(far, f"mkdir {far.base}/box\n").returncode == 0
        assert os.listdir(far.base_path) == ["box"]
        far.empty_base()
        assert os.listdir(far.base_path) == []
        before = far.host_key_line
        far.change_host_key()
        assert far.host_key_line != before
        assert sftp(far, "pwd\n").returncode == 0


@pytest.mark.parametrize("external", [False, True])
def test_an_extension_that_is_taken_away_is_neither_offered_nor_served(external: bool) -> None:
    def offered(without: tuple[str, ...]) -> str:
        with FarSshd(options=ServerOptions(without=without, external=external)) as far:
            told = sftp(far, "version\n")
            assert told.returncode == 0, told.stderr
            argv = ["sftp", "-vv", "-F", "none", "-i", far.login_key, "-o", "StrictHostKeyChecking=no"]
            argv += ["-o", "UserKnownHostsFile=/dev/null", "-P", str(far.port), "-b", "/dev/null"]
            argv += [f"{far.account}@{far.address}"]
            again = subprocess.run(argv, capture_output=True, text=True, timeout=20, check=False)
            return again.stderr

    all_of_them, none_of_them = offered(()), offered(EXTENSIONS)
    assert "copy-data" in all_of_them and "posix-rename@openssh.com" in all_of_them
    assert "copy-data" not in none_of_them and "posix-rename@openssh.com" not in none_of_them


def test_a_killed_server_takes_its_sessions_with_it_and_comes_back_the_same() -> None:
    with FarSshd() as far:
        first = far.host_key_line
        with socket.create_connection((far.address, far.port), timeout=5) as wire:
            assert wire.recv(4) == b"SSH-"
            far.kill()
            wire.settimeout(5)
            with pytest.raises(ConnectionError):
                while wire.recv(4096):
                    pass
                raise ConnectionError("closed")
            with pytest.raises(ConnectionRefusedError):
                socket.create_connection((far.address, far.port), timeout=5)
        far.start()
        assert far.host_key_line == first
        assert sftp(far, "pwd\n").returncode == 0


def test_cut_sessions_leave_the_server_listening() -> None:
    with FarSshd() as far, socket.create_connection((far.address, far.port), timeout=5) as wire:
        assert wire.recv(4) == b"SSH-"
        assert far.cut_sessions() > 0
        assert sftp(far, "pwd\n").returncode == 0


def test_a_small_far_disk_gets_full(tmp_path: pathlib.Path) -> None:
    (tmp_path / "big").write_bytes(bytes(2 << 20))
    with FarSshd(options=ServerOptions(disk="1M")) as far:
        told = sftp(far, f"put {tmp_path}/big {far.base}/big\n")
        assert told.returncode != 0
        assert os.statvfs(far.base_path).f_bavail == 0


def test_a_far_clock_that_is_off_shows_in_the_times_it_gives() -> None:
    with FarSshd(options=ServerOptions(clock_off_s=600)) as far, paramiko.SSHClient() as client:
        client.set_missing_host_key_policy(paramiko.AutoAddPolicy())
        client.connect(far.address, far.port, far.account, key_filename=far.login_key, allow_agent=False)
        with client.open_sftp() as session, session.open(f"{far.base}/now", "w") as file:
            assert file.stat().st_mtime == pytest.approx(time.time() + 600, abs=3)
        before = {name for name in os.listdir("/dev/shm") if "faketime" in name}
        assert before
    left = before & set(os.listdir("/dev/shm"))
    assert left == set()


def test_a_chrooted_account_sees_only_its_roof() -> None:
    with FarSshd(options=ServerOptions(chroot=True)) as far:
        assert sftp(far, f"mkdir {far.base}/inside\n").returncode == 0
        assert os.path.isdir(os.path.join(far.base_path, "inside"))
        assert sftp(far, "ls /etc\n").returncode != 0


def test_the_settings_that_the_lab_writes_are_sound(tmp_path: pathlib.Path) -> None:
    from otherroof.settings import check_machine, read_parts

    folder = os.path.join(tmp_path, "photos")
    os.mkdir(folder)
    with FarSshd() as far:
        where = household_module.write_settings(
            os.path.join(tmp_path, "config"), far, {"photos": {"folder": folder, "guard": {"from_files": 3}}}
        )
        parts = read_parts(where)
        assert [one.line() for one in parts.mistakes + check_machine(parts)] == []
        assert parts.far["heron"].port == far.port
        assert parts.jobs["photos"].guard.from_files == 3


# Nothing is left behind.


def traces(token: str) -> list[str]:
    """Every namespace, hosts folder and journal that carries `token`."""
    places = ("/run/netns", "/etc/netns", journals(), "/run/wireguard")
    return [
        f"{place}/{name}" for place in places if os.path.isdir(place) for name in os.listdir(place) if token in name
    ]


def test_two_labs_at_once_do_not_meet_and_leave_nothing() -> None:
    with Houses() as one, Houses() as two:
        with TunnelPair(one, out=Line()) as first, TunnelPair(two, out=Line()) as second:
            assert first.home.interface != second.home.interface
            pids = [first.relay.pid, second.relay.pid]
        assert traces(one.estate.number) and traces(two.estate.number)
    for houses in (one, two):
        assert traces(houses.estate.number) == []
        assert traces(houses.estate.token) == []
    assert [started(pid) for pid in pids] == [0, 0]


def test_a_failing_test_leaves_nothing() -> None:
    with pytest.raises(ZeroDivisionError), Houses() as houses, TunnelPair(houses, out=Line()):
        houses.far.popen(["sleep", "1000"])
        raise ZeroDivisionError
    assert traces(houses.estate.number) == []


OWNER = """
import os, sys
from support.lab import FarSshd, Houses, Line, ServerOptions, TunnelPair
houses = Houses()
tunnel = TunnelPair(houses, out=Line())
far = FarSshd(space=houses.far, address=tunnel.FAR, options=ServerOptions(disk="1M"))
local = FarSshd()
print(houses.estate.number, far.estate.folder, local.pid, tunnel.relay.pid, flush=True)
sys.stdin.read()
"""


def test_an_owner_that_is_killed_leaves_nothing() -> None:
    tests = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    with subprocess.Popen(
        [sys.executable, "-c", OWNER],
        env={**os.environ, "PYTHONPATH": tests},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as owner:
        assert owner.stdout
        number, folder, *pids = owner.stdout.readline().split()
        assert traces(number) and all(started(int(pid)) for pid in pids)
        owner.send_signal(signal.SIGKILL)
        owner.wait(5)
    until = time.monotonic() + 15
    while (traces(number) or os.path.exists(folder) or any(started(int(pid)) for pid in pids)) and (
        time.monotonic() < until
    ):
        time.sleep(0.1)
    assert traces(number) == []
    assert not os.path.exists(folder)
    assert [started(int(pid)) for pid in pids] == [0, 0]
    with open("/proc/mounts", encoding="utf-8") as file:
        assert folder not in file.read()


# -- the tests' own order --


def test_what_is_marked_together_goes_to_one_process(request: pytest.FixtureRequest) -> None:
    """By what stands behind a test's name: the one thing that the process sees which shares them out."""
    if not getattr(request.config.option, "loadgroup", False):
        pytest.skip("one process has all tests")
    marked = [item for item in request.session.items if item.get_closest_marker("together")]
    grouped = {item for item in request.session.items if item.nodeid.rpartition("]")[2].count("@") == 1}
    assert grouped <= set(marked)
    assert {item for item in marked if item.get_closest_marker("together").args} <= grouped
    assert {item for item in marked if not item.get_closest_marker("slow")} <= grouped


@pytest.mark.usefixtures("prompt")
def test_a_straight_line_is_as_long_as_it_says_and_its_queue_no_longer() -> None:
    line = Line(rate_mbit=8, delay_ms=20, queue_ms=50)
    with Estate() as estate:
        straight = StraightLine(estate, line)
        with straight.far.udp(straight.FAR, PORT) as ear, straight.home.udp() as mouth:
            mouth.connect((straight.FAR, PORT))
            begun = time.monotonic()
            mouth.send(b"first")
            assert ear.recv(100) == b"first"
            assert time.monotonic() - begun >= line.delay_ms / 1000
            ear.settimeout(0.5)
            for _ in range(500):
                mouth.send(bytes(1000))  # half a second's worth, all at once
            came = 0
            try:
                while ear.recv(2000):
                    came += 1
            except TimeoutError:
                pass
    assert 40 <= came < 400, "some 50 fit into the queue, and a few go on meanwhile"
