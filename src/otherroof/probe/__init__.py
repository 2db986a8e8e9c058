"""The ladder: every check in order, network and SSH alike, with its advice; and the way to a far box."""
