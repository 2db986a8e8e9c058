"""Places in folders of this machine, also of a disk that stands in for the far box, and what such a disk is."""
