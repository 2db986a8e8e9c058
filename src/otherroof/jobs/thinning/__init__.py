"""Thinning of a job: its two steps, recalls and pins."""
