"""Verbs that copy."""
