"""How a folder stands that has copies in several houses, each of which is watched by itself."""
