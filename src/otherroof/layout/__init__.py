"""How copies lie in a place. The listing format is common to all layouts; each layout has a folder of its own."""
