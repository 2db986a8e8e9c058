"""One network namespace: programs run in it, sockets opened in it, host names that only it knows.

Knows nothing of how several of them are wired together.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import socket
import struct
import subprocess
from collections.abc import Iterator, Sequence
from typing import Any

from support.lab.commands import DEFAULT_WAIT_S, LabFault, call
from support.lab.ownership import Estate

_CLONE_NEWNET = 0x40000000
_NETFILTER, _CTNETLINK, _REQUEST_AND_ACK = 12, 1, 0x01 | 0x04  # linux/netlink.h, linux/netfilter/nfnetlink.h
# From <asm-generic/socket.h>; lets root go over net.core.rmem_max.
SO_RCVBUFFORCE = 33
_libc = ctypes.CDLL(None, use_errno=True)


class Namespace:
    """A namespace called `name`, made and owned through `estate`, with `lo` up and a hosts file of its own.

    The hosts file is the only source of names for programs started by `run`, `popen` or `argv`: an unknown name fails
    at once instead of waiting for a DNS server that is not there.
    """

    def __init__(self, estate: Estate, name: str) -> None:
        self.name = name
        self._estate = estate
        self._known = {"localhost": "127.0.0.1"}
        estate.note("namespace", name=name)
        call(["ip", "netns", "add", name])
        folder = f"/etc/netns/{name}"
        _make_folder(folder)
        for file, text in (("nsswitch.conf", "hosts: files\npasswd: files\ngroup: files\n"), ("resolv.conf", "")):
            with open(os.path.join(folder, file), "w", encoding="ascii") as out:
                out.write(text)
        self._hosts = os.path.join(folder, "hosts")
        self._write_hosts()
        self.ip("link", "set", "lo", "up")

    def argv(self, argv: Sequence[str]) -> list[str]:
        """`argv` as it must be started from outside to run in this namespace."""
        return ["ip", "netns", "exec", self.name, *argv]

    def run(self, argv: Sequence[str], *, wait_s: float = DEFAULT_WAIT_S, may_fail: bool = False) -> str:
        """Run a program in here to its end; returns its output, raises LabFault like `commands.call`."""
        return call(self.argv(argv), wait_s=wait_s, may_fail=may_fail)

    def popen(self, argv: Sequence[str], **options: Any) -> subprocess.Popen[Any]:
        """Start a program in here; it ends with the namespace at the latest."""
        return self._estate.spawn(self.argv(argv), **options)

    def ip(self, *words: str) -> str:
        """`ip` for this namespace."""
        return call(["ip", "-n", self.name, *words])

    def nft(self, rules: str) -> None:
        """Load nftables rules in here."""
        call(self.argv(["nft", "-f", "-"]), given=rules)

    @contextlib.contextmanager
    def entered(self) -> Iterator[None]:
        """The calling thread, and what it starts, is in here; sockets it opens stay in here for good.

        Names are still resolved by the machine's own hosts file, so use addresses.
        """
        before = os.open("/proc/thread-self/ns/net", os.O_RDONLY)
        inside = os.open(f"/run/netns/{self.name}", os.O_RDONLY)
        try:
            _set_namespace(inside)
            try:
                yield
            finally:
                _set_namespace(before)
        finally:
            os.close(before)
            os.close(inside)

    def udp(self, address: str = "0.0.0.0", port: int = 0) -> socket.socket:
        """A bound UDP socket of this namespace, with a time-out of 5 s and room for 4 MiB unread."""
        with self.entered():
            made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        made.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, 4 << 20)
        made.bind((address, port))
        made.settimeout(5)
        return made

    def connect(self, address: str, port: int, *, wait_s: float = 10.0) -> socket.socket:
        """A TCP connection made from this namespace."""
        with self.entered():
            return socket.create_connection((address, port), timeout=wait_s)

    def forget_flows(self) -> None:
        """Empty the table of tracked connections, as a router's restart does (there need be no `conntrack` program)."""
        # linux/netfilter/nfnetlink_conntrack.h: IPCTNL_MSG_CT_DELETE without any condition deletes all.
        request = struct.pack("=LHHLL", 20, (_CTNETLINK << 8) | 2, _REQUEST_AND_ACK, 1, 0) + struct.pack(
            "=BBH", 0, 0, 0
        )
        with self.entered():
            kernel = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, _NETFILTER)
        with kernel:
            kernel.settimeout(5)
            kernel.send(request)
            (error,) = struct.unpack_from("=i", kernel.recv(4096), 16)
        if error:
            raise LabFault(f"connections cannot be forgotten: {os.strerror(-error)}")

    def name_host(self, name: str, address: str | None) -> None:
        """Make host `name` stand for `address` in here from now on, also for programs that already run; None forgets.

        The file is rewritten in place, since running programs hold it by a bind mount.
        """
        if address is None:
            self._known.pop(name, None)
        else:
            self._known[name] = address
        self._write_hosts()

    def _write_hosts(self) -> None:
        text = "".join(f"{address} {name}\n" for name, address in self._known.items()).encode()
        file = os.open(self._hosts, os.O_WRONLY | os.O_CREAT, 0o644)
        try:
            os.pwrite(file, text, 0)
            os.ftruncate(file, len(text))
        finally:
            os.close(file)


def _make_folder(path: str) -> None:
    """With the folders above it, of which another process may remove an empty one at any moment."""
    for _ in range(100):
        with contextlib.suppress(FileNotFoundError):
            os.makedirs(path)
            return
    raise LabFault(f"{path}: cannot be made, since others keep removing the folder above it")


def _set_namespace(file: int) -> None:
    if _libc.setns(file, _CLONE_NEWNET) != 0:
        raise LabFault(f"setns: {os.strerror(ctypes.get_errno())}")
