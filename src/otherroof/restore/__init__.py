"""Getting it back: versions, the files of a version, the restore itself."""
