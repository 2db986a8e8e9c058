"""Verbs that get files back."""
