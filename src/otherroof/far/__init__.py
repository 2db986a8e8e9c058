"""The box there: SSH session with pinned host key, pipelined SFTP, the Place port and its implementations."""

import sys

# paramiko looks for `invoke` while it is imported, to run commands named in ssh_config files, which are never read
# here; loading it costs every run a tenth of a second. Told that it is absent, paramiko does without.
if "paramiko" not in sys.modules and "invoke" not in sys.modules:
    sys.modules["invoke"] = None  # type: ignore[assignment]
    try:
        import paramiko  # noqa: F401
    finally:
        del sys.modules["invoke"]
