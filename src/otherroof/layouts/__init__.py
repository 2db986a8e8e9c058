"""How copies lie in a place: one folder for each layout."""
