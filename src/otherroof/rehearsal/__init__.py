"""The whole thing on one machine: a stand-in far box, an invented household and its day, and a play in which they meet.

What comes back is compared by code of its own (`compare_trees`), not by what copied it.
"""
