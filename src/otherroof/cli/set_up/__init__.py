"""Verbs that set up."""
