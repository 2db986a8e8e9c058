"""A stand-in far box: SSH on 127.0.0.1, a small SFTP server on it, and the folder that its paths cannot leave."""
