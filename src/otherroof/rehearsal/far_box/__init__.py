"""A stand-in far box: SSH and SFTP on 127.0.0.1, serving one folder."""
