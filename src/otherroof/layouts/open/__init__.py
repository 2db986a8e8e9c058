"""The open layout: ordinary files at the far end, which a person can get back with no tool at all."""
