"""The drivers behind the Tunnel port, one for each `kind` in the settings, and what only they need."""
