"""Versions that the keeping rule no longer wants: which these are, what goes with them, and their way out."""
