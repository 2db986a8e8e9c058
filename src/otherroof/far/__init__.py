"""The box there: SSH session with pinned host key, pipelined SFTP, the Place port and its implementations."""
