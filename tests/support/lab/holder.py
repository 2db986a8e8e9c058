"""A process at home that uses the way to the far box, as a long run does, and says whether something crosses."""

from __future__ import annotations

import json
import time

from support.lab.pair_of_houses import PairOfHouses


class Holder:
    """A process at home that uses the way until `end`; `outage` measures how long nothing crossed."""

    def __init__(self, pair: PairOfHouses) -> None:
        self.process = pair.python("support.lab.hold_way", pair.where, "heron")
        self.wait_until(True, 90)

    def wait_until(self, crosses: bool, limit_s: float) -> float:
        """Seconds until a look says so."""
        assert self.process.stdout is not None
        begun = time.monotonic()
        while time.monotonic() < begun + limit_s:
            line = self.process.stdout.readline()
            assert line, "the holder ended early; its words are on standard error"
            if json.loads(line)["crosses"] is crosses:
                return time.monotonic() - begun
        raise AssertionError(f"for {limit_s:g} s it never was: crosses = {crosses}")

    def outage(self, limit_s: float) -> float:
        self.wait_until(False, 20)
        return self.wait_until(True, limit_s)

    def end(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.close()
        assert self.process.wait(60) == 0
