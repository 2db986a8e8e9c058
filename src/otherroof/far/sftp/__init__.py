"""SFTP version 3 across one SSH connection: bytes, one channel, streams, queues, and the place made of them."""
