"""Verbs for whoever wants to know that the copies are good for something."""
