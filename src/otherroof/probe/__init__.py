"""The ladder: network and SSH checks in order, each with its advice; a whole probe; the way to a far box, kept open."""
