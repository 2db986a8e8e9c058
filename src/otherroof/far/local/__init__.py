"""A disk of this machine that stands in for the far box: what it is, and how it carries out scripts."""
