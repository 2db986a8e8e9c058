"""A small SFTP server, version 3, on bytes.

It behaves as OpenSSH's sftp-server 9.2 does, status for status, which the contract tests check against the real one.
"""

from __future__ import annotations

from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.confined import ConfinedFolder
from otherroof.rehearsal.far_box.sftp_extensions import OFFERED, extended
from otherroof.rehearsal.far_box.sftp_requests import REQUESTS
from otherroof.rehearsal.far_box.sftp_session import ByteWire, Handler, SftpSession

HANDLERS: dict[int, Handler] = REQUESTS | {words.EXTENDED: extended}


def session_on(wire: ByteWire, folder: ConfinedFolder) -> SftpSession:
    """A session that is ready to serve `folder` on `wire`."""
    return SftpSession(wire, folder, HANDLERS, OFFERED)
