"""The service on this machine: its installation (with the files for systemd), its logs, and what it tells systemd."""
