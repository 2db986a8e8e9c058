"""How fast bytes go out: the limit of the settings, and courtesy towards others on the line."""
