"""The drivers behind the Tunnel port, one file a kind."""
