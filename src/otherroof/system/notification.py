"""Tells the service manager how the service is: ready, alive, reading its settings anew, stopping, and one line more.

The protocol is sd_notify(3): one AF_UNIX datagram of `NAME=value` lines to the socket in NOTIFY_SOCKET, where a
leading @ stands for the abstract name space. Without that variable nothing is sent. The watchdog is
sd_watchdog_enabled(3): WATCHDOG_USEC, ours only if WATCHDOG_PID is missing or names this process.
"""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import MutableMapping
from dataclasses import dataclass, field

log = logging.getLogger(__name__)

VARIABLES = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")
SEND_S = 1.0


@dataclass(slots=True)
class Notifier:
    """Sends to one socket, or nowhere if `address` is empty. `alive_every_s`: how often to give a sign of life."""

    address: str = ""
    alive_every_s: float | None = None
    _told: str = field(default="", init=False)

    @classmethod
    def take(cls, environ: MutableMapping[str, str], pid: int) -> Notifier:
        """The notifier that the environment asks for.

        Takes the variables out, so that commands we start do not speak in our name.
        """
        address, usec, owner = (environ.pop(name, "") for name in VARIABLES)
        if address and address[0] not in "/@":
            log.warning("the service manager's socket %r is of an unknown kind; nothing is reported to it", address)
            address = ""
        ours = usec.isascii() and usec.isdigit() and int(usec) > 0 and owner in ("", str(pid))
        # Half the time, as sd_watchdog_enabled(3) advises.
        return cls(address, int(usec) / 1e6 / 2 if ours else None)

    def ready(self) -> None:
        """The service has started, or has its settings again."""
        self._send("READY=1")

    def reloading(self) -> None:
        """The settings are being read anew; `ready` follows."""
        # The time shows the manager that this answers its latest signal, not an earlier one (sd_notify(3), from systemd
        # 253 on with Type=notify-reload). Others pass over it.
        self._send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """The service is about to end."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """A sign of life for the watchdog, if there is one."""
        if self.alive_every_s is not None:
            self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line that the service manager shows beside the service; sent only when it changes."""
        line = " ".join(text.split())
        if line != self._told:
            self._told = line
            self._send(f"STATUS={line}")

    def _send(self, *lines: str) -> None:
        if not self.address:
            return
        # An abstract address is written with a zero byte in place of the @ (unix(7)).
        target = "\0" + self.address[1:] if self.address[0] == "@" else self.address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
                # The socket's queue may be full: the service does not wait for its manager.
                sock.settimeout(SEND_S)
                sock.sendto("\n".join(lines).encode(), target)
        except OSError as problem:
            # The manager may be restarting itself; the next message finds it again.
            log.warning("the service manager's socket %s cannot be reached: %s", self.address, problem)
