"""A run while it is under way: it tells other processes how far it is, and hears that it is to stop."""
