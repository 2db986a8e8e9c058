"""The whole thing on one machine: a stand-in far box, an invented household, and a play in which both meet."""
