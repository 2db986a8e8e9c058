"""Sees to it that nobody can fail to notice: rules that raise alerts, channels that carry them, the digest.

What the service calls, each with settings, ledger and clock:

- `look.look(settings, ledger, clock, WatchInputs(mistakes))` on a timer, at least hourly, and after every run:
  raises, repeats and ends alerts, sends what is due, writes the metrics file. Every kind of restart is harmless:
  what stands and what waits is in the ledger.
- `sending.send_due(settings, ledger, clock)` between looks, if a queue should move on sooner.
- `digest.send(settings, ledger, clock, WatchInputs(mistakes))` once a week; `ledger.marks` tells when it
  last was.

All three return the deliveries they tried and raise HomeTrouble only if the ledger itself cannot be used.

Nothing is imported here, so that whoever wants one word of `words` does not wait for mail and templates.
"""
