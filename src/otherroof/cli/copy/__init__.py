"""Verbs that copy: run, release, serve."""
