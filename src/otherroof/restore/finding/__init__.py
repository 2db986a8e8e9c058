"""Finding things: what the kept versions hold, when a file changed, and what of it to bring back."""
