"""Arithmetic only: first copy, nightly window, fill date, sampling confidence, restore time."""
