"""Verbs that look."""
