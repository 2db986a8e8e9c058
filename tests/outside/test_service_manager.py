"""What the service manager hears, on sockets of both kinds, against its own manual pages."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.system.notification import Notifier
from support.outside import COMMON, outside


def listener(address: str) -> socket.socket:
    way = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    way.bind(address)
    way.settimeout(2)
    return way


@pytest.fixture(params=["path", "abstract"])
def heard(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """NOTIFY_SOCKET's value and the manager's end of it."""
    # sd_notify(3): "a string starting with / or @ … the leading @ is replaced by a NUL byte for abstract sockets".
    path = str(tmp_path / "notify")
    told = path if request.param == "path" else f"@{path}"
    with listener(path if request.param == "path" else f"\0{path}") as way:
        yield told, way


@outside(
    "systemd, sd_notify(3)",
    "READY, STATUS, WATCHDOG, RELOADING, STOPPING",
    "what the service manager is told",
    value="read",
)
def test_each_message_is_one_datagram_of_assignments(heard: tuple[str, socket.socket]) -> None:
    # sd_notify(3): READY=1, RELOADING=1, STOPPING=1, STATUS=…, WATCHDOG=1; newline-separated assignments.
    told, way = heard
    notifier = Notifier.take({"NOTIFY_SOCKET": told, "WATCHDOG_USEC": "30000000"}, os.getpid())
    notifier.ready()
    notifier.status("copies photos\nto heron")
    notifier.alive()
    notifier.reloading()
    notifier.stopping()
    messages = [way.recv(4096).decode() for _ in range(5)]
    assert messages[:3] == ["READY=1", "STATUS=copies photos to heron", "WATCHDOG=1"]
    # sd_notify(3): a service that sends RELOADING=1 says when, on CLOCK_MONOTONIC, in microseconds.
    first, second = messages[3].split("\n")
    assert first == "RELOADING=1"
    assert second.removeprefix("MONOTONIC_USEC=").isdigit()
    assert messages[4] == "STOPPING=1"


@outside(COMMON, "", "a status is not told twice", value="recomputed")
def test_a_status_is_not_repeated_while_it_stays_the_same(heard: tuple[str, socket.socket]) -> None:
    told, way = heard
    notifier = Notifier.take({"NOTIFY_SOCKET": told}, os.getpid())
    for text in ("copies nothing", "copies nothing", "copies photos"):
        notifier.status(text)
    notifier.stopping()
    assert [way.recv(4096) for _ in range(3)] == [b"STATUS=copies nothing", b"STATUS=copies photos", b"STOPPING=1"]


@outside("systemd, sd_notify(3)", "NOTIFY_SOCKET is not set", "nothing is sent and nothing fails", value="read")
def test_without_the_variable_nothing_is_sent_and_nothing_fails() -> None:
    # sd_notify(3): "If $NOTIFY_SOCKET was not set … 0 is returned"; nothing is sent.
    notifier = Notifier.take({}, os.getpid())
    notifier.ready()
    notifier.alive()
    assert notifier.alive_every_s is None


@outside(COMMON, "", "a manager that is gone takes nothing with it", value="recomputed")
def test_a_manager_that_is_gone_does_not_take_the_service_with_it(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    Notifier.take({"NOTIFY_SOCKET": str(tmp_path / "gone")}, os.getpid()).ready()
    assert "cannot be reached" in caplog.text


@outside("systemd, sd_notify(3)", "vsock addresses", "an address of an unknown kind is left alone", value="read")
def test_an_address_of_an_unknown_kind_is_left_alone(caplog: pytest.LogCaptureFixture) -> None:
    # sd_notify(3) also knows vsock:CID:PORT, for virtual machines; we do not speak it.
    assert Notifier.take({"NOTIFY_SOCKET": "vsock:2:9999"}, os.getpid()).address == ""
    assert "unknown kind" in caplog.text


@outside(
    "systemd, sd_watchdog_enabled(3)",
    "WATCHDOG_USEC, WATCHDOG_PID",
    "a sign of life each half of the time",
    value="read",
)
@pytest.mark.parametrize(
    ("environ", "every_s"),
    [
        # sd_watchdog_enabled(3): "a keep-alive … every half of the time"; 30 s → every 15 s.
        ({"WATCHDOG_USEC": "30000000"}, 15.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "4711"}, 15.0),
        # … and ignored where WATCHDOG_PID names another process.
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "4712"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_the_watchdog_is_ours_only_where_it_names_this_process(environ: dict[str, str], every_s: float | None) -> None:
    assert Notifier.take(dict(environ), 4711).alive_every_s == every_s


@outside("systemd, sd_notify(3)", "unset_environment", "variables are not inherited", value="read")
def test_programs_that_the_service_starts_do_not_speak_in_its_name(heard: tuple[str, socket.socket]) -> None:
    # sd_notify(3), unset_environment: the variables are taken out, so that children do not inherit them.
    environ = {"NOTIFY_SOCKET": heard[0], "WATCHDOG_USEC": "1", "WATCHDOG_PID": "1", "PATH": "/bin"}
    Notifier.take(environ, 1)
    assert environ == {"PATH": "/bin"}
