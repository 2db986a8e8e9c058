"""A slow, lossy line between two UDP endpoints, with live controls; a userspace stand-in where there is no netem.

    caller ──► relay (near socket) ══ out ══► (outward socket) ──► target
           ◄──                     ◄═ back ══                  ◄──

The relay learns the caller from its packets, as a tunnel does, and carries both ways. It runs as its own process in
a namespace, ends with its owner, and keeps up with 100 Mbit/s of full packets on a part of one core; what it could
not deliver in time is counted as `late`, so that a figure taken on a busy machine can be told from a clean one.
"""

from __future__ import annotations

import json
import os
import socket
import sys
import threading
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Literal

from support.lab.commands import LabFault
from support.lab.namespace import Namespace
from support.lab.shaping import Line

Way = Literal["out", "back"]
BOTH: tuple[Way, Way] = ("out", "back")
ANSWER_S = 10.0
_TESTS = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))


class Relay:
    """A running relay in `space`: callers reach it at `listen`, it carries to `target` from address `source`.

    `out` is the line towards the target, `back` the other way (the same where it is not given). `seed` fixes which
    packets are lost, counted from the first.
    """

    def __init__(
        self,
        space: Namespace,
        *,
        listen: tuple[str, int],
        target: tuple[str, int],
        out: Line,
        back: Line | None = None,
        source: str = "0.0.0.0",
        seed: int = 1,
    ) -> None:
        settings = {
            "listen": listen,
            "target": target,
            "source": source,
            "out": asdict(out),
            "back": asdict(back or out),
            "seed": seed,
        }
        self._turn = threading.Lock()
        self._control, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._control.settimeout(ANSWER_S)
        with theirs:
            self._process = space.popen(
                [sys.executable, "-m", "support.lab.relay_process", str(theirs.fileno()), json.dumps(settings)],
                pass_fds=(theirs.fileno(),),
                env={**os.environ, "PYTHONPATH": _TESTS},
            )
        self._ask("ready")

    def __enter__(self) -> Relay:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def pid(self) -> int:
        """The relay's process."""
        return self._process.pid

    def stop(self) -> None:
        """End the relay; may be called twice."""
        self._control.close()
        self._process.wait(ANSWER_S)

    def cut(self, *ways: Way) -> None:
        """Drop everything, also what is under way, in both directions or those named."""
        self._ask("cut", ways=ways or BOTH)

    def mend(self, *ways: Way) -> None:
        """Carry again."""
        self._ask("mend", ways=ways or BOTH)

    def shape(self, *ways: Way, **changes: float) -> None:
        """Change fields of `Line` while packets flow: `shape("out", rate_mbit=5, loss=0.01)`; both ways by default."""
        for way in ways or BOTH:
            self._ask("shape", way=way, **changes)

    def restart(self, seed: int) -> None:
        """The same line with new dice and counts, and nothing under way; for measurements that must be alike."""
        self._ask("restart", seed=seed)

    def rebind(self, *, address: str = "0.0.0.0", port: int = 0) -> tuple[str, int]:
        """Go on from another outward address or port, as a router that forgot its flow; returns the new one."""
        return _pair(self._ask("rebind", address=address, port=port)["outward"])

    def outward(self) -> tuple[str, int]:
        """The address and port that the target sees."""
        return _pair(self._ask("ready")["outward"])

    def stats(self) -> Mapping[str, Mapping[str, float]]:
        """The fields of `shaping.Counts` for `out` and `back`, with `under_way`."""
        return self._ask("stats")

    def _ask(self, do: str, **what: Any) -> dict[str, Any]:
        with self._turn:
            try:
                self._control.send(json.dumps({"do": do, **what}).encode())
                text = self._control.recv(65535)
            except OSError as problem:
                raise LabFault(f"the relay does not answer {do!r}: {problem}") from problem
        if not text:
            raise LabFault(f"the relay ended before it answered {do!r}; its error is on standard error")
        answer: dict[str, Any] = json.loads(text)
        if "error" in answer:
            raise LabFault(f"the relay could not {do}: {answer['error']}")
        return answer


def _pair(value: list[Any]) -> tuple[str, int]:
    return str(value[0]), int(value[1])
