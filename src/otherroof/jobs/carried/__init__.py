"""Copies that a disk carries: written onto it here, found standing at the far box, or read from it at home again."""
