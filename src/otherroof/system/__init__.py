"""The service on this machine: its installation, its logs, and what it tells the service manager."""
