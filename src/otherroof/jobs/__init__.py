"""A job's work with everything around it: locks, command before, tunnel, login, far copy, history."""
