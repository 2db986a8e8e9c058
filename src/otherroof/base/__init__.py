"""The ground floor: errors, time and its limits, units, files put in place, locks, small databases, other programs.

It knows nothing of the rest.
"""
