"""Waiting no longer than is allowed: what comes of a result that nobody waits for any more."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from otherroof.base import time_limit
from otherroof.base.errors import RunCut
from otherroof.base.time_limit import TookTooLong, within_time
from support.waiting import until


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The stop is looked at without a wait."""
    monkeypatch.setattr(time_limit, "LOOK_S", 0.001)


def cut_after(before: Callable[[], object]) -> Callable[[], None]:
    """A look at the stop that ends the wait, once `before` has returned."""

    def check() -> None:
        before()
        raise RunCut("the service ends")

    return check


def workers() -> list[threading.Thread]:
    return [one for one in threading.enumerate() if one.name == "otherroof-patience"]


def test_a_result_that_comes_in_time_is_given_to_whoever_waits_and_to_nobody_else() -> None:
    closed: list[int] = []
    assert within_time(5, lambda: 7, late=closed.append) == 7
    assert closed == []


def test_a_result_that_comes_after_a_stop_is_handed_over_once() -> None:
    go, closed = threading.Event(), list[int]()
    with pytest.raises(RunCut):
        within_time(60, lambda: go.wait(60) and 7, cut_after(lambda: None), closed.append)
    assert closed == []
    go.set()
    until(lambda: not workers())
    assert closed == [7]


def test_a_result_that_comes_after_its_time_is_handed_over_once() -> None:
    go, closed = threading.Event(), list[int]()
    with pytest.raises(TookTooLong):
        within_time(0.01, lambda: go.wait(60) and 7, late=closed.append)
    go.set()
    until(lambda: not workers())
    assert closed == [7]


def test_a_result_that_comes_just_before_the_stop_is_handed_over_once() -> None:
    go, closed = threading.Event(), list[int]()

    def comes_first() -> None:
        go.set()
        until(lambda: not workers())

    with pytest.raises(RunCut):
        within_time(60, lambda: go.wait(60) and 7, cut_after(comes_first), closed.append)
    assert closed == [7]


def test_a_result_that_comes_with_the_stop_is_handed_over_once() -> None:
    for _ in range(300):
        go, closed = threading.Event(), list[int]()
        with pytest.raises(RunCut):
            within_time(60, lambda go=go: go.wait(60) and 7, cut_after(go.set), closed.append)  # type: ignore[misc]
        until(lambda: not workers(), pause_s=0)
        assert closed == [7]


def test_an_error_that_nobody_waits_for_is_not_handed_over() -> None:
    go, closed = threading.Event(), list[object]()

    def fails() -> None:
        go.wait(60)
        raise ZeroDivisionError

    with pytest.raises(RunCut):
        within_time(60, fails, cut_after(go.set), closed.append)
    until(lambda: not workers())
    assert closed == []
