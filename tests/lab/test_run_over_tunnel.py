"""`otherroof run` over the product's own tunnel between two houses: it copies, meets faults, and loses nothing."""

from __future__ import annotations

import hashlib
import json
import os
import random
import subprocess
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from otherroof.ledger import Ledger
from support.intruder import ACCOUNT
from support.lab.need import require_lab
from support.lab.pair_of_houses import PORT, PairOfHouses
from support.lab.sshd import ServerOptions
from support.lab.tunnel import make_tunnel_keys

pytestmark = [pytest.mark.lab, pytest.mark.together]

OUTAGE_S = 60.0


@pytest.fixture(autouse=True, scope="module")
def lab() -> None:
    require_lab()


def furnish(folder: Path, *, large: int = 0) -> Path:
    """A few files of a household; one of `large` random bytes."""
    dice = random.Random(7)
    (folder / "letters").mkdir(parents=True)
    for number in range(20):
        (folder / "letters" / f"{number}.txt").write_bytes(dice.randbytes(200 + 37 * number))
    if large:
        (folder / "film.bin").write_bytes(dice.randbytes(large))
    return folder


def run(pair: PairOfHouses, *, wait_s: float = 200.0) -> tuple[int, dict[str, Any]]:
    done = pair.otherroof("run", "papers", "--json", wait_s=wait_s)
    try:
        return done.returncode, json.loads(done.stdout)["runs"][0]
    except (ValueError, KeyError, IndexError) as problem:
        raise AssertionError(f"run printed no report: {done.stdout}{done.stderr}") from problem


def status(pair: PairOfHouses) -> dict[str, Any]:
    """What `otherroof status` says."""
    found: dict[str, Any] = json.loads(pair.otherroof("status", "--json").stdout)
    return found


def digests(folder: Path) -> dict[str, str]:
    """Every file below `folder`, by path, with its digest as a standard tool would print it."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            digest = hashlib.blake2b(path.read_bytes(), digest_size=32)
            found[str(path.relative_to(folder))] = digest.hexdigest()
    return found


def far_copy(pair: PairOfHouses) -> Path:
    return Path(pair.sshd.base_path) / "papers" / "latest"


def pair_with_job(where: Path, folder: Path, **more: Any) -> PairOfHouses:
    return PairOfHouses(where, jobs={"papers": {"folder": str(folder)}}, **more)


@pytest.mark.parametrize("role", ["answer", "call"])
def test_run_brings_the_tunnel_up_copies_and_takes_it_down(tmp_path: Path, role: str) -> None:
    folder = furnish(tmp_path / "papers")
    with pair_with_job(tmp_path / "settings", folder, role=role) as pair:
        code, report = run(pair)
        assert (code, report["outcome"]) == (0, "done"), report["reason"]
        assert digests(far_copy(pair)) == digests(folder)
        assert not pair.home_has_tunnel()
        with Ledger(f"{pair.where}/state/ledger.sqlite") as ledger:
            (session,) = ledger.tunnels.rows()
            (row,) = ledger.runs.rows(job="papers")
            assert row.ended is not None
            assert session.down is not None
            assert row.started <= session.up <= session.down <= row.ended, (
                "the tunnel goes down, then the run's end is told"
            )
            assert session.sent is not None
            assert session.sent > report["bytes"]["new"], "what was copied went through the tunnel"
            assert ledger.answers.last("heron") is not None


# For one verb: a /run/wireguard of root's own, as another tunnel's program left it, and the device as udev makes it.
AS_ON_DEBIAN = (
    "mount -t tmpfs -o mode=755 none /run/wireguard && mount -t tmpfs none /dev/net"
    ' && mknod -m 666 /dev/net/tun c 10 200 && "$@"; code=$?; stat -c %u /run/wireguard >&2; exit $code'
)


def test_a_run_by_root_carries_the_tunnel_as_the_state_folders_owner(tmp_path: Path) -> None:
    folder = furnish(tmp_path / "papers")
    with pair_with_job(tmp_path / "settings", folder, role="call") as pair:
        state, keys = Path(pair.where, "state"), Path(pair.where, "keys")
        state.mkdir()
        for path in (state, keys, *keys.iterdir()):
            os.chown(path, ACCOUNT, ACCOUNT)
        Path("/run/wireguard").mkdir(exist_ok=True)
        verb = ["unshare", "-m", "sh", "-c", AS_ON_DEBIAN, "sh", *pair.program("run", "papers", "--json")]
        argv = pair.houses.home.argv(verb)
        done = subprocess.run(argv, capture_output=True, text=True, timeout=200, check=False)
        assert done.returncode == 0, (done.stdout, done.stderr)
        assert digests(far_copy(pair)) == digests(folder)
        assert done.stderr.split()[-1] == str(ACCOUNT), "the service finds a folder that it can use"
        assert not pair.home_has_tunnel()
        made = [path for top in (state, keys) for path in top.rglob("*")]
        assert {path.lstat().st_uid for path in made} == {ACCOUNT}
        assert {path.name for path in made} >= {"heron.use", "heron.turn", "listing.key"}


@pytest.fixture(scope="module")
def calling(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PairOfHouses]:
    """Role "call" with one run already made; each test changes a file, meets its fault, and puts that right."""
    root = tmp_path_factory.mktemp("calling")
    with pair_with_job(root / "settings", furnish(root / "papers"), role="call") as pair:
        assert run(pair)[0] == 0
        yield pair


Fault = Callable[[PairOfHouses], None]


def other_host_key(pair: PairOfHouses) -> None:
    pair.sshd.change_host_key()


def pin_again(pair: PairOfHouses) -> None:
    pair.write()


def black_hole(pair: PairOfHouses) -> None:
    pair.houses.black_hole(over=1400)


def clear(pair: PairOfHouses) -> None:
    pair.houses.clear()


def overlap(pair: PairOfHouses) -> None:
    pair.write(reach=["10.77.31.0/24", "192.168.71.0/24"])


def no_overlap(pair: PairOfHouses) -> None:
    pair.write(reach=["10.77.31.0/24"])


def no_sshd(pair: PairOfHouses) -> None:
    pair.sshd.stop()


def sshd(pair: PairOfHouses) -> None:
    pair.sshd.start()


@pytest.mark.parametrize(
    ("spoil", "mend", "reason"),
    [
        pytest.param(other_host_key, pin_again, "is not the pinned one", id="wrong pinned host key"),
        pytest.param(black_hole, clear, "full packets: packets of 1440 bytes vanish", id="MTU black hole"),
        pytest.param(overlap, no_overlap, "address plan: ", id="overlapping LANs"),
        pytest.param(no_sshd, sshd, "nothing listens there", id="no SSH server"),
    ],
)
def test_run_that_meets_a_fault_ends_as_failed_with_its_reason_and_loses_nothing(
    calling: PairOfHouses, spoil: Fault, mend: Fault, reason: str
) -> None:
    folder = Path(calling.where).parent / "papers"
    before = digests(far_copy(calling))
    (folder / "letters" / "3.txt").write_text(f"changed before {reason}")
    spoil(calling)
    try:
        code, report = run(calling)
        assert (code, report["outcome"]) == (3, "failed")
        assert reason in report["reason"]
        assert digests(far_copy(calling)) == before, "nothing was written, and nothing is lost"
        assert not calling.home_has_tunnel()
        with Ledger(f"{calling.where}/state/ledger.sqlite") as ledger:
            newest = ledger.runs.rows(job="papers", newest=1)[0].report
            assert (newest.outcome, newest.reason) == ("failed", report["reason"])
    finally:
        mend(calling)
    code, report = run(calling)
    assert (code, report["outcome"]) == (0, "done"), report["reason"]
    assert digests(far_copy(calling)) == digests(folder)


def test_far_clock_that_is_off_is_noted_and_the_copy_is_made_all_the_same(tmp_path: Path) -> None:
    folder = furnish(tmp_path / "papers")
    server = ServerOptions(clock_off_s=600)
    with pair_with_job(tmp_path / "settings", folder, role="call", server=server) as pair:
        code, report = run(pair)
        assert (code, report["outcome"]) == (1, "done with problems")
        (note,) = report["problems"]
        assert note["why"].startswith("the far clock is ")
        assert "10 min" in note["why"]
        assert "ahead of ours" in note["why"]
        assert status(pair)["far"][0]["notes"] == [note["why"]]
        assert digests(far_copy(pair)) == digests(folder)


def fill_up(pair: PairOfHouses, folder: Path) -> dict[str, str]:
    """A run whose new file does not fit; returns the digests of the far copy before it."""
    assert run(pair)[0] == 0
    before = digests(far_copy(pair))
    (folder / "film.bin").write_bytes(random.Random(8).randbytes(5 << 20))
    code, report = run(pair)
    assert (code, report["outcome"]) == (1, "failed"), report
    assert "full" in report["reason"] or "space" in report["reason"]
    return before


def test_full_far_disk_ends_the_run_keeps_what_is_there_and_room_lets_it_go_on(tmp_path: Path) -> None:
    folder = furnish(tmp_path / "papers")
    with pair_with_job(tmp_path / "settings", folder, role="call", server=ServerOptions(disk="3M")) as pair:
        before = fill_up(pair, folder)
        assert {path: value for path, value in digests(far_copy(pair)).items() if path in before} == before
        assert not pair.home_has_tunnel()
        subprocess.run(["mount", "-o", "remount,size=16M", pair.sshd.base_path], check=True, timeout=10)
        code, report = run(pair)
        assert (code, report["outcome"]) == (0, "done"), report["reason"]
        assert digests(far_copy(pair)) == digests(folder)


def wrong_far_key(pair: PairOfHouses) -> None:
    _, other = make_tunnel_keys(pair.where, "other.key")
    pair.write(far_key=other)


def right_far_key(pair: PairOfHouses) -> None:
    pair.write(far_key=pair.end.public_key)


def far_box_off(pair: PairOfHouses) -> None:
    pair.houses.far_power(on=False)


def far_box_on(pair: PairOfHouses) -> None:
    pair.houses.far_power(on=True)


def port_blocked(pair: PairOfHouses) -> None:
    pair.houses.block_udp(PORT)


# What befalls, what ends it, and what the reason says of it.
NO_HANDSHAKE: dict[str, tuple[Fault, Fault, str]] = {
    "far box off": (far_box_off, far_box_on, "nothing arrives at UDP port"),
    "UDP port blocked": (port_blocked, clear, "nothing arrives at UDP port"),
    "wrong far key": (wrong_far_key, right_far_key, "calls arrive but do not fit our keys"),
}


@pytest.mark.slow
@pytest.mark.lasts(75)
def test_run_without_a_handshake_fails_with_its_reason_and_a_later_one_goes_on(tmp_path: Path) -> None:
    """Three pairs of houses at once, since each of these takes up to a minute of waiting. Role "answer"."""

    def one(name: str) -> None:
        befalls, ends, reason = NO_HANDSHAKE[name]
        root = tmp_path / name.replace(" ", "-")
        folder = furnish(root / "papers")
        with pair_with_job(root / "settings", folder) as pair:
            assert run(pair)[0] == 0
            before = digests(far_copy(pair))
            (folder / "letters" / "3.txt").write_text(f"changed before {name}")
            befalls(pair)
            code, report = run(pair)
            assert (name, code, report["outcome"]) == (name, 3, "failed")
            assert "handshake: " in report["reason"]
            assert reason in report["reason"]
            assert digests(far_copy(pair)) == before, "nothing is lost"
            assert not pair.home_has_tunnel()
            ends(pair)
            code, report = run(pair)
            assert (name, code, report["outcome"]) == (name, 0, "done"), report["reason"]
            assert digests(far_copy(pair)) == digests(folder)

    with ThreadPoolExecutor(len(NO_HANDSHAKE)) as pool:
        list(pool.map(one, NO_HANDSHAKE))


def outage(pair: PairOfHouses) -> None:
    """Nothing crosses for a minute, then everything does again."""
    pair.houses.block_udp(PORT)
    time.sleep(OUTAGE_S)
    pair.houses.clear()


def home_moves(pair: PairOfHouses) -> None:
    pair.home_moves("198.18.1.77")


@pytest.mark.slow
@pytest.mark.lasts(150)
def test_outage_in_the_middle_of_a_large_file_costs_time_but_sends_nothing_again(tmp_path: Path) -> None:
    """Two pairs of houses at once: a minute of silence, and a home that gets another public address meanwhile."""
    size = 40 << 20

    def one(name: str, befalls: Callable[[PairOfHouses], None]) -> dict[str, Any]:
        root = tmp_path / name
        folder = furnish(root / "papers", large=size)
        with pair_with_job(root / "settings", folder, far_more={"limit_mbit": 16}) as pair:
            argv = pair.houses.home.argv(pair.program("run", "papers", "--json"))
            with subprocess.Popen(argv, stdout=subprocess.PIPE, text=True) as running:
                wait_for_growth(Path(pair.sshd.base_path) / "papers" / "incoming", size // 4)
                befalls(pair)
                out, _ = running.communicate(timeout=400)
            report: dict[str, Any] = json.loads(out)["runs"][0]
            assert (running.returncode, report["outcome"]) == (0, "done"), report["reason"]
            assert digests(far_copy(pair)) == digests(folder)
            assert not pair.home_has_tunnel()
            return report

    with ThreadPoolExecutor(2) as pool:
        reports = list(pool.map(one, ("outage", "moved"), (outage, home_moves)))
    for report in reports:
        # TCP payload on the wire: the content once, requests and SSH around it, and what was in flight as it broke.
        assert report["bytes"]["wire_up"] < size * 1.02 + (16 << 20)
        assert report["seconds"]["total"] < 300


def wait_for_growth(folder: Path, size: int) -> None:
    """Until so many bytes lie in `folder`; the run has begun to send by then."""
    until = time.monotonic() + 120
    while time.monotonic() < until:
        if folder.is_dir() and sum(entry.stat().st_size for entry in os.scandir(folder) if entry.is_file()) >= size:
            return
        time.sleep(0.2)
    raise AssertionError(f"{folder} never held {size} bytes")
