"""Verbs that think ahead."""
