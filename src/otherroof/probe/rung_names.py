"""The names of the checks, in the ladder's order, for whoever asks at which of them the way stops.

Names only: what a check looks at stands in `network_checks` and `ssh_checks`, which bring in much more.
"""

from __future__ import annotations

KEYS, ROUTE, NAMES, PLAN = "settings and keys", "default route", "names", "address plan"
INTERFACE, HANDSHAKE, ANSWERS, SIZE = "interface", "handshake", "far address", "full packets"
SPEAKS, HOST_KEY, LOGIN, OFFERS, BASE, CLOCK = "SSH speaks", "host key", "login", "extensions", "base", "clock"
# If the way stops at one of these, what is wrong lies here at home: nobody need be asked in the other house.
AT_HOME = frozenset({KEYS, ROUTE, NAMES, PLAN, INTERFACE})
