"""Whether anything comes back, told from two counters that are looked at from time to time; and when a way is stale.

Pure: counters and a steady clock's seconds are given in.
"""

from __future__ import annotations

from dataclasses import dataclass

# WireGuard paper §6.1: a session is renewed after 120 s, answers within 10 s what it has received, and shakes hands
# again 5 s after that. So a tunnel in use has a handshake not much older than 120 s, and is never quiet for long.
REKEY_S, KEEPALIVE_S, REKEY_TIMEOUT_S, REJECT_S = 120, 10, 5, 180
# 120 s and three tries at a handshake: an older one means that the far box did not answer any of them.
STALE_S = float(REKEY_S + 3 * REKEY_TIMEOUT_S)
# A live far box answers what it received within 10 s at the latest; after that, time for two tries at a handshake.
SILENT_S = float(KEEPALIVE_S + 2 * REKEY_TIMEOUT_S)


@dataclass(slots=True)
class SilenceTimer:
    """Remembers the counters between looks. Times are in seconds of any steady clock."""

    received: int = -1
    sent_then: int = 0
    quiet_since: float | None = None

    def silent_for(self, sent: int, received: int, now: float) -> float:
        """For how long something was sent without anything coming back; 0 while things come back, or none was sent."""
        # Something came, or the interface was made anew: its counters begin at 0 then.
        if received != self.received or sent < self.sent_then:
            self.received, self.sent_then, self.quiet_since = received, sent, None
            return 0.0
        # Only from the first packet on that should have been answered: a tunnel that nobody uses is not silent.
        if sent > self.sent_then and self.quiet_since is None:
            self.quiet_since = now
        return now - self.quiet_since if self.quiet_since is not None else 0.0


def is_stale(handshake_age_s: float | None, silent_s: float) -> bool:
    """Whether the other end may have moved: no handshake, one that should long have been renewed, or silence."""
    return handshake_age_s is None or handshake_age_s > STALE_S or silent_s > SILENT_S
