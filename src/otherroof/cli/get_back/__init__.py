"""Verbs that get files back: versions, restore."""
