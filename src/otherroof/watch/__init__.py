"""Sees to it that nobody can fail to notice: rules that raise alerts, channels that carry them, the digest.

What the service calls, each with settings, ledger and clock:

- `look(settings, ledger, clock, Extra(mistakes))` on a timer, at least hourly, and after every run:
  raises, repeats and ends alerts, sends what is due, writes the metrics file. Every kind of restart is harmless:
  what stands and what waits is in the ledger.
- `send_due(settings, ledger, clock)` between looks, if a queue should move on sooner.
- `digest.send(settings, ledger, clock, Extra(mistakes))` once a week; `ledger.last_digest()` tells when it last was.

All three return the deliveries they tried and raise HomeTrouble only if the ledger itself cannot be used.
"""

from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from otherroof.watch.sending import Delivery, send_due

__all__ = ["Delivery", "WatchInputs", "look", "send_due"]
