"""Asks this machine's network (routes, names, echoes, its router), and does arithmetic on addresses and sizes."""
