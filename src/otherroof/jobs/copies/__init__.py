"""A folder with several copies: its history over a change of names, and one restore out of all of them."""
