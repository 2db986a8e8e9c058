"""Arithmetic only: when a disk is full, and how the nights grow."""
