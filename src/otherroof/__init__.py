"""Otherroof keeps a second copy of a household's folders under another roof."""

__version__ = "0.1.0"
