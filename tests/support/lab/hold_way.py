"""Holds the way to a far box open, as a long run does, and says every half second whether something crosses it.

A program of its own, for a namespace: `python -m support.lab.hold_way FOLDER FAR`. Prints one JSON line a look:
{"at": seconds, "crosses": bool}; ends when its input closes, and then takes the way down.
"""

from __future__ import annotations

import json
import os
import select
import sys
import time

from otherroof.base.clock import SystemClock
from otherroof.base.programs import SystemPrograms
from otherroof.ledger import Ledger
from otherroof.probe.way import open_way
from otherroof.settings import require_settings
from otherroof.tunnel.network.ping import ping

EVERY_S = 0.5


def main(folder: str, far: str) -> None:
    """Open, look, until standard input ends."""
    settings = require_settings(folder)
    commands = SystemPrograms()
    with (
        Ledger(os.path.join(settings.state, "ledger.sqlite")) as ledger,
        open_way(settings, far, ledger, SystemClock()),
    ):
        while not select.select([sys.stdin], [], [], EVERY_S)[0]:
            crosses = ping(commands, settings.far[far].address, count=1, wait_s=0.5).received > 0
            print(json.dumps({"at": time.monotonic(), "crosses": crosses}), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
