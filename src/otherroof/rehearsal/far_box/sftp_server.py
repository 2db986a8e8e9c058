"""A small SFTP server, version 3, on bytes.

It behaves as OpenSSH's sftp-server 9.2 does, status for status, which the contract tests check against the real one.
"""

from __future__ import annotations

from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.confined import ConfinedFolder
from otherroof.rehearsal.far_box.offers import FaultState, ServerExtensions
from otherroof.rehearsal.far_box.sftp_extensions import extended
from otherroof.rehearsal.far_box.sftp_requests import REQUESTS
from otherroof.rehearsal.far_box.sftp_session import ByteWire, Handler, SftpSession

HANDLERS: dict[int, Handler] = REQUESTS | {words.EXTENDED: extended}


def serve(wire: ByteWire, folder: ConfinedFolder, offers: ServerExtensions, mood: FaultState) -> None:
    """Serve `folder` on `wire` until the client goes. Raises CutError, and OSError if the wire breaks."""
    SftpSession(wire, folder, offers, mood, HANDLERS).serve()
