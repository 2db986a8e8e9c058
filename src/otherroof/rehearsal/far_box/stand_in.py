"""A stand-in far box in this very process: SSH and SFTP on 127.0.0.1, with keys of its own, serving one folder.

For rehearsals and tests: no root, no other program. It lets in one public key and refuses passwords. It is no server
for real use: one folder, one account, no log.
"""

from __future__ import annotations

import base64
import contextlib
import io
import logging
import resource
import socket
import threading
from types import TracebackType
from typing import Self

import paramiko
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from otherroof.base.errors import HomeTrouble
from otherroof.rehearsal.far_box.confined import ConfinedFolder
from otherroof.rehearsal.far_box.sftp_server import session_on
from otherroof.rehearsal.far_box.sftp_session import ByteWire, SftpSession

ADDRESS = "127.0.0.1"
LOOK_S = 0.2
SEND_S = 60.0
GREETING_S = 20.0
JOIN_S = 10.0
OPEN_FILES = 8192

_SILENT = logging.getLogger("otherroof.rehearsal.ssh")
_SILENT.addHandler(logging.NullHandler())
_SILENT.propagate = False


def make_room_for_files() -> None:
    """Let this process have as many files open as several sessions need, which elsewhere are a process each."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = OPEN_FILES if hard == resource.RLIM_INFINITY else min(OPEN_FILES, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def fresh_key() -> tuple[bytes, str]:
    """A new Ed25519 key pair: the private half as OpenSSH keeps it in a file, the public half as one line."""
    pem = Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption())
    return pem, _line(_as_key(pem))


def _as_key(pem: bytes) -> paramiko.PKey:
    return paramiko.Ed25519Key(file_obj=io.StringIO(pem.decode("ascii")))


def _line(key: paramiko.PKey) -> str:
    return f"{key.get_name()} {key.get_base64()}"


class StandIn:
    """The box. `folder` is what clients see as `/`; `authorised_key` the one public key line that is let in.

    Ready once made; `with` closes it and leaves no thread and no socket behind.
    """

    def __init__(self, folder: str, authorised_key: str) -> None:
        self.address = ADDRESS
        self._authorised = base64.b64decode(authorised_key.split()[1])
        self._host_key = _as_key(fresh_key()[0])
        make_room_for_files()
        self._folder = ConfinedFolder(folder)
        self._lock = threading.Lock()
        self._connections: set[_ClientConnection] = set()
        self._listener: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self.port = 0
        try:
            self._listen()
        except BaseException:
            self._folder.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()
        self._folder.close()

    @property
    def host_key_line(self) -> str:
        """The box's public host key, as the settings pin it."""
        return _line(self._host_key)

    def drop(self) -> None:
        """Break every connection at once; new ones are taken."""
        with self._lock:
            connections = list(self._connections)
        for connection in connections:
            connection.end()
        with self._lock:
            self._connections.difference_update(connections)

    def kill(self) -> None:
        """As when the power goes: nobody listens any more, and every connection is broken."""
        listener, thread = self._listener, self._thread
        self._listener = self._thread = None
        if listener is not None and thread is not None:
            listener.close()
            thread.join(JOIN_S)
        self.drop()

    def _listen(self) -> None:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            # Lets a box that was killed listen again on its port while old connections linger there (TIME_WAIT).
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((ADDRESS, self.port))
            listener.listen(32)
            listener.settimeout(LOOK_S)
        except OSError as problem:
            listener.close()
            raise HomeTrouble(
                f"the stand-in far box cannot listen: {problem.strerror}",
                where=f"{ADDRESS} port {self.port}",
                advice="see what else uses this port, and try again",
            ) from problem
        self.port = listener.getsockname()[1]
        self._listener = listener
        self._thread = threading.Thread(target=self._take, args=(listener,), name="stand-in", daemon=True)
        self._thread.start()

    def _take(self, listener: socket.socket) -> None:
        while self._listener is listener:
            try:
                link, _ = listener.accept()
            except TimeoutError:
                continue
            except OSError:  # closed by kill()
                return
            # Small answers leave at once; else each would wait for the acknowledgement of the one before.
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection = _ClientConnection(self, link)
            with self._lock:
                self._connections = {known for known in self._connections if known.alive}
                self._connections.add(connection)
            # Killed between accept and here: `kill` has not seen this connection.
            if self._listener is not listener:
                connection.end()
                return
            connection.begin()

    def lets_in(self, key: paramiko.PKey) -> bool:
        """Whether `key` is the authorised one."""
        return bool(key.asbytes() == self._authorised)

    def serve(self, channel: paramiko.Channel) -> None:
        """Serve this box's folder on `channel` until the client goes."""
        self.session(_ChannelWire(channel), self._folder).serve()

    def session(self, wire: ByteWire, folder: ConfinedFolder) -> SftpSession:
        """What answers on one channel; tests put something less well-behaved in its place."""
        return session_on(wire, folder)

    @property
    def host_key(self) -> paramiko.PKey:
        """The key pair by which the box proves itself."""
        return self._host_key


class _ClientConnection:
    """One connection: paramiko's transport, and a thread for every SFTP channel on it."""

    def __init__(self, box: StandIn, link: socket.socket) -> None:
        self._box = box
        self._link = link
        self._threads: list[threading.Thread] = []
        self._transport: paramiko.Transport | None = None
        self._ended = False
        self._lock = threading.Lock()

    @property
    def alive(self) -> bool:
        return not self._ended and (self._transport is None or self._transport.is_alive() or self._busy())

    def _busy(self) -> bool:
        return any(thread.is_alive() for thread in self._threads)

    def begin(self) -> None:
        with self._lock:
            if self._ended:
                return
            transport = paramiko.Transport(self._link)
            transport.set_log_channel(_SILENT.name)
            transport.banner_timeout = transport.handshake_timeout = transport.auth_timeout = GREETING_S
            transport.add_server_key(self._box.host_key)
            self._transport = transport
            transport.start_server(event=threading.Event(), server=_LoginRules(self._box, self))

    def serve(self, channel: paramiko.Channel) -> None:
        thread = threading.Thread(target=self._serve, args=(channel,), name="stand-in-sftp", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _serve(self, channel: paramiko.Channel) -> None:
        try:
            self._box.serve(channel)
        except (OSError, EOFError, paramiko.SSHException) as problem:
            _SILENT.debug("the client went away in the middle of an answer: %s", problem)
        finally:
            with contextlib.suppress(OSError, EOFError, paramiko.SSHException):  # the link may be gone by now
                channel.close()

    def _break(self) -> None:
        with contextlib.suppress(OSError):  # the client was quicker
            self._link.shutdown(socket.SHUT_RDWR)

    def end(self) -> None:
        with self._lock:
            self._ended = True
        self._break()
        transport = self._transport
        if transport is not None:
            transport.close()
            transport.join(JOIN_S)
        self._link.close()
        for thread in self._threads:
            thread.join(JOIN_S)


class _LoginRules(paramiko.ServerInterface):  # type: ignore[misc]
    """Who may come in, and for what: one public key, SFTP only."""

    def __init__(self, box: StandIn, connection: _ClientConnection) -> None:
        self._box = box
        self._connection = connection

    def get_allowed_auths(self, username: str) -> str:
        return "publickey"

    def check_auth_publickey(self, username: str, key: paramiko.PKey) -> int:
        return int(paramiko.AUTH_SUCCESSFUL if self._box.lets_in(key) else paramiko.AUTH_FAILED)

    def check_channel_request(self, kind: str, chanid: int) -> int:
        refused = paramiko.OPEN_FAILED_ADMINISTRATIVELY_PROHIBITED
        return int(paramiko.OPEN_SUCCEEDED if kind == "session" else refused)

    def check_channel_subsystem_request(self, channel: paramiko.Channel, name: str) -> bool:
        if name != "sftp":
            return False
        self._connection.serve(channel)
        return True


class _ChannelWire:
    """A channel as the session's wire: waits for requests as long as it takes, for a reader only so long."""

    def __init__(self, channel: paramiko.Channel) -> None:
        self._channel = channel
        channel.settimeout(SEND_S)

    def recv(self, count: int) -> bytes:
        while True:
            try:
                return bytes(self._channel.recv(count))
            except TimeoutError:
                continue

    def sendall(self, block: bytes) -> None:
        self._channel.sendall(block)
