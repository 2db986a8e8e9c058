"""Verbs that set up: check, pair, probe, install, rehearse."""
