"""A practice restore: which part comes back, how fast it came, and what came of it."""
