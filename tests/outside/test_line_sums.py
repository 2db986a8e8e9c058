"""Sums about a line against published ones: RFC 6349's examples, goodput and overhead by packet sizes, loss, units."""

from __future__ import annotations

import math

import pytest

from otherroof.base.units import size_text
from otherroof.far import requests
from otherroof.far.sftp import codec
from otherroof.forecast.planning import packets
from otherroof.forecast.planning.copy_time import Work, copy_s
from otherroof.forecast.planning.estimate import Likely
from otherroof.forecast.planning.packets import PacketPath
from otherroof.tunnel.network import mtu
from support.outside import outside

ETHERNET = PacketPath(mtu=1500, around=0, time_stamps=False)


@outside("RFC 6349", "§3.3.1", "bandwidth-delay products", value="read", each=True)
@pytest.mark.parametrize(
    ("mbit", "round_trip_s", "bits"),
    [
        (44.21, 0.025, 1_105_250),
        (100, 0.005, 500_000),
        (1000, 0.001, 1_000_000),
        (5, 0.090, 450_000),
        (0.64, 0.090, 57_600),
    ],
)
def test_what_is_under_way_on_a_full_line(mbit: float, round_trip_s: float, bits: float) -> None:
    assert packets.bandwidth_delay(mbit, round_trip_s) == pytest.approx(bits, rel=1e-12)


@outside("RFC 6349", "§4.1.1", "the largest goodput of TCP over Ethernet at 100 Mbit/s", value="read", main=True)
def test_largest_goodput_over_ethernet_is_94_9_of_100_mbit() -> None:
    assert ETHERNET.payload == 1460
    assert ETHERNET.mtu + packets.ETHERNET == 1538
    frames = 100e6 / (1538 * 8)
    assert int(frames) == 8127
    assert ETHERNET.share(packets.ETHERNET) * 100 == pytest.approx(94.9, abs=0.05)
    assert ETHERNET.share(packets.ETHERNET) * 100 == pytest.approx(frames * 1460 * 8e-6, rel=1e-12)
    assert packets.goodput(100, ETHERNET).low == pytest.approx(94.93, abs=0.005)


@outside("RFC 6349", "§4.1.2", "how many times longer a transfer took than it ideally would", value="read")
def test_transfer_time_ratio() -> None:
    assert packets.transfer_time_ratio(12, 8) == 1.5


@outside("RFC 6349", "§4.2.1", "the share of bytes that were not sent again", value="read")
def test_tcp_efficiency() -> None:
    assert packets.tcp_efficiency(102_000, 2_000) == pytest.approx(0.9803, abs=0.0001), "the RFC cuts the figure off"
    assert packets.tcp_efficiency(0, 0) == 1.0


@outside("RFC 6349", "§4.3.1", "by how much a round trip grows on a loaded line", value="read")
def test_buffer_delay() -> None:
    assert packets.buffer_delay(0.032, 0.025) == pytest.approx(0.28)


@outside(
    "Mathis et al. 1997",
    "MSS / RTT · C / √p, 1460 bytes, 100 ms, 10⁻⁴",
    "what TCP reaches at most with losses",
    value="recomputed",
    main=True,
)
def test_loss_bounds_a_connection() -> None:
    bound = packets.loss_bound(ETHERNET, 0.1, 1e-4)
    assert bound.low == pytest.approx(11.68)
    assert bound.high == pytest.approx(14.305, abs=0.0005)
    assert bound.low < bound.value < bound.high
    assert packets.loss_bound(ETHERNET, 0.1, 1e-4, connections=4).low == pytest.approx(4 * 11.68)
    assert math.isinf(packets.loss_bound(ETHERNET, 0.1, 0).low), "no loss must not be divided by"


@outside(
    "RFC 791, 8200, 9293, 7323, and the WireGuard paper §5.4.6",
    "header sizes",
    "goodput through the tunnel, from its MTU",
    value="recomputed",
    main=True,
)
@pytest.mark.parametrize(
    ("outer", "path", "payload", "packet"),
    [(4, 1500, 1388, 1500), (6, 1500, 1368, 1500), (4, 1492, 1380, 1492), (6, 1492, 1360, 1492)],
)
def test_goodput_through_the_tunnel_by_its_headers(outer: mtu.Family, path: int, payload: int, packet: int) -> None:
    through = PacketPath(mtu.choose(path, outer), mtu.overhead(outer))
    # Outer IP, UDP 8, message 16 and tag 16; inside IP 20, TCP 20 and its time stamps 12.
    assert through.payload == payload == path - (20 if outer == 4 else 40) - 8 - 16 - 16 - 20 - 20 - 12
    assert through.mtu + through.around == packet
    assert through.share() == payload / packet
    assert through.shares.low == payload / (packet + 38)


NAME, BASE = b"albums/2029/heron-at-the-pond.jpg", b"/srv/otherroof/"
TOP = BASE + b"photos"


@outside(
    "draft-ietf-secsh-filexfer-02",
    "§6 and §7",
    "bytes of a new file's requests, against the packets that are really made",
    value="recomputed",
    main=True,
)
def test_requests_of_a_new_file_are_as_long_as_the_packets() -> None:
    part, latest, handle = b"photos/incoming/" + b"0" * 16 + b".part", b"photos/latest/" + NAME, b"\0\0\0\1"
    asked: list[requests.Op] = [
        requests.OpenFile(part, requests.Mode.WRITE | requests.Mode.CREATE | requests.Mode.ONLY_NEW, 0o644),
        requests.SetProperties(handle, size=0),
        requests.Write(handle, 0, b""),
        requests.SetProperties(handle, size=7, permissions=0o644, mtime=1_900_000_000),
        requests.CloseFile(handle),
        requests.Rename(part, latest),
        requests.OpenFile(latest, requests.Mode.READ),
        requests.Sync(handle),
        requests.CloseFile(handle),
    ]
    sent = sum(len(codec.encode(7, op, BASE)) for op in asked)
    assert packets.new_file_requests(len(NAME), len(TOP)).up == sent


@outside("IEC 80000-13", "decimal prefixes", "sizes and rates of a first copy: 100 GB at 20 Mbit/s", value="recomputed")
def test_100_gb_at_20_mbit_are_40_000_seconds() -> None:
    assert Likely.sure(20).under(100e9 * 8e-6).value == 40_000
    assert size_text(100e9) == "100 GB"
    assert pytest.approx(3.638, abs=0.0005) == 4e12 / 2**40, "4 TB are 3.638 TiB"


@outside("common practice", "protocols cost something", "a copy takes longer than its bytes alone", value="recomputed")
def test_a_copy_takes_longer_than_its_bytes_alone() -> None:
    from otherroof.forecast.planning.copy_time import AskedLine, asked_line

    line = asked_line(AskedLine(up_mbit=20), PacketPath())
    seconds = copy_s(Work(100e9, 1), line)
    assert 40_000 < seconds.low < seconds.value < seconds.high < 40_000 * 1.4
