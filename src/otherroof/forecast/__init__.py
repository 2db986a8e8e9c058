"""Arithmetic only: when a disk is full, how the nights grow, what a sample says of the whole."""
