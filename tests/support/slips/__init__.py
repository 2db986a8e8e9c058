"""Deliberate slips in the product, and how to see whether the tests notice each: `tests/bench/slips.py`."""
