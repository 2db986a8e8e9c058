"""Proving: reads copies back and compares their digests; what is damaged is sent again."""
