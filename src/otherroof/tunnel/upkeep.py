"""Looks after a tunnel while it is in use: brings it up again if it has gone, shuts it again if its firewall
table has gone, and lets it find a far box that moved.

Runs in a thread of its own. What it cannot repair shows as an error to those who use the tunnel.
"""

from __future__ import annotations

import threading
from datetime import datetime

from otherroof.base.clock import Clock
from otherroof.base.errors import OtherroofError
from otherroof.tunnel.sharing import SharedTunnel
from otherroof.tunnel.silence import is_stale

# The turn of another is waited for only so long; who looks every few seconds may as well look again. STOP_S covers that
# and the commands of one look.
WAIT_S = 20.0
STOP_S = 60.0


def mend_tunnel(shared: SharedTunnel) -> bool:
    """One look; whether something had to be done. Raises OtherroofError if it could not be."""
    # Out of turn, since looking changes nothing and nearly every look finds all well. If not, `mend` takes its turn and
    # looks again before it acts.
    state = shared.tunnel.state()
    stale = state.counted and is_stale(state.handshake_age_s, state.silent_s)
    if state.up and state.shut is not False and not stale:
        return False
    shared.mend(WAIT_S, renew=stale)
    return True


class TunnelKeeper:
    """Looks every `look_s` of the tunnel's own, from `start` to `stop`. `trouble` is what it last could not mend;
    `raised_at` when it brought up a tunnel that had gone, whose session nobody has written down yet."""

    def __init__(self, shared: SharedTunnel, clock: Clock) -> None:
        self._shared = shared
        self._clock = clock
        self.raised_at: datetime | None = None
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="otherroof-keeper", daemon=True)
        self.trouble = ""

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End; a look that is under way is waited for, up to a minute."""
        self._ended.set()
        self._thread.join(STOP_S)

    def _watch(self) -> None:
        while not self._ended.wait(self._shared.tunnel.look_s):
            try:
                # Brought up anew, it has no session yet. The ledger's connection belongs to the thread that uses the
                # way, so only the time is kept here, for that one to write down.
                if mend_tunnel(self._shared) and not self._shared.session():
                    self.raised_at = self._clock.now()
                self.trouble = ""
            except OtherroofError as problem:
                self.trouble = str(problem)
