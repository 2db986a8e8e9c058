"""What a far copy is, whatever its layout: entry, listing and its key, run ids, and the ports of a layout."""
