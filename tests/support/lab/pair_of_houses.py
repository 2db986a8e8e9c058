"""Two houses of which the home is the product's: its settings, its own tunnel, its verbs in its namespace.

The far box is the lab's own: a userspace tunnel end and a real sshd that listens in the tunnel alone. What the far
box's set-up kit does every half minute, calling home anew after silence, is done here by a thread.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from typing import Any, Literal

from support.fresh_start import fresh_argv
from support.lab.household import write_settings
from support.lab.houses import Houses, Plan
from support.lab.sshd import FarSshd, ServerOptions
from support.lab.tunnel import UserspaceEnd, make_tunnel_keys
from support.loaded import LoadedVerbs

HOME, FAR, NET = "10.77.31.1", "10.77.31.2", "10.77.31.0/24"
PORT = 51820
HOME_NAME, FAR_NAME = "larch.example.net", "heron.example.net"
LOOK_AGAIN_S = 30.0  # as in the kit
_TESTS = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))


class PairOfHouses:
    """Role "answer": both routers translate, home forwards a port, the far box calls. Role "call": the far box is
    routed, and home calls it. Up on entry, gone on exit; the settings lie in `where`."""

    def __init__(
        self,
        where: str | os.PathLike[str],
        *,
        role: Literal["answer", "call"] = "answer",
        plan: Plan | None = None,
        server: ServerOptions | None = None,
        tunnel: Mapping[str, Any] | None = None,
        far_more: Mapping[str, Any] | None = None,
        jobs: Mapping[str, Any] | None = None,
    ) -> None:
        self.where = os.fspath(where)
        self.role = role
        answering = Plan(home_translates=True, far_translates=True, forwarded_port=PORT)
        calling = Plan(home_translates=True)
        with contextlib.ExitStack() as undo:
            self.houses = undo.enter_context(Houses(plan or (answering if role == "answer" else calling)))
            self.interface = self.houses.interface_name("larch")
            self.end = UserspaceEnd(self.houses.estate, self.houses.far, self.houses.interface_name("far"))
            undo.callback(self.end.stop)
            os.makedirs(os.path.join(self.where, "keys"))
            _, self.home_key = make_tunnel_keys(os.path.join(self.where, "keys"), "tunnel.key")
            self._set_far_end_up()
            self.sshd = undo.enter_context(FarSshd(space=self.houses.far, address=FAR, options=server))
            self._tunnel = {**self._tunnel_table(), **(tunnel or {})}
            self._far_more, self._jobs = dict(far_more or {}), dict(jobs or {})
            self.write()
            self._verbs = undo.enter_context(LoadedVerbs(self.houses.home.argv))
            self._ended = threading.Event()
            self._caller = threading.Thread(target=self._look_again, name="lab-far-caller")
            self._caller.start()
            undo.callback(self._stop_calling)
            self._undo = undo.pop_all()

    def __enter__(self) -> PairOfHouses:
        return self

    def __exit__(self, *_: object) -> None:
        self._undo.close()

    def write(self, *, far_more: Mapping[str, Any] | None = None, **tunnel: Any) -> None:
        """Write the home's settings again, with changes to [far.heron] and its tunnel's table."""
        self._tunnel |= tunnel
        self._far_more |= far_more or {}
        write_settings(self.where, self.sshd, self._jobs, far_more={**self._far_more, "tunnel": self._tunnel})

    def program(self, *words: str) -> list[str]:
        """A verb with these settings, as argv for the home's namespace."""
        return fresh_argv(*words, "--config", self.where)

    def otherroof(self, *words: str, wait_s: float = 120.0) -> subprocess.CompletedProcess[str]:
        """Run a verb at home, in its namespace, to its end."""
        return self._verbs.run([*words, "--config", self.where], timeout=wait_s)

    def probe(self, *, wait_s: float = 150.0) -> tuple[int, dict[str, Any]]:
        """`otherroof probe --json`: its exit code and what it found at the one far box."""
        done = self.otherroof("probe", "heron", "--json", wait_s=wait_s)
        try:
            return done.returncode, json.loads(done.stdout)["probes"][0]
        except (ValueError, KeyError) as problem:
            raise AssertionError(f"probe printed no report: {done.stdout}{done.stderr}") from problem

    def python(self, module: str, *words: str) -> subprocess.Popen[str]:
        """Start a module of the tests at home, with pipes for its input and output."""
        return self.houses.home.popen(
            [sys.executable, "-m", module, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": _TESTS},
        )

    def home_has_tunnel(self) -> bool:
        """Whether the home's tunnel interface is there."""
        return f"{self.interface}:" in self.houses.home.ip("-o", "link", "show")

    def home_moves(self, public: str) -> None:
        """Home gets another public address, and its dynamic name follows."""
        self.houses.home_moves(public)
        self.houses.far.name_host(HOME_NAME, public)
        self.houses.home.name_host(HOME_NAME, public)

    def far_moves(self, address: str) -> None:
        """The (routed) far box gets another address in its LAN, and its dynamic name follows."""
        before = self.houses.far_outside
        far = self.houses.far
        far.ip("address", "delete", f"{before}/24", "dev", "lan")
        far.ip("address", "add", f"{address}/24", "dev", "lan")
        far.ip("route", "replace", "default", "via", before.rpartition(".")[0] + ".1")
        self.houses.home.name_host(FAR_NAME, address)

    def _tunnel_table(self) -> dict[str, Any]:
        table: dict[str, Any] = {
            "kind": "wireguard",
            "role": self.role,
            "interface": self.interface,
            "own_address": f"{HOME}/24",
            "far_key": self.end.public_key,
            "reach": [NET],
        }
        return table | ({"own_name": HOME_NAME} if self.role == "answer" else {"far_name": f"{FAR_NAME}:{PORT}"})

    def _set_far_end_up(self) -> None:
        houses = self.houses
        for space in (houses.home, houses.far):
            space.name_host(HOME_NAME, houses.home_outside)
            space.name_host(FAR_NAME, houses.far_outside)
        if self.role == "answer":
            self.end.set_up(f"{FAR}/24")
            self.end.add_peer(self.home_key, f"{HOME}/32", endpoint=(houses.home_outside, PORT), keepalive_s=25)
        else:
            self.end.set_up(f"{FAR}/24", port=PORT)
            self.end.add_peer(self.home_key, f"{HOME}/32")

    def _look_again(self) -> None:
        before = 0
        while not self._ended.wait(LOOK_AGAIN_S):
            if self.role != "answer":
                continue
            received, shaken = (self._told_of_home(what) for what in ("transfer", "latest-handshakes"))
            if received <= before:
                old = shaken and time.time() - shaken >= LOOK_AGAIN_S
                words = ["peer", self.home_key, "remove"] if old else []
                words += ["peer", self.home_key, "endpoint", f"{HOME_NAME}:{PORT}", "allowed-ips", f"{HOME}/32"]
                words += ["persistent-keepalive", "25"]
                self.houses.far.run(["wg", "set", self.end.interface, *words], may_fail=True)
                received = 0 if old else received
            before = received

    def _told_of_home(self, what: str) -> int:
        return int(self.houses.far.run(["wg", "show", self.end.interface, what]).split()[1])

    def _stop_calling(self) -> None:
        self._ended.set()
        self._caller.join(30)
