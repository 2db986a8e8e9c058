"""Carries a plan out: files, large files as streams, and settling what is uncertain."""
