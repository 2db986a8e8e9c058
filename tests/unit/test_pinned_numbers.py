"""Numbers on which other machines or older files rely, and limits that a household was promised: each as it is said.

Each case has its own source of the value: a standard, a worked example, or what a file of an older version holds.
"""

from __future__ import annotations

import hashlib
import ipaddress
import struct
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.local_time import next_month
from otherroof.copying.compare import plan
from otherroof.copying.home.chunks import Chunker, ChunkList, average_for
from otherroof.far import pacing, session
from otherroof.far_copy.listing_key import ListingKey
from otherroof.tunnel.network import address_plan
from otherroof.tunnel.network.address_plan import address_kind, overlap

KIB, MIB = 1024, 1024 * 1024


# -- chunk lists: what an older version kept must be found again --


def test_a_packed_chunk_list_is_little_endian() -> None:
    chunks = ChunkList(0x01020304)
    chunks.add(0x0A0B0C0D, b"t" * 16)
    assert chunks.packed() == b"\x04\x03\x02\x01" + b"\x0d\x0c\x0b\x0a" + b"t" * 16
    assert ChunkList.unpack(chunks.packed()).average == 0x01020304


@pytest.mark.parametrize("cut", [1, 5, 19])
def test_half_a_chunk_list_is_none(cut: int) -> None:
    chunks = ChunkList(64 * KIB)
    chunks.add(1, b"t" * 16)
    with pytest.raises(ValueError, match="not a chunk list"):
        ChunkList.unpack(chunks.packed()[:-cut])


def test_chunks_of_a_file_lie_one_after_the_other() -> None:
    chunks = ChunkList(64 * KIB)
    for length, tag in ((10, b"a" * 16), (20, b"b" * 16), (30, b"c" * 16)):
        chunks.add(length, tag)
    assert chunks.places() == {b"a" * 16: (0, 10), b"b" * 16: (10, 20), b"c" * 16: (30, 30)}


@pytest.mark.parametrize(
    ("size", "average"),
    [
        (MIB, 64 * KIB),
        (64 * MIB - 1, 64 * KIB),
        (64 * MIB, 8 * KIB),
        (1024 * MIB, 8 * KIB),
        (2048 * MIB, 16 * KIB),
    ],
)
def test_files_are_cut_at_the_averages_of_before(size: int, average: int) -> None:
    assert average_for(size) == average


def test_content_is_cut_where_it_was_cut_before() -> None:
    """The first ends in these 300 kB, as the version that first kept such lists cut them."""
    content = b"".join(hashlib.sha256(struct.pack(">I", number)).digest() for number in range(300 * 1000 // 32))
    chunker = Chunker(8 * KIB, bytes(32))
    pieces = [*chunker.feed(content), *chunker.finish()]
    assert b"".join(piece for piece, _ in pieces) == content
    assert [len(piece) for piece, _ in pieces][:6] == FIRST_LENGTHS
    assert max(len(piece) for piece, _ in pieces) <= 32 * KIB
    assert min(len(piece) for piece, _ in pieces[:-1]) >= 2 * KIB


FIRST_LENGTHS = [10042, 11813, 11812, 9646, 10946, 25441]


# -- the listing key's two uses --


def test_listings_of_before_are_proved_by_the_same_keyed_digest() -> None:
    """BLAKE2b keyed, 32 bytes, with a personal string (RFC 7693 §2.5 leaves it to the application)."""
    key = ListingKey(bytes(range(32)))
    mac = key.mac()
    mac.update(b"a line\n")
    wanted = hashlib.blake2b(b"a line\n", key=bytes(range(32)), digest_size=32, person=b"otherroof-list")
    assert mac.digest() == wanted.digest()
    assert (
        key.home_id
        == hashlib.blake2b(b"home", key=bytes(range(32)), digest_size=8, person=b"otherroof-home").hexdigest()
    )
    assert "0102030405" not in repr(key)


# -- how young a file may be --


def test_what_changed_within_a_minute_of_being_read_is_looked_at_again() -> None:
    """The kernel writes back what was changed through memory after about 35 s (vm.dirty_expire_centisecs, 30 s)."""
    assert plan.YOUNG_NS == 60_000_000_000


# -- rates --


def test_a_megabit_is_a_million_bits() -> None:
    """IEC 80000-13; as network cards count."""
    assert pacing.bytes_per_s(8) == 1_000_000


class NotedSocket:
    """A socket that notes the pacing it is told."""

    def __init__(self, reading: pacing.TcpReading) -> None:
        self.reading, self.told = reading, 0

    def setsockopt(self, _level: int, name: int, value: Any) -> None:
        if name == pacing.SO_MAX_PACING_RATE:
            (self.told,) = struct.unpack("=I", value)

    def fileno(self) -> int:
        return 3


def paced(monkeypatch: pytest.MonkeyPatch, *readings: pacing.TcpReading, limit: float) -> list[int]:
    """What each of these connections is told after two looks, under a limit among all of them."""
    monkeypatch.setattr(pacing, "read_tcp_info", lambda sock: sock.reading)
    monkeypatch.setattr(pacing.threading.Thread, "start", lambda _self: None)
    together = pacing.Pacing(limit=lambda: limit)
    sockets = [NotedSocket(reading) for reading in readings]
    for sock in sockets:
        together.add(sock)  # type: ignore[arg-type]
    together._look()
    together._spread(*together._rates())
    return [sock.told for sock in sockets]


BUSY = pacing.TcpReading(0.04, 1000, 1, 0)
WAITING = pacing.TcpReading(0.04, 0, 0, 5000)
IDLE = pacing.TcpReading(0.04, 0, 0, 0)


def test_a_limit_is_shared_by_the_busy_and_an_idle_one_begins_with_its_part(monkeypatch: pytest.MonkeyPatch) -> None:
    assert paced(monkeypatch, BUSY, BUSY, limit=1e6) == [500_000, 500_000]
    assert paced(monkeypatch, BUSY, WAITING, limit=1e6) == [500_000, 500_000], "much waits for its turn"
    assert paced(monkeypatch, BUSY, IDLE, limit=1e6) == [1_000_000, 500_000]


def test_the_first_look_counts_nothing_as_delivered_and_the_least_trip_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Any] = []
    monkeypatch.setattr(pacing, "read_tcp_info", lambda sock: sock.reading)
    monkeypatch.setattr(pacing.threading.Thread, "start", lambda _self: None)
    together = pacing.Pacing(courtesy_s=0.04)
    monkeypatch.setattr(together._courtesy, "look", seen.append)
    sockets = [NotedSocket(pacing.TcpReading(trip, 10_000_000, 1)) for trip in (0.5, 0.04)]
    for sock in sockets:
        together.add(sock)  # type: ignore[arg-type]
    together._look()
    for sock in sockets:
        sock.reading = pacing.TcpReading(sock.reading.round_trip_s, 10_000_700, 1)
    together._look()
    assert [(sample.round_trip_s, sample.delivered) for sample in seen] == [(0.04, 0), (0.04, 1400)]


@pytest.mark.parametrize(("unsent", "waits"), [((0, 0), False), ((0, 9), True)])
def test_courtesy_hears_whether_anything_waits_and_what_is_surely_the_line(
    monkeypatch: pytest.MonkeyPatch, unsent: tuple[int, int], waits: bool
) -> None:
    """Of the busy connection all but a packet's distance is; of the other, which carries little, nothing is known."""
    seen: list[Any] = []
    monkeypatch.setattr(pacing, "read_tcp_info", lambda sock: sock.reading)
    monkeypatch.setattr(pacing.threading.Thread, "start", lambda _self: None)
    moments = iter((10.0, 10.1, 10.2))
    monkeypatch.setattr(pacing, "time", SimpleNamespace(monotonic=lambda: next(moments)))
    together = pacing.Pacing(courtesy_s=0.04)
    monkeypatch.setattr(together._courtesy, "look", seen.append)
    sockets = [NotedSocket(pacing.TcpReading(0.09, 0, 1, segment=1400)) for _ in unsent]
    for sock in sockets:
        together.add(sock)  # type: ignore[arg-type]
    together._look()
    for sock, arrived, left in zip(sockets, (28_000, 1400), unsent, strict=True):
        sock.reading = pacing.TcpReading(0.09, arrived, 1, left, segment=1400)
    together._look()
    assert seen[-1].waits is waits
    assert seen[-1].sure_s == pytest.approx(0.09 - 0.1 / 20)


@pytest.mark.parametrize("held_by_rate", [False, True])
def test_of_what_is_read_courtesy_hears_whether_the_rate_holds_it_back(
    monkeypatch: pytest.MonkeyPatch, held_by_rate: bool
) -> None:
    """If not, it is what may be under way, and that tells nothing of the line. As long as there is no rate it does."""
    seen: list[Any] = []
    monkeypatch.setattr(pacing, "read_tcp_info", lambda sock: sock.reading)
    monkeypatch.setattr(pacing.threading.Thread, "start", lambda _self: None)
    together = pacing.Pacing(courtesy_s=0.04, both_ways=True)
    monkeypatch.setattr(together._courtesy, "look", seen.append)
    together.add(NotedSocket(pacing.TcpReading(0.04, 0, 0, 0, 10_000, 0.05)))  # type: ignore[arg-type]
    assert together.reads is not None
    together.reads.share().held_by_rate = held_by_rate
    together._look()
    for rate in (0.0, 1e6):
        monkeypatch.setattr(together._courtesy, "_rate", rate)
        together._lines[0].sock.reading = pacing.TcpReading(0.04, 0, 0, 0, int(20_000 + rate), 0.05)  # type: ignore
        together._look()
    assert [sample.waits for sample in seen] == [True, held_by_rate]


def test_what_is_read_counts_and_its_own_round_trip_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few requests go out meanwhile: what their acknowledgements took is old, as on the second connection."""
    seen: list[Any] = []
    monkeypatch.setattr(pacing, "read_tcp_info", lambda sock: sock.reading)
    monkeypatch.setattr(pacing.threading.Thread, "start", lambda _self: None)
    together = pacing.Pacing(courtesy_s=0.04, both_ways=True)
    monkeypatch.setattr(together._courtesy, "look", seen.append)
    sockets = [NotedSocket(pacing.TcpReading(0.04, 500, 0, 0, 10_000, trip)) for trip in (0.07, 0.09, 0.0)]
    for sock in sockets:
        together.add(sock)  # type: ignore[arg-type]
    together._look()
    for sock, sent in zip(sockets, (0, 0, 30), strict=True):
        sock.reading = pacing.TcpReading(0.04, 500 + sent, 0, 0, 25_000, sock.reading.receive_trip_s)
    together._look()
    assert [(sample.round_trip_s, sample.delivered) for sample in seen] == [(0.04, 45_030)], "the third has no times"
    for sock in sockets[:2]:
        sock.reading = pacing.TcpReading(0.04, 500, 0, 0, 26_000, sock.reading.receive_trip_s)
    together._look()
    assert seen[-1].round_trip_s == 0.07
    assert together._line_figures().flow == pytest.approx(47_000 / pacing.FLOW_S)


def test_what_came_in_long_ago_is_forgotten_also_if_nobody_minds_a_queue(monkeypatch: pytest.MonkeyPatch) -> None:
    """A whole proof under a limit alone takes hours, and is looked at ten times a second."""
    looks = iter(range(1000))
    monkeypatch.setattr(pacing, "time", SimpleNamespace(monotonic=lambda: next(looks) * pacing.LOOK_EVERY_S))
    together = pacing.Pacing(limit=lambda: 1e6, both_ways=True)
    for _ in range(100):
        together._look()
    assert len(together._arrivals) <= pacing.FLOW_S / pacing.LOOK_EVERY_S + 1


@pytest.mark.parametrize(("options", "known"), [(pacing.TIMESTAMPS, 0.0525), (6, 0.0)])
def test_the_round_trip_of_what_comes_in_is_known_only_by_times_in_the_packets(options: int, known: float) -> None:
    """linux/tcp.h, struct tcp_info: tcpi_options, tcpi_rcv_rtt."""
    info = bytearray(pacing._SIZE)
    info[pacing._OPTIONS] = options
    struct.pack_into("=I", info, pacing._RECEIVE_RTT, 52_500)
    reading = pacing.read_tcp_info(SimpleNamespace(getsockopt=lambda *_: bytes(info)))  # type: ignore[arg-type]
    assert reading is not None
    assert reading.receive_trip_s == known


def test_the_kernels_round_trip_is_in_microseconds() -> None:
    """linux/tcp.h, struct tcp_info: tcpi_rtt."""
    info = bytearray(pacing._SIZE)
    struct.pack_into("=I", info, pacing._RTT, 41_500)
    sock = SimpleNamespace(getsockopt=lambda *_: bytes(info))
    reading = pacing.read_tcp_info(sock)  # type: ignore[arg-type]
    assert reading is not None
    assert reading.round_trip_s == pytest.approx(0.0415)


# -- which key the far box may show --


@pytest.mark.parametrize(
    ("pinned", "asked"), [("ssh-ed25519 AAAA", ("ssh-ed25519",)), ("ssh-rsa AAAA", ("rsa-sha2-512", "rsa-sha2-256"))]
)
def test_only_the_pinned_kind_of_host_key_is_asked_for(
    monkeypatch: pytest.MonkeyPatch, pinned: str, asked: tuple[str, ...]
) -> None:
    """RFC 8332 §3 for RSA; a box with several keys must not be taken for another one."""
    options = SimpleNamespace(ciphers=session.CIPHERS, key_types=())
    told: list[Any] = []

    class Transport:
        initial_kex_done = True

        def __init__(self, _sock: object) -> None: ...

        def get_security_options(self) -> Any:
            return options

        def start_client(self, timeout: float) -> None: ...

        def set_keepalive(self, seconds: float) -> None:
            told.append(seconds)

    monkeypatch.setattr(session, "BoundedTransport", Transport)
    target = session.SshTarget("192.0.2.7", 22, "copykeeper", "", pinned)
    session.negotiate(target, None, None)  # type: ignore[arg-type]
    assert options.key_types == asked
    assert told == [15], "else a router forgets the connection while the far disk is busy"


# -- addresses --


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        # RFC 6890 and the registries it sets up: the first and last address of each block, and those beside it
        ("127.0.0.1", "loopback"),
        ("127.255.255.255", "loopback"),
        ("::1", "loopback"),
        ("224.0.0.1", "multicast"),
        ("239.255.255.255", "multicast"),
        ("ff02::1", "multicast"),
        ("0.1.2.3", "unspecified"),
        ("::", "unspecified"),
        ("100.64.0.1", "shared"),
        ("100.127.255.254", "shared"),
        ("100.128.0.1", "public"),
        ("172.16.0.1", "private"),
        ("172.31.255.254", "private"),
        ("172.32.0.1", "public"),
        ("192.168.255.1", "private"),
        ("10.255.0.1", "private"),
        ("169.254.1.1", "link-local"),
        ("fe80::1", "link-local"),
        ("fd12::1", "unique local"),
        ("8.8.8.8", "public"),
    ],
)
def test_addresses_are_of_their_blocks(address: str, kind: str) -> None:
    assert address_kind(address) == kind


USUAL = (
    *("192.168.178.0/24", "192.168.179.0/24", "192.168.1.0/24", "192.168.88.0/24", "192.168.100.0/24"),
    *("10.8.0.0/24", "10.0.0.0/24", "10.3.0.0/24", "10.42.7.0/24", "172.20.0.0/24", "172.17.0.0/24"),
)


def test_a_block_that_routers_or_tunnels_take_by_themselves_is_never_proposed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Common practice, no source."""
    free, taken = ipaddress.ip_network("10.77.5.0/24"), ipaddress.ip_network("10.78.5.0/24")
    candidates = [*map(ipaddress.ip_network, USUAL), taken, free]
    monkeypatch.setattr(address_plan, "_candidates", lambda: iter(candidates))
    assert address_plan.free_blocks(["10.78.0.0/16"]) == [free]


def test_networks_overlap_if_one_holds_the_other() -> None:
    wide, narrow, other = (ipaddress.ip_network(text) for text in ("10.0.0.0/8", "10.9.8.0/24", "2001:db8::/32"))
    assert overlap(wide, narrow)
    assert overlap(narrow, wide)
    assert not overlap(wide, other)


# -- months --


@pytest.mark.parametrize("day", [1, 28, 29, 30, 31])
def test_the_next_month_begins_at_its_first_midnight(day: int) -> None:
    zone = ZoneInfo("Europe/Berlin")
    assert next_month(datetime(2031, 1, day, 12, tzinfo=UTC), zone) == datetime(2031, 1, 31, 23, tzinfo=UTC)
    assert next_month(datetime(2031, 12, day, 12, tzinfo=UTC), zone) == datetime(2031, 12, 31, 23, tzinfo=UTC)
    if day <= 28:
        assert next_month(datetime(2032, 2, day, 12, tzinfo=UTC), zone) == datetime(2032, 2, 29, 23, tzinfo=UTC)
