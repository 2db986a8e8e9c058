"""What stands at home: the scan, the reading, what is left out, chunks of large files."""
