"""Where the contenders run: a home, a far sshd, and the line between them, set back to the same start each time.

Line A and B are households' uplinks through a userspace tunnel; loopback has no tunnel and shows the processor's limit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from support.lab import Estate, FarSshd, Houses, Line, Namespace, ServerOptions, TunnelPair
from support.lab.straight_line import StraightLine

CIPHER = "aes128-gcm@openssh.com"
LINES = {
    "A": Line(rate_mbit=20, delay_ms=20, queue_ms=100, loss=0.001),
    "B": Line(rate_mbit=100, delay_ms=10, queue_ms=100),
}
LINE_WORDS = {
    "A": "20 Mbit/s, 40 ms round trip, 0.1 % loss each way, 100 ms queue, through the tunnel",
    "B": "100 Mbit/s, 20 ms round trip, no loss, 100 ms queue, through the tunnel",
    "loopback": "no tunnel, no line",
}
# A full packet of the tunnel: 1420 bytes inside carry 1368 of TCP payload (20 IP, 20 TCP, 12 time stamps); outside it
# is 1480 (1420 + 32 of the tunnel + 8 UDP + 20 IPv4), which is what the line counts.
PAYLOAD, PACKET = 1368, 1480
# "cubic" and "bbr": everyone's, and no program may choose another. "stock": cubic unless a program chooses.
CONGESTION = {"cubic": ("cubic", True), "bbr": ("bbr", True), "stock": ("cubic", False)}


@dataclass
class Scene:
    """A home and a far box, ready. `rate_mbit` is the nominal line; 0 where there is none."""

    name: str
    rate_mbit: float
    home: Namespace
    far: FarSshd
    use_congestion: Callable[[str], None]
    line_again: Callable[[int], None]
    late_share: Callable[[], float]
    sent_towards_home: Callable[[], float] = lambda: 0.0  # bytes on the line, with all headers

    @property
    def possible_mbit(self) -> float:
        """The most TCP payload that the line can carry; 0 where there is no line."""
        return self.rate_mbit * PAYLOAD / PACKET

    def fresh(self, seed: int) -> None:
        """An empty far box, the same dice for the line's losses, and kernels that remember no earlier connection."""
        self.far.empty_base()
        for space in {self.home, self.far.space or self.home}:
            space.ip("tcp_metrics", "flush")
        self.line_again(seed)


@contextmanager
def line_scene(name: str, folder: str) -> Iterator[Scene]:
    """Two houses with a tunnel over line `name`; far files under `folder`."""
    line = LINES[name]
    with (
        Houses() as houses,
        TunnelPair(houses, out=line) as tunnel,
        FarSshd(space=houses.far, address=tunnel.FAR, folder=folder, options=ServerOptions(ciphers=CIPHER)) as far,
    ):

        def late_share() -> float:
            ways = tunnel.relay.stats().values()
            return sum(way["late"] for way in ways) / max(1, sum(way["sent"] for way in ways))

        yield Scene(
            name=name,
            rate_mbit=line.rate_mbit,
            home=houses.home,
            far=far,
            use_congestion=lambda kind: tunnel.use_congestion_control(CONGESTION[kind][0], locked=CONGESTION[kind][1]),
            line_again=tunnel.relay.restart,
            late_share=late_share,
            sent_towards_home=lambda: tunnel.relay.stats()["back"]["sent_bytes"],
        )


@contextmanager
def straight_scene(name: str, folder: str) -> Iterator[Scene]:
    """The same line without a tunnel, its queue kept by the kernel: the line itself is not slow on a busy machine."""
    line = LINES[name]
    with Estate() as estate:
        straight = StraightLine(estate, line)
        options = ServerOptions(ciphers=CIPHER)
        with FarSshd(space=straight.far, address=straight.FAR, folder=folder, options=options) as far:
            yield Scene(
                name=name,
                rate_mbit=line.rate_mbit,
                home=straight.home,
                far=far,
                use_congestion=lambda kind: straight.use_congestion_control(
                    CONGESTION[kind][0], locked=CONGESTION[kind][1]
                ),
                line_again=lambda seed: None,
                late_share=lambda: 0.0,
            )


@contextmanager
def loopback_scene(folder: str) -> Iterator[Scene]:
    """One namespace with nothing but `lo`; the far sshd stands in it too."""
    with Estate() as estate:
        space = Namespace(estate, f"otherroof-{estate.number}-loopback")

        def use(kind: str) -> None:
            name, locked = CONGESTION[kind]
            words = ["congctl", "lock", name] if locked else ["congctl", name]
            route = ["local", "127.0.0.1", "dev", "lo", "table", "local", "proto", "kernel", "scope", "host"]
            space.ip("route", "replace", *route, "src", "127.0.0.1", *words)

        with FarSshd(space=space, folder=folder, options=ServerOptions(ciphers=CIPHER)) as far:
            yield Scene(
                name="loopback",
                rate_mbit=0,
                home=space,
                far=far,
                use_congestion=use,
                line_again=lambda seed: None,
                late_share=lambda: 0.0,
            )
