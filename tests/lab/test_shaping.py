"""The slow line's arithmetic, without sockets or a clock: what a packet meets in one direction."""

from __future__ import annotations

import random

import pytest

from support.lab.shaping import HEADERS, Direction, Line

FULL = b"x" * (1500 - HEADERS)


def direction(**line: float) -> Direction:
    return Direction(Line(**line), random.Random(7))  # type: ignore[arg-type]


def test_full_packets_leave_no_faster_than_the_line_lets_them() -> None:
    way = direction(rate_mbit=12, queue_ms=1000)  # 1500 bytes take exactly 1 ms
    for _ in range(10):
        way.take(FULL, 0.0)
    assert len(way.due(0.00099)) == 0
    assert len(way.due(0.00501)) == 5
    assert way.next_at() == pytest.approx(0.006)
    assert len(way.due(0.0101)) == 5
    assert way.next_at() is None


def test_the_delay_comes_on_top_of_the_wait_for_a_turn() -> None:
    way = direction(rate_mbit=12, delay_ms=20)
    way.take(FULL, 5.0)
    assert way.next_at() == pytest.approx(5.021)


def test_a_queue_that_is_full_drops_the_newest_and_only_those() -> None:
    way = direction(rate_mbit=12, queue_ms=5)
    for number in range(20):
        way.take(bytes([number]) * (1500 - HEADERS), 0.0)
    passed = [packet[0] for packet in way.due(1.0)]
    assert passed == [0, 1, 2, 3, 4, 5]  # the one that finds 5 ms ahead of it is still taken
    assert way.counts.overflowed == 14


def test_an_idle_line_saves_no_credit() -> None:
    way = direction(rate_mbit=12, queue_ms=1000)
    way.take(FULL, 0.0)
    way.take(FULL, 10.0)
    way.take(FULL, 10.0)
    assert len(way.due(10.0011)) == 2
    assert len(way.due(10.0021)) == 1


def test_losses_are_the_same_for_the_same_seed() -> None:
    def survivors(seed: str) -> list[bytes]:
        way = Direction(Line(loss=0.3), random.Random(seed))
        for number in range(200):
            way.take(number.to_bytes(2, "big"), 0.0)
        return way.due(0.0)

    assert survivors("a") == survivors("a")
    assert survivors("a") != survivors("b")
    assert 100 < len(survivors("a")) < 180


def test_a_packet_over_the_largest_size_vanishes_and_one_of_that_size_does_not() -> None:
    way = direction(largest=1280)
    way.take(b"x" * (1280 - HEADERS), 0.0)
    way.take(b"x" * (1281 - HEADERS), 0.0)
    assert len(way.due(0.0)) == 1
    assert way.counts.too_large == 1


def test_a_cut_takes_what_is_under_way_too() -> None:
    way = direction(delay_ms=50)
    way.take(FULL, 0.0)
    way.cut()
    way.take(FULL, 0.01)
    way.mend()
    way.take(b"after", 0.02)
    assert way.due(1.0) == [b"after"]
    assert way.counts.cut == 2


def test_what_was_delivered_late_is_counted() -> None:
    way = direction(delay_ms=10)
    way.take(FULL, 0.0)
    way.due(0.025)
    assert way.counts.late == 1
    assert way.counts.latest_ms == pytest.approx(15.0)
