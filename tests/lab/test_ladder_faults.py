"""Faults of the way, in namespaces, each named by the right rung of `otherroof probe` within its time."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from otherroof.ledger import Ledger
from support.lab.houses import Plan
from support.lab.need import require_lab
from support.lab.pair_of_houses import FAR, PORT, PairOfHouses
from support.lab.sshd import ServerOptions
from support.lab.tunnel import make_tunnel_keys

pytestmark = [pytest.mark.lab, pytest.mark.together]

# Each rung's time in seconds, and by how much it may go over it before it is left behind.
LIMIT_S = {
    "settings and keys": 5,
    "default route": 10,
    "names": 20,
    "address plan": 10,
    "interface": 90,
    "handshake": 60,
    "far address": 20,
    "full packets": 45,
    "SSH speaks": 30,
    "host key": 5,
    "login": 15,
    "extensions": 30,
    "base": 60,
    "clock": 5,
}
GRACE_S = 2


@pytest.fixture(autouse=True, scope="module")
def lab() -> None:
    require_lab()


@pytest.fixture(scope="module")
def calling(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PairOfHouses]:
    """Role "call", whose handshakes come at once; each test puts right again what it spoilt."""
    with PairOfHouses(tmp_path_factory.mktemp("calling") / "settings", role="call") as pair:
        yield pair


def decided(found: dict[str, Any]) -> tuple[str, str, str]:
    """The rung that decided, what it saw and what it advises; no rung took longer than its time."""
    assert [one for one in found["rungs"] if one["took_s"] > LIMIT_S[one["rung"]] + GRACE_S] == []
    states = [one["state"] for one in found["rungs"]]
    first = found["rungs"][states.index("not ok")]
    assert found["headline"] == f"{first['rung']}: {first['seen']}"
    return first["rung"], first["seen"], first["advice"]


def later(found: dict[str, Any], rung: str) -> set[str]:
    names = [one["rung"] for one in found["rungs"]]
    return {one["state"] for one in found["rungs"][names.index(rung) + 1 :]}


@contextlib.contextmanager
def swallowed(pair: PairOfHouses, match: str) -> Iterator[None]:
    """The far box's own firewall drops what fits, without a word."""
    hook = "type filter hook input priority filter;"
    pair.houses.far.nft(f"table ip faults {{\n chain arriving {{\n {hook}\n {match} drop\n }}\n}}\n")
    try:
        yield
    finally:
        pair.houses.far.nft("delete table ip faults\n")


def test_wrong_pinned_host_key_is_named_and_nothing_is_tried_behind_it(calling: PairOfHouses) -> None:
    calling.sshd.change_host_key()
    try:
        code, found = calling.probe()
    finally:
        calling.write()
    rung, seen, advice = decided(found)
    assert (code, rung) == (3, "host key")
    assert "is not the pinned one" in seen
    assert "nothing was sent" in advice
    assert not found["answered"]
    assert later(found, "host key") == {"not tried"}


def test_far_box_that_lost_our_key_is_told_from_one_that_is_away(calling: PairOfHouses) -> None:
    os.rename(calling.sshd.login_key, calling.sshd.login_key + ".aside")
    subprocess.run(
        ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", calling.sshd.login_key], check=True, timeout=10
    )
    calling.write()
    try:
        code, found = calling.probe()
    finally:
        os.rename(calling.sshd.login_key + ".aside", calling.sshd.login_key)
        calling.write()
    rung, seen, _ = decided(found)
    assert (code, rung) == (3, "login")
    assert "does not let" in seen
    assert found["answered"], "it proved its host key"


def test_ssh_server_that_is_not_running_is_told_as_refused(calling: PairOfHouses) -> None:
    calling.sshd.stop()
    try:
        code, found = calling.probe()
    finally:
        calling.sshd.start()
    rung, seen, advice = decided(found)
    assert (code, rung) == (3, "SSH speaks")
    assert "nothing listens there" in seen
    assert "sshd" in advice


def test_firewall_that_swallows_ssh_is_told_as_silence(calling: PairOfHouses) -> None:
    with swallowed(calling, "tcp dport 22"):
        code, found = calling.probe()
    rung, seen, _ = decided(found)
    assert (code, rung) == (3, "SSH speaks")
    assert "no answer within 15 s" in seen


def test_something_else_on_the_port_is_not_taken_for_ssh(calling: PairOfHouses) -> None:
    calling.sshd.stop()
    listening = calling.houses.far.popen(
        [
            "python3",
            "-c",
            f"import socket; s = socket.create_server(('{FAR}', 22)); print(flush=True)\n"
            "while True: c, _ = s.accept(); c.sendall(b'HTTP/1.0 400 what?\\r\\n\\r\\n'); c.close()",
        ],
        stdout=subprocess.PIPE,
    )
    try:
        assert listening.stdout is not None
        listening.stdout.readline()
        code, found = calling.probe()
    finally:
        listening.terminate()
        listening.wait(10)
        calling.sshd.start()
    rung, seen, _ = decided(found)
    assert (code, rung) == (3, "SSH speaks")
    assert "does not speak SSH" in seen


def test_far_box_without_icmp_is_asked_over_tcp(calling: PairOfHouses) -> None:
    with swallowed(calling, "icmp type echo-request"):
        code, found = calling.probe()
    assert code == 0, found
    states = {one["rung"]: (one["state"], one["seen"]) for one in found["rungs"]}
    assert states["far address"][1].startswith("TCP answers")
    assert states["full packets"][0] == "not tried"


def test_far_address_that_answers_nothing_is_told_from_a_missing_handshake(calling: PairOfHouses) -> None:
    calling.write(far_more={"address": "10.77.31.9"})
    try:
        code, found = calling.probe()
    finally:
        calling.write(far_more={"address": FAR})
    assert (code, decided(found)[0]) == (3, "far address")


def test_far_name_that_does_not_resolve_is_the_headline(calling: PairOfHouses) -> None:
    calling.write(far_name=f"nowhere.example.net:{PORT}")
    try:
        code, found = calling.probe()
    finally:
        calling.write(far_name=f"heron.example.net:{PORT}")
    assert (code, decided(found)[0]) == (3, "names")


def test_home_without_a_default_route_is_told_so(calling: PairOfHouses) -> None:
    calling.houses.home.ip("route", "del", "default")
    try:
        code, found = calling.probe()
    finally:
        calling.houses.home.ip("route", "add", "default", "via", "192.168.71.1")
    assert (code, decided(found)[0]) == (3, "default route")


def test_black_hole_for_large_packets_is_measured_and_the_advice_cures_it(calling: PairOfHouses) -> None:
    """Outer packets of more than 1400 bytes vanish: over IPv4 the tunnel adds 60, so 1340 pass (RFC 791, 768; the
    WireGuard paper §5.4.6); padding to 16 bytes may cost a few more."""
    calling.houses.black_hole(over=1400)
    try:
        code, found = calling.probe()
        rung, _, advice = decided(found)
        assert (code, rung) == (3, "full packets")
        largest = int(advice.partition("mtu = ")[2].partition("`")[0])
        assert 1340 - 16 <= largest <= 1340
        calling.write(mtu=largest)
        code, found = calling.probe()
        assert code == 0, found["headline"]
    finally:
        calling.houses.clear()
        calling.write(mtu=0)


def test_overlapping_lans_are_explained_with_free_blocks(calling: PairOfHouses) -> None:
    calling.write(reach=["10.77.31.0/24", "192.168.71.0/24"])
    try:
        code, found = calling.probe()
        assert not calling.home_has_tunnel(), "no route into the tunnel may take over the home's own LAN"
    finally:
        calling.write(reach=["10.77.31.0/24"])
    rung, seen, advice = decided(found)
    assert (code, rung) == (3, "address plan")
    assert "are the same network 192.168.71.0/24" in seen
    assert "Free blocks: 10." in advice


def test_two_houses_with_the_same_lan_work_as_long_as_only_the_tunnels_network_is_reached(tmp_path: Path) -> None:
    same = Plan("192.168.1.0/24", "192.168.1.0/24", home_translates=True, far_translates=True, forwarded_port=PORT)
    with PairOfHouses(tmp_path / "settings", plan=same) as pair:
        code, found = pair.probe()
        assert code == 0, found["headline"]
        pair.write(reach=["10.77.31.0/24", "192.168.1.0/24"])
        code, found = pair.probe()
        assert (code, decided(found)[0]) == (3, "address plan")


def test_far_clock_that_is_ten_minutes_off_asks_for_a_look(tmp_path: Path) -> None:
    with PairOfHouses(tmp_path / "settings", role="call", server=ServerOptions(clock_off_s=-600)) as pair:
        code, found = pair.probe()
    rung, seen, advice = decided(found)
    assert (code, rung) == (1, "clock")
    # Set 600 s back; SFTP tells whole seconds, so one more or less.
    assert re.search(r"\b(9 min 59 s|10 min|10 min 1 s) behind ours", seen), seen
    assert "timedatectl" in advice
    assert found["answered"]


def test_full_far_disk_asks_for_a_look_and_a_missing_base_too(tmp_path: Path) -> None:
    with PairOfHouses(tmp_path / "settings", role="call", server=ServerOptions(disk="1M")) as pair:
        filler = os.path.join(pair.sshd.base_path, "filler")
        with open(filler, "wb") as file:
            try:
                file.write(bytes(2 << 20))
                file.flush()
            except OSError as problem:
                assert problem.errno == 28
        code, found = pair.probe()
        rung, seen, advice = decided(found)
        assert (code, rung) == (1, "base")
        assert "the far disk is full" in seen
        assert "make room there" in advice
        assert found["answered"]
        assert later(found, "base") == {"ok"}, "a file without content tells the clock all the same"
        left = os.listdir(pair.sshd.base_path)
        assert left == ["filler"], "the probe left nothing behind"
        pair.write(far_more={"base": "/nowhere/at/all"})
        code, found = pair.probe()
        assert (code, decided(found)[0]) == (1, "base")
        assert "is not there" in found["headline"]


def wrong_far_key(pair: PairOfHouses, folder: Path) -> None:
    _, other = make_tunnel_keys(str(folder), "other.key")
    pair.write(far_key=other)


def udp_blocked(pair: PairOfHouses, folder: Path) -> None:
    pair.houses.block_udp(PORT)


def far_box_off(pair: PairOfHouses, folder: Path) -> None:
    pair.houses.far_power(on=False)


def own_firewall(pair: PairOfHouses, folder: Path) -> None:
    hook = "type filter hook input priority filter;"
    pair.houses.home.nft(f"table inet household {{\n chain arriving {{\n {hook}\n udp dport {PORT} drop\n }}\n}}\n")


SILENT: dict[str, tuple[Callable[[PairOfHouses, Path], None], str, str]] = {
    "wrong far key": (wrong_far_key, "calls arrive but do not fit our keys", "compare the keys"),
    "udp blocked": (udp_blocked, "nothing arrives at UDP port", "no provider block that port"),
    "far box off": (far_box_off, "nothing arrives at UDP port", "is the far box on and online"),
    "own firewall": (own_firewall, "or this machine's own firewall drops them", f"admit UDP port {PORT}"),
}


@pytest.mark.slow
@pytest.mark.lasts(80)
def test_ways_without_a_handshake_are_told_apart_within_their_time(tmp_path: Path) -> None:
    """Pairs of houses at once, since each of these takes up to a minute of waiting. Role "answer", the usual one."""

    def one(name: str) -> tuple[int, dict[str, Any], int]:
        folder = tmp_path / name.replace(" ", "-")
        folder.mkdir()
        with PairOfHouses(folder / "settings") as pair:
            SILENT[name][0](pair, folder)
            code, found = pair.probe()
            assert not pair.home_has_tunnel(), "a failed probe leaves no tunnel behind"
            pair.houses.clear()
            pair.houses.home.run(["nft", "delete", "table", "inet", "household"], may_fail=True)
            pair.houses.far_power(on=True)
            pair.write(far_key=pair.end.public_key)
            again, _ = pair.probe()
            with Ledger(f"{pair.where}/state/ledger.sqlite") as ledger:
                assert [row.answered for row in ledger.probes.rows(far="heron")] == [True, False]
        return code, found, again

    with ThreadPoolExecutor(len(SILENT)) as pool:
        results = dict(zip(SILENT, pool.map(one, SILENT), strict=True))
    for name, (code, found, again) in results.items():
        _, says, advises = SILENT[name]
        rung, seen, advice = decided(found)
        assert (name, code, rung) == (name, 3, "handshake")
        assert says in seen
        assert advises in advice
        assert later(found, "handshake") == {"not tried"}
        assert (name, again) == (name, 0), "with the fault gone it is well again, with nobody's help"
