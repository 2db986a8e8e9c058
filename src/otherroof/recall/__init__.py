"""Getting it back: versions, restore; later prove, drill and thin."""
