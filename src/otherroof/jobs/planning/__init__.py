"""Gathers what a forecast is made from, and measures a line: what reads settings, ledger and folder for `forecast`."""
